"""The import rules hold, each of them looks at real files, and each of them bites."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.import_rules import FRAMEWORKS, ROOT, RULES, Rule, files_of, violations

WAYS = (
    "import {module}",
    "import {module}.part as other",
    "from {module} import something",
    "from {module}.part import something",
    "def later():\n    from {module} import something",
    "if True:\n    import os, {module}",
    "from importlib import import_module\nimport_module('{module}.part')",
)


def named(rule: Rule) -> str:
    return f"{rule.room} imports no {rule.forbidden[0]}"


@pytest.mark.parametrize("rule", RULES, ids=named)
def test_the_rule_holds(rule: Rule) -> None:
    assert violations(rule) == []


@pytest.mark.parametrize("rule", RULES, ids=named)
def test_the_rule_looks_at_real_files_and_names_real_rooms(rule: Rule) -> None:
    assert len(files_of(rule)) > 3
    for module in set(rule.forbidden) - set(FRAMEWORKS):
        assert (ROOT / module).is_dir(), f"{module} is no room: the rule can never bite"
    for exception in rule.but:
        assert (ROOT / exception).is_file(), f"{exception} is gone: take it out of the rule"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("rule", RULES, ids=named)
def test_a_planted_violation_is_found(rule: Rule, way: str, tmp_path: Path) -> None:
    for module in rule.forbidden:
        planted = tmp_path / rule.room / "deep" / "planted.py"
        planted.parent.mkdir(parents=True, exist_ok=True)
        planted.write_text(way.format(module=module))
        assert [found.path for found in violations(rule, tmp_path)] == [f"{rule.room}/deep/planted.py"]


def test_a_relative_import_is_followed(tmp_path: Path) -> None:
    (tmp_path / "compute" / "deep").mkdir(parents=True)
    (tmp_path / "compute" / "deep" / "planted.py").write_text("from ...surveys import intake")
    (found,) = violations(RULES[0], tmp_path)
    assert found.module == "surveys.intake"


def test_an_allowed_import_passes(tmp_path: Path) -> None:
    (tmp_path / "compute").mkdir()
    (tmp_path / "compute" / "fine.py").write_text("import numpy\nfrom compute import surveys_like\n")
    assert violations(RULES[0], tmp_path) == []
