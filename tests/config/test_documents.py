"""README.md and DEVELOPERS.md say what is so: commands run, lists are those of the code, paths exist."""

from __future__ import annotations

import ast
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from tests import documents
from tests.config.running import ROOT, environment

TEXTS = {name: (ROOT / name).read_text(encoding="utf-8") for name in documents.DOCUMENTS}
BLOCK = re.compile(r"```sh\n(.*?)```", re.DOTALL)
COMMANDS = [
    (name, line)
    for name, text in TEXTS.items()
    for block in BLOCK.findall(text)
    for line in block.splitlines()
    if line.strip()
]
PARTS = [
    (name, part["name"], part["body"])
    for name, text in TEXTS.items()
    for part in documents.PART.finditer(text)
]
SERVICES = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]


@pytest.mark.parametrize(("name", "part", "body"), PARTS, ids=[f"{name}: {part}" for name, part, _ in PARTS])
def test_a_generated_part_is_that_of_the_code(name: str, part: str, body: str) -> None:
    assert body == documents.made(part), f"run `python -m tests.documents` and look at the change of {name}"


def test_nothing_generated_was_lost() -> None:
    assert {"errors", "findings"} < {part for _, part, _ in PARTS}
    assert any(part.startswith(documents.OUTPUT) for _, part, _ in PARTS)


# --- commands ------------------------------------------------------------------------------------


def run_manage(words: list[str], data_dir: Path) -> None:
    """The command itself, on a data folder of its own."""
    done = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=environment(data_dir, HEAPLEDGER_ADMIN_PASSWORD="only for this test"),
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def examine(command: str, data_dir: Path) -> None:
    """Run a command that a document shows, or prove that it would run where its service is."""
    words = shlex.split(command)
    match words:
        case ["make", *arguments]:
            subprocess.run(["make", "--dry-run", *arguments], cwd=ROOT, check=True, capture_output=True)
        case [".venv/bin/python", "manage.py", "check", "--deploy"]:
            # Its warnings are the point of it; tests/config/test_start.py runs it on production settings.
            run_manage(["manage.py", "check"], data_dir)
        case [".venv/bin/python", "manage.py", "collectstatic", *arguments]:
            run_manage(["manage.py", "collectstatic", "--help"], data_dir)
        case [".venv/bin/python", "manage.py", *arguments]:
            run_manage(["manage.py", *arguments], data_dir)
        case [".venv/bin/python", "-m", "pytest", *paths]:
            assert all((ROOT / path).exists() for path in paths)
        case [".venv/bin/python", "-m", module]:
            assert (ROOT / f"{module.replace('.', '/')}.py").is_file()
        case [".venv/bin/celery", "-A", "config", "beat"]:
            # tests/config/test_production.py runs it.
            assert (ROOT / "config/celery.py").is_file()
        case ["docker", "compose", "exec", service, "python", "manage.py", *arguments]:
            assert service in SERVICES
            run_manage(["manage.py", "migrate", "--verbosity", "0"], data_dir)
            run_manage(["manage.py", *arguments], data_dir)
        case ["docker", "compose", "up", "--detach", "--scale", scale]:
            assert scale.split("=")[0] in SERVICES
        case ["docker", "compose", "build"] | ["docker", "compose", "up", "--detach", "--wait"]:
            assert (ROOT / "Dockerfile").is_file()
        case ["cp", source, _]:
            assert (ROOT / source).is_file()
        case _:
            pytest.fail(f"no way to examine this command: {command}")


@pytest.mark.parametrize(("name", "command"), COMMANDS, ids=[f"{n}: {c}" for n, c in COMMANDS])
def test_a_shown_command_runs(name: str, command: str, tmp_path: Path) -> None:
    examine(command, tmp_path)


def test_a_command_nobody_examines_is_noticed(tmp_path: Path) -> None:
    with pytest.raises(pytest.fail.Exception, match="no way to examine"):
        examine("heapledger --please", tmp_path)


# --- names ---------------------------------------------------------------------------------------


def settings_read() -> set[str]:
    """Names that config/settings.py reads from the environment."""
    tree = ast.parse((ROOT / "config/settings.py").read_text())
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return {
        call.args[0].value
        for call in calls
        if isinstance(call.func, ast.Attribute)
        and getattr(call.func.value, "id", "") == "env"
        and isinstance(call.args[0], ast.Constant)
    }


def test_the_table_of_settings_is_complete() -> None:
    table = TEXTS["README.md"].split("| `HEAPLEDGER_…` |")[1].split("\n\n")[0]
    named = {
        name for row in table.splitlines()[2:] for name in re.findall(r"`([A-Z0-9_]+)`", row.split("|")[1])
    }
    assert named == settings_read()


@pytest.mark.parametrize("file", ["docker-compose.yml", ".env.example", "Dockerfile"])
def test_every_variable_that_the_containers_set_is_read(file: str) -> None:
    beside = {"VERSION", "PUBLISHED_PORT"}  # read by docker-compose.yml itself
    named = set(re.findall(r"HEAPLEDGER_([A-Z0-9_]+)", (ROOT / file).read_text()))
    assert named
    assert named - beside <= settings_read()


@pytest.mark.parametrize("name", documents.DOCUMENTS)
def test_every_path_that_a_document_names_exists(name: str) -> None:
    rooms = "config|inventory|surveys|compute|templates|tests|examples"
    paths = re.findall(rf"`((?:{rooms})/[\w/.-]*)", TEXTS[name])
    assert [path for path in paths if not (ROOT / path).exists()] == []


# --- containers ----------------------------------------------------------------------------------


def test_no_secret_is_in_the_file_of_the_containers() -> None:
    for service in SERVICES.values():
        for variable, value in service.get("environment", {}).items():
            if any(word in variable for word in ("SECRET", "PASS", "KEY", "_URL")):
                assert "${" in value, f"{variable} is written out"
    for secret in ("HEAPLEDGER_SECRET_KEY", "POSTGRES_PASSWORD", "RABBITMQ_PASSWORD"):
        assert re.search(rf"(?m)^{secret}=$", (ROOT / ".env.example").read_text())


def test_every_container_has_a_health_check() -> None:
    assert [name for name, service in SERVICES.items() if "healthcheck" not in service] == []
    assert {"web", "worker", "scheduler", "postgres", "rabbitmq", "object-storage"} <= set(SERVICES)
