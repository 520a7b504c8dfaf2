"""A small field book typed by hand: a grid of plain fields, its problems at their cells, its rows as CSV.

What is typed becomes a file like any other, so that the same reader, the same evidence and the same hash hold
for it. Nothing is carried from one row to the next: a height that was not typed is missing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field

from compute.errors import Refused
from compute.traverse.book import KINDS
from surveys.fieldbooks import look_into_book

COLUMNS: tuple[tuple[str, str], ...] = (
    ("setup", "Set-up"),
    ("at", "At"),
    ("to", "To"),
    ("kind", "Kind"),
    ("face", "Face"),
    ("circle", "Circle"),
    ("zenith", "Zenith"),
    ("slope_distance", "Slope distance"),
    ("instrument_height", "hi"),
    ("target_height", "ht"),
    ("code", "Code"),
    ("note", "Note"),
)
NAMES = tuple(name for name, _ in COLUMNS)
WIDE = ("kind", "circle", "zenith", "slope_distance", "note")
ROWS, MORE, MOST = 8, 8, 200
FACES = ("", "1", "2")


@dataclass
class Cell:
    name: str
    label: str
    value: str
    wide: bool
    choices: tuple[str, ...] = ()
    problems: list[str] = field(default_factory=list)


@dataclass
class Grid:
    """Rows of typed cells. `problems`: those that belong to no cell."""

    rows: list[list[Cell]]
    problems: list[str] = field(default_factory=list)

    @property
    def typed(self) -> list[int]:
        """Which rows have anything in them."""
        return [i for i, row in enumerate(self.rows) if any(cell.value for cell in row)]

    def as_csv(self) -> bytes:
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(NAMES)
        writer.writerows([cell.value for cell in self.rows[i]] for i in self.typed)
        return out.getvalue().encode()

    def check(self, name: str, unit: str) -> bool:
        """Whether it reads as a field book; every problem at its cell, all at once."""
        typed = self.typed
        if not typed:
            self.problems.append("Nothing is typed yet.")
            return False
        try:
            look_into_book(self.as_csv(), name, unit)
        except Refused as refusal:
            self._say(refusal, typed)
            return False
        return True

    def _say(self, refusal: Refused, typed: list[int]) -> None:
        unplaced = not refusal.problems
        for problem in refusal.problems:
            row = typed[problem.line - 2] if 2 <= problem.line < len(typed) + 2 else None
            said = f"{problem.message} {problem.remedy}".strip()
            if row is None or problem.field not in NAMES:
                where = "" if row is None else f"Row {row + 1}: "
                self.problems.append(f"{where}{said}")
            else:
                self.rows[row][NAMES.index(problem.field)].problems.append(said)
        if unplaced:
            self.problems.append(f"{refusal.message} {refusal.remedy}".strip())


def empty_grid(rows: int = ROWS) -> Grid:
    return Grid([_row({}) for _ in range(rows)])


def grid_from(posted: Mapping[str, str], more: int = 0) -> Grid:
    """The grid as it was sent, with `more` empty rows below."""
    count = 0
    while count < MOST and f"r{count}-setup" in posted:
        count += 1
    rows = [_row({name: posted.get(f"r{i}-{name}", "").strip() for name in NAMES}) for i in range(count)]
    return Grid([*rows, *(_row({}) for _ in range(min(more, MOST - count)))])


def pasted_into(grid: Grid, text: str) -> Grid:
    """Rows copied from a spreadsheet, in the order of the columns, below what is typed. A first row of the
    columns' names puts them in its own order."""
    lines = [line.split("\t" if "\t" in line else ",") for line in text.splitlines() if line.strip()]
    order = list(NAMES)
    if lines and {"setup", "kind"} <= {cell.strip().lower() for cell in lines[0]}:
        order = [cell.strip().lower() for cell in lines.pop(0)]
    kept = [grid.rows[i] for i in grid.typed]
    room = MOST - len(kept)
    pasted = [
        _row({name: cell.strip() for name, cell in zip(order, line, strict=False)}) for line in lines[:room]
    ]
    made = Grid([*kept, *pasted])
    if len(lines) > room:
        made.problems.append(f"Only {MOST} rows fit here. Save the book as a file and send it instead.")
    return made


def _row(values: Mapping[str, str]) -> list[Cell]:
    choices = {"kind": ("", *KINDS), "face": FACES}
    return [
        Cell(
            name,
            label,
            values.get(name, ""),
            name in WIDE,
            _with(choices.get(name, ()), values.get(name, "")),
        )
        for name, label in COLUMNS
    ]


def _with(choices: tuple[str, ...], value: str) -> tuple[str, ...]:
    """A pasted value that is no choice stays to be seen and corrected."""
    return choices if not choices or value in choices else (*choices, value)
