"""Everything wrong with one file, collected, then refused at once."""

from __future__ import annotations

from compute.errors import BadValues, FileRefused, Problem
from compute.pointfiles.values import MAYBE_THOUSANDS, NOT_FINITE, THOUSANDS, is_number

KEPT = 50
"""Problems that are named one by one; the others are counted."""

MARK_WORDS = {".": "a dot", ",": "a comma"}
NOTHING = "Nothing was imported."


class ProblemList:
    """Collects the problems of the file `name`. The first 50 are kept, all are counted."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.kept: list[Problem] = []
        self.total = 0

    def add(
        self, message: str, remedy: str, *, line: int = 0, column: int = 0, field: str = "", value: str = ""
    ) -> None:
        self.total += 1
        if len(self.kept) < KEPT:
            self.kept.append(Problem(message, remedy, line, column, field, value[:80]))

    def refuse(self, kind: type[FileRefused] = BadValues) -> None:
        """Raise `kind` with all problems, if there is any."""
        if not self.kept:
            return
        first = self.kept[0]
        place = place_of(first)
        told = f"{place}: {first.message}" if place else first.message
        counted = f"{self.total} problems. The first: " if self.total > 1 else ""
        divider = " " if place and not counted else ": "
        raise kind(
            f"{self.name}{divider}{counted}{told} {NOTHING}",
            where=f"{self.name} {place}".strip(),
            remedy=first.remedy if self.total == 1 else None,
            problems=tuple(self.kept),
            total_problems=self.total,
        )


def place_of(problem: Problem) -> str:
    """`line 57, column 4 (H)`, as far as it is known."""
    parts = [f"line {problem.line}"] if problem.line else []
    if problem.column:
        label = f" ({problem.field})" if problem.field else ""
        parts.append(f"column {problem.column}{label}")
    return ", ".join(parts)


def number_fault(text: str, decimal: str, role: str, line: int) -> tuple[str, str]:
    """Why `text` is no coordinate, and what to do. Call it only for a value that was not accepted."""
    if not text:
        if role == "elevation":
            return (
                "the point has no elevation.",
                f"Fill in the elevation in line {line}, or take the line out.",
            )
        return f"the {role} is missing.", f"Fill in line {line}, or take the line out."
    shown = f'"{text[:80]}"'
    if NOT_FINITE.fullmatch(text):
        return f"{shown} is not a finite number.", f"Correct line {line}, or take the line out."
    if is_number(text, decimal):
        return (
            f"{shown} is too large for a coordinate (1,000,000,000 or more).",
            f"Check the columns and the decimal mark in line {line}.",
        )
    other = "," if decimal == "." else "."
    if is_number(text, other):
        return _other_mark(text, shown, decimal, line)
    if THOUSANDS.fullmatch(text):
        return (
            f"{shown} seems to hold a thousands mark.",
            "Export the file without thousands marks.",
        )
    return f"{shown} is not a number.", f"Correct line {line}, or export the file again."


def _other_mark(text: str, shown: str, decimal: str, line: int) -> tuple[str, str]:
    mark = "decimal commas" if decimal == "." else "decimal dots"
    doubt = " It could hold a thousands mark." if MAYBE_THOUSANDS.fullmatch(text) else ""
    return (
        f"{shown} is not a number. Other lines use {MARK_WORDS[decimal]}.{doubt}",
        f"If this file uses {mark}, choose that at import; otherwise correct line {line}.",
    )
