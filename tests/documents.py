"""The parts of README.md and DEVELOPERS.md that are made from the code.

`python -m tests.documents` writes them again; a test compares them with what stands there.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
PART = re.compile(r"(<!-- begin: (?P<name>.+?) -->\n)(?P<body>.*?)(<!-- end: .+? -->)", re.DOTALL)
OUTPUT = "output of "


def django_ready() -> None:
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    django.setup()


def subclasses(kind: type) -> Iterator[type]:
    for below in kind.__subclasses__():
        yield below
        yield from subclasses(below)


def import_all(*rooms: str) -> None:
    """So that every class that a room defines is known."""
    for room in rooms:
        package = importlib.import_module(room)
        for module in pkgutil.walk_packages(package.__path__, f"{room}."):
            importlib.import_module(module.name)


def cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def errors() -> str:
    """Every refusal of the three rooms: code, class, what the page tells people to do."""
    from compute.errors import Refused
    from inventory.errors import BookRefused

    import_all("compute", "inventory", "surveys")
    kinds = {*subclasses(Refused), *subclasses(BookRefused)}
    ours = [kind for kind in kinds if kind.__module__.split(".")[0] in ("compute", "inventory", "surveys")]
    rows = ["| code | class | remedy |", "|---|---|---|"]
    for kind in sorted(ours, key=lambda kind: (kind.code, kind.__module__)):
        remedy = cell(kind.remedy) or "said with each refusal"
        rows.append(f"| `{kind.code}` | `{kind.__module__}.{kind.__qualname__}` | {remedy} |")
    return "\n".join(rows) + "\n"


def findings() -> str:
    """Every finding of a measurement, by its own catalogue."""
    from compute import findings as room

    return table_of(room.catalogue())


def book_findings() -> str:
    """Every finding of a traverse, of a field book, of set-ups against each other, and of the control."""
    from compute.blunders import said
    from compute.findings.said import Entry
    from compute.traverse.entries import ENTRIES
    from surveys.control_history import MOVING
    from surveys.fieldbook_findings import WITHOUT_HEIGHT
    from surveys.fieldbook_solving import STORED_OFF

    of_setups = [entry for entry in vars(said).values() if isinstance(entry, Entry)]
    entries = [*ENTRIES, *of_setups, MOVING, STORED_OFF, WITHOUT_HEIGHT]
    return table_of(sorted(entries, key=lambda entry: (entry.code, entry.severity)))


def table_of(entries: Iterable[Any]) -> str:
    rows = ["| code | severity | what is found |", "|---|---|---|"]
    rows += [f"| `{entry.code}` | {entry.severity} | {cell(entry.line)} |" for entry in entries]
    return "\n".join(rows) + "\n"


def output(command: str) -> str:
    """What a command prints, as a block."""
    with tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, *command.split()]
        environment = {**os.environ, "HEAPLEDGER_DATA_DIR": folder, "HEAPLEDGER_MODE": "test"}
        environment.pop("DJANGO_SETTINGS_MODULE", None)
        done = subprocess.run(
            words, cwd=ROOT, env=environment, capture_output=True, text=True, check=True, timeout=300
        )
    return f"\n```text\n{done.stdout.rstrip()}\n```\n\n"


PARTS: dict[str, Callable[[], str]] = {"errors": errors, "findings": findings, "book findings": book_findings}


def made(name: str) -> str:
    return output(name.removeprefix(OUTPUT)) if name.startswith(OUTPUT) else PARTS[name]()


def written_again(text: str) -> str:
    return PART.sub(lambda part: part[1] + made(part["name"]) + part[4], text)


def main() -> int:
    django_ready()
    for name in DOCUMENTS:
        path = ROOT / name
        path.write_text(written_again(path.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
