"""Which room may import which, as data. The arrows go one way: config → surveys → inventory, compute."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

FRAMEWORKS = ("django", "rest_framework", "knox", "celery", "kombu", "psycopg", "sqlite3")


@dataclass(frozen=True)
class Rule:
    """Files under `room` import none of `forbidden`; `but` names files with a reason of their own."""

    room: str
    forbidden: tuple[str, ...]
    why: str
    but: tuple[str, ...] = ()


RULES = (
    Rule("compute", ("config", "inventory", "surveys", "tests"), "a notebook imports the calculator alone"),
    Rule("compute", FRAMEWORKS, "the calculator knows no web, no queue and no database"),
    Rule("inventory", ("surveys", "compute", "tests"), "the book takes a count, never looks how it was made"),
    Rule("inventory", ("config",), "rooms read settings through Django, wiring stays outside"),
    Rule(
        "surveys",
        ("config",),
        "rooms read settings through Django, wiring stays outside",
        # A command that starts child processes is wiring itself.
        but=("surveys/management/commands/serve.py", "surveys/management/commands/demo.py"),
    ),
    Rule("surveys", ("tests",), "what is delivered needs nothing of the suite"),
    Rule("config", ("tests",), "what is delivered needs nothing of the suite"),
)


@dataclass(frozen=True)
class Violation:
    path: str
    line: int
    module: str
    why: str


def files_of(rule: Rule, root: Path = ROOT) -> list[Path]:
    found = sorted((root / rule.room).rglob("*.py"))
    return [path for path in found if path.relative_to(root).as_posix() not in rule.but]


def imported(path: Path, root: Path = ROOT) -> Iterator[tuple[int, str]]:
    """Line and absolute module of each import, at the top or inside a function, or by `import_module`."""
    package = path.relative_to(root).with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(filter(None, (above, node.module)))
            # `from . import surveys` at the root, or `from x import y` where y is the module.
            yield from ((node.lineno, ".".join(filter(None, (module, alias.name)))) for alias in node.names)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in ("import_module", "__import__") and isinstance(node.args[0].value, str):
                yield node.lineno, node.args[0].value


def violations(rule: Rule, root: Path = ROOT) -> list[Violation]:
    return [
        Violation(path.relative_to(root).as_posix(), line, module, rule.why)
        for path in files_of(rule, root)
        for line, module in imported(path, root)
        if module.split(".")[0] in rule.forbidden
    ]
