# Everything works from a fresh clone with Python 3.11 or newer, its venv module and make.
#   make demo    the demo yard, served on http://127.0.0.1:8000/   (PORT=8080 moves it)
#   make test    the whole suite; REQUIRE_SERVICES=1 makes a missing service a failure
#   make bench   the benchmarks, into bench.json
#   make check   linters, types, migrations, import rules
#   make setup   .venv from the lock file, nothing else

.DEFAULT_GOAL := help
.PHONY: help setup setup-dev demo serve test bench check lock

PORT ?= 8000
export HEAPLEDGER_PORT := $(PORT)

PY := .venv/bin/python
PIP := $(PY) -m pip install --quiet --disable-pip-version-check --no-deps --require-hashes

help:
	@sed -n '2,6s/^#   //p' Makefile

# The stamps stand for "installed exactly this lock file"; a changed lock installs again.
.venv/.made:
	@./config/make-venv .venv
	@touch $@

.venv/.runtime: requirements.lock | .venv/.made
	@echo "Installing the packages of requirements.lock …"
	@$(PIP) --requirement requirements.lock
	@touch $@

.venv/.dev: requirements-dev.lock .venv/.runtime
	@echo "Installing the packages of requirements-dev.lock …"
	@$(PIP) --requirement requirements-dev.lock
	@touch $@

setup: .venv/.runtime

setup-dev: .venv/.dev

demo: setup
	@$(PY) manage.py migrate --verbosity 0
	@$(PY) manage.py demo
	@$(PY) manage.py serve

serve: setup
	@$(PY) manage.py serve

test: setup-dev
	@$(PY) -m tests

bench: setup-dev
	@$(PY) -m tests.bench

check: setup-dev
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .
	$(PY) -m mypy
	$(PY) manage.py makemigrations --check --dry-run
	$(PY) manage.py check
	$(PY) -m pytest -q tests/config/test_import_rules.py

# After a change of pyproject.toml; needs uv (https://docs.astral.sh/uv/).
LOCK := uv pip compile --universal --generate-hashes --no-header --no-annotate --python-version 3.11
lock:
	$(LOCK) pyproject.toml --output-file requirements.lock
	$(LOCK) --group dev --constraint requirements.lock --output-file requirements-dev.lock
