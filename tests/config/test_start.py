"""What stops a start, in words and without a traceback, and what the demo makes for itself."""

from __future__ import annotations

import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from config.secret import generated_key
from tests.config.running import PRODUCTION, manage


@pytest.mark.parametrize(
    ("name", "value", "allowed"),
    [
        ("HEAPLEDGER_MODE", "staging", "demo, production, test"),
        ("HEAPLEDGER_PORT", "http", "a whole number from 1 to 65535"),
        ("HEAPLEDGER_DATABASE_URL", "oracle://x/y", "sqlite:///relative"),
    ],
)
def test_a_wrong_value_stops_the_start(tmp_path: Path, name: str, value: str, allowed: str) -> None:
    done = manage(tmp_path, "check", **{name: value})
    assert done.returncode == 2
    assert name in done.stderr
    assert allowed in done.stderr
    assert "Traceback" not in done.stderr


def test_production_without_a_secret_stops_the_start(tmp_path: Path) -> None:
    done = manage(tmp_path, "check", **{**PRODUCTION, "HEAPLEDGER_SECRET_KEY": ""})
    assert done.returncode == 2
    assert "HEAPLEDGER_SECRET_KEY is not set" in done.stderr
    assert not (tmp_path / "secret-key").exists()


def test_a_wrong_combination_stops_the_start(tmp_path: Path) -> None:
    done = manage(tmp_path, "check", HEAPLEDGER_MODE="production", HEAPLEDGER_SECRET_KEY="k" * 64)
    assert done.returncode == 1
    for check in ("heapledger.E003", "heapledger.E004", "heapledger.E005"):
        assert check in done.stderr


def test_a_complete_production_passes_its_checks_and_those_of_django(tmp_path: Path) -> None:
    static = {"HEAPLEDGER_STATIC_DIR": str(tmp_path / "static")}
    collected = manage(tmp_path, "collectstatic", "--noinput", "--verbosity", "0", **PRODUCTION, **static)
    assert collected.returncode == 0, collected.stderr
    arguments = ("check", "--deploy", "--fail-level", "WARNING")
    # Which names share a registered domain is the installer's to know, and so are these two.
    silent = {"security.W005", "security.W021"}
    done = manage(tmp_path, *arguments, **PRODUCTION, **static)
    found = {word.strip("()") for word in done.stderr.split() if word.startswith("(security.")}
    assert found <= silent, done.stderr
    assert "heapledger." not in done.stderr


def test_the_demo_makes_its_secret_once_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "secret-key"
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: generated_key(path), range(8)))
    assert len(keys) == 1
    assert len(keys.pop()) > 50
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [file.name for file in path.parent.iterdir()] == ["secret-key"]
