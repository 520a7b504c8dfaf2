"""Rows and cells of the month-end sheet, as a page prints them: exact amounts, one number of places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory import gates
from inventory.explaining import CAUSES
from inventory.models import Explanation
from inventory.quantity import convert
from inventory.sheet import Sheet
from inventory.sheet_lines import AMOUNTS, Line, Sum
from surveys.pages.figures import MINUS, Units

HEADS = {
    "opening_t": "Opening",
    "production_t": "Production",
    "purchases_t": "Purchases",
    "transfers_in_t": "Transfers in",
    "sales_t": "Sales",
    "transfers_out_t": "Transfers out",
    "usage_t": "Usage",
    "reclass_t": "Reclassified",
    "adjustment_t": "Adjusted",
}
ALWAYS = ("opening_t",)
ISSUES = ("sales_t", "transfers_out_t", "usage_t")
MARKS = {
    gates.NOT_COUNTED: "stop",
    gates.POST: "stop",
    gates.DRIFT: "warn",
    gates.LEVEL: "warn",
    gates.NOTE: "note",
    gates.QUIET: "settled",
}


@dataclass(frozen=True)
class Cell:
    """One amount of a row, with the head of its column for a narrow screen."""

    head: str
    text: str


@dataclass(frozen=True)
class Row:
    """One line or one sum: `cells` are the terms, then book, measured, variance and ±."""

    line: Line | Sum
    name: str
    cells: tuple[Cell, ...]
    variance: Cell
    plus_minus: str
    rolled: str = ""
    mark: str = ""
    word: str = ""
    likely: str = ""


@dataclass(frozen=True)
class Ruled:
    """The sheet as a ruled table. `heads` are its columns of amounts; `unit` what they are in."""

    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    total: Row
    by_material: tuple[Row, ...]
    by_owner: tuple[Row, ...]
    unit: str


@dataclass(frozen=True)
class Cause:
    """A cause that may be: its words, the numbers behind it, and what would settle it."""

    words: str
    evidence: str
    check: str


EVIDENCE = {
    "usual_scatter_t": "usual scatter {} t",
    "increment_t": "change this month {} t",
    "size_sd": "± {} on its size",
    "log_odds": "weight of the evidence {}",
}
UNSAID = ("variance_t", "size", "unit")
"""Stands beside it already."""


def cause_of(said: Mapping[str, Any]) -> Cause:
    numbers = [
        EVIDENCE.get(name, f"{name.replace('_', ' ')} {{}}").format(value)
        for name, value in said["evidence"].items()
        if name not in UNSAID
    ]
    return Cause(said["words"], ", ".join(numbers).replace(" -", f" {MINUS}"), said["check"])


@dataclass(frozen=True)
class Difference:
    """A pile that is not within noise, with what may be behind it and what people said."""

    line: Line
    row: Row
    reasons: tuple[str, ...]
    causes: tuple[Cause, ...]
    said: tuple[Explanation, ...]

    @property
    def is_stop(self) -> bool:
        return self.line.gate in gates.STOPS and not self.said


class Ruler:
    """Writes amounts of some lines in one unit, all to the fewest places at which none is rounded."""

    def __init__(self, lines: Sequence[Line], units: Units) -> None:
        self.units = units
        self.shown = tuple(
            name for name in AMOUNTS if name in ALWAYS or any(getattr(line, name) for line in lines)
        )
        self.places = places_of(lines) if units.mass == "tonne" else 1

    @property
    def heads(self) -> tuple[str, ...]:
        return (*(self.head(name) for name in self.shown), "Book closing", "Measured")

    def text(self, value: Decimal | None, *, signed: bool = False) -> str:
        if value is None:
            return "–"
        shown = round(convert(value, self.units.mass), self.places)
        if not shown:
            return "0"
        said = f"{abs(shown):,.{self.places}f}"
        if shown < 0:
            return MINUS + said
        return f"+{said}" if signed and shown > 0 else said

    def row(self, line: Line | Sum, name: str) -> Row:
        cells = [Cell(self.head(each), self.text(getattr(line, each))) for each in self.shown]
        cells.append(Cell("Book closing", self.text(line.book_closing_t)))
        cells.append(Cell("Measured", self.text(line.measured_closing_t)))
        if isinstance(line, Sum):
            return self._row(line, name, cells)
        likely = line.likely
        return self._row(
            line,
            name,
            cells,
            rolled="" if line.count is None else self.text(line.rollforward_t, signed=True),
            mark=MARKS[line.gate],
            word=gates.WORDS[line.gate],
            likely="" if likely is None else CAUSES.get(likely["code"], likely["words"]),
        )

    def _row(self, line: Line | Sum, name: str, cells: list[Cell], **more: str) -> Row:
        return Row(
            line=line,
            name=name,
            cells=tuple(cells),
            variance=Cell("Variance", self.text(line.variance_t, signed=True)),
            plus_minus="" if line.u95_t is None else self.doubt(line.u95_t),
            **more,
        )

    def head(self, name: str) -> str:
        return f"{MINUS} {HEADS[name]}" if name in ISSUES else HEADS[name]

    def doubt(self, u95_t: Decimal) -> str:
        """A ± to two significant digits, and no finer than the amounts."""
        shown = convert(u95_t, self.units.mass)
        if not shown:
            return "0"
        place = min(self.places, 1 - shown.adjusted())
        return f"{round(shown, place):,.{max(place, 0)}f}"


def places_of(lines: Iterable[Line]) -> int:
    """Fewest decimal places, none to three, at which every amount of the lines is exact."""
    values = [getattr(line, name) for line in lines for name in (*AMOUNTS, "book_closing_t")]
    values += [line.measured_closing_t for line in lines if line.measured_closing_t is not None]
    return next((n for n in range(3) if all(value == round(value, n) for value in values)), 3)


def ruled(sheet: Sheet, units: Units) -> Ruled:
    ruler = Ruler(sheet.lines, units)
    owners = sheet.by_owner()
    return Ruled(
        heads=ruler.heads,
        rows=tuple(ruler.row(line, line.pile.code) for line in sheet.lines),
        total=ruler.row(sheet.total, sheet.period.site.name),
        by_material=tuple(ruler.row(group, group.key.name) for group in sheet.by_material()),
        by_owner=tuple(ruler.row(group, _owner_name(group)) for group in owners) if len(owners) > 1 else (),
        unit=units.symbol("mass"),
    )


def differences(
    sheet: Sheet, units: Units, explanations: Sequence[Explanation], sees_money: bool
) -> list[Difference]:
    """The piles that need a word, in the order of the sheet."""
    ruler = Ruler(sheet.lines, units)
    said: dict[int, list[Explanation]] = {}
    for each in explanations:
        said.setdefault(each.pile_id, []).append(each)
    found = []
    for line in sheet.lines:
        if line.gate == gates.QUIET and line.pile.pk not in said:
            continue
        reasons = [
            line.gates[name]["words"]
            for name in ("noise", "money", "run", "level")
            if line.gates.get(name, {}).get("fires") and (name != "money" or sees_money)
        ]
        found.append(
            Difference(
                line=line,
                row=ruler.row(line, line.pile.code),
                reasons=tuple(reasons),
                causes=tuple(cause_of(said_of) for said_of in line.causes[:3]),
                said=tuple(said.get(line.pile.pk, ())),
            )
        )
    return found


def _owner_name(group: Sum) -> str:
    return "Own stock" if isinstance(group.key, str) else f"{group.key.name} (theirs)"


CAUSE_CHOICES = sorted(CAUSES.items(), key=lambda item: (item[0] == "other", item[1]))
