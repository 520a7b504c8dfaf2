"""Findings of field books and set-ups stand in a catalogue too: none is told that it does not list."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from compute import traverse
from compute.traverse.entries import ENTRIES

FOLDER = Path(traverse.__file__).parent
KINDS = {"kind": ("angular", "linear")}
"""What the names within a composed code stand for."""


def texts(node: ast.expr, within: ast.AST) -> set[str]:
    """Every text that an expression may be: a constant, one of two, a name given above, a composed one."""
    match node:
        case ast.Constant(value=str(value)):
            return {value}
        case ast.IfExp(body=body, orelse=orelse):
            return texts(body, within) | texts(orelse, within)
        case ast.JoinedStr(values=[ast.Constant(value=before), ast.FormattedValue(value=ast.Name(id=name))]):
            return {f"{before}{kind}" for kind in KINDS[name]}
        case ast.Name(id=name):
            given = [
                each.value
                for each in ast.walk(within)
                if isinstance(each, ast.Assign) and getattr(each.targets[0], "id", "") == name
            ]
            return set().union(*(texts(value, within) for value in given))
    pytest.fail(f"no way to tell what {ast.unparse(node)} may be")


def told() -> Iterator[tuple[str, set[str], set[str]]]:
    """(place, codes, severities) of every finding that the room makes."""
    for path in sorted(FOLDER.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                named = {each.arg: each.value for each in node.keywords}
                code = named["code"] if "code" in named else node.args[0]
                severity = named["severity"] if "severity" in named else node.args[1]
                yield f"{path.name}:{node.lineno}", texts(code, tree), texts(severity, tree)


def test_every_finding_of_a_field_book_is_listed_with_its_severity():
    listed = {(entry.code, entry.severity) for entry in ENTRIES}
    found = list(told())
    assert len(found) > 20
    for place, codes, severities in found:
        assert codes, place
        for code in codes:
            assert {severity for of, severity in listed if of == code} & severities, (place, code)


def test_nothing_is_listed_that_nothing_tells():
    codes = {code for _, codes, _ in told() for code in codes}
    severities = {
        code: {severity for _, of, each in told() if code in of for severity in each} for code in codes
    }
    for entry in ENTRIES:
        assert entry.code in codes
        assert entry.severity in severities[entry.code]


def test_the_list_is_in_order_and_says_each_once():
    pairs = [(entry.code, entry.severity) for entry in ENTRIES]
    assert len(set(pairs)) == len(pairs)
    assert [code for code, _ in pairs] == sorted(code for code, _ in pairs)
    assert all(entry.line.endswith(".") for entry in ENTRIES)
