"""Lines of the month-end sheet: what one says, how lines add up, and what a kept line gives back.

    opening + production + purchases + transfers in − sales − transfers out − usage ± reclassification
        ± adjustments = book closing
    measured closing at the cut-off − book closing before adjustments = variance

A count at another moment than the cut-off is brought to it by the movements in between: changes between the
count date and the date of the statement must be properly recorded (ISA 501.5; PCAOB AS 2510.12).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, localcontext
from typing import Any

from inventory.audit import hash_of_values
from inventory.crossing import LAST_PLACE
from inventory.models import PeriodLine, Pile, StockCount
from inventory.stock import combine

ZERO = Decimal(0)
INTO = ("opening_t", "production_t", "purchases_t", "transfers_in_t", "reclass_t", "adjustment_t")
OUT_OF = ("sales_t", "transfers_out_t", "usage_t")
AMOUNTS = (
    "opening_t",
    "production_t",
    "purchases_t",
    "transfers_in_t",
    "sales_t",
    "transfers_out_t",
    "usage_t",
    "reclass_t",
    "adjustment_t",
)
"""Terms of the identity in its order; issues are written positive."""
MEASURED = ("rollforward_t", "measured_closing_t", "variance_t", "increment_t", "u95_t")
KEPT = (*AMOUNTS, "book_closing_t", *MEASURED, "gate")


@dataclass(frozen=True)
class Throughput:
    """What one scale weighed into and out of a pile since its book was last set to measured, signed.

    A scale that reads high by one per cent does so going in and going out, so that its errors cancel in the
    difference: `tonnes` is the signed sum. `percent` is its relative standard uncertainty.
    """

    scale: str
    percent: Decimal
    tonnes: Decimal

    @property
    def u95_t(self) -> Decimal:
        return 2 * self.percent * abs(self.tonnes) / 100


@dataclass(frozen=True)
class Line:
    """One pile's month, tonnes; terms as in `PeriodLine`. `basis` says which count was taken, or why none."""

    pile: Pile
    opening_t: Decimal = ZERO
    production_t: Decimal = ZERO
    purchases_t: Decimal = ZERO
    transfers_in_t: Decimal = ZERO
    sales_t: Decimal = ZERO
    transfers_out_t: Decimal = ZERO
    usage_t: Decimal = ZERO
    reclass_t: Decimal = ZERO
    adjustment_t: Decimal = ZERO
    count: StockCount | None = None
    basis: str = ""
    rollforward_t: Decimal | None = None
    measured_closing_t: Decimal | None = None
    increment_t: Decimal | None = None
    u95_t: Decimal | None = None
    gate: str = ""
    gates: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Mapping[str, Any], ...] = ()
    scales: tuple[Throughput, ...] = ()

    @property
    def book_closing_t(self) -> Decimal:
        into = sum((getattr(self, name) for name in INTO), ZERO)
        return into - sum((getattr(self, name) for name in OUT_OF), ZERO)

    @property
    def book_before_t(self) -> Decimal:
        """The book before this month's adjustments, against which is measured."""
        return self.book_closing_t - self.adjustment_t

    @property
    def variance_t(self) -> Decimal | None:
        return None if self.measured_closing_t is None else self.measured_closing_t - self.book_before_t

    @property
    def unposted_t(self) -> Decimal | None:
        """What is carried into the next month: measured less the book after adjustments."""
        return None if self.measured_closing_t is None else self.measured_closing_t - self.book_closing_t

    @property
    def likely(self) -> Mapping[str, Any] | None:
        return self.causes[0] if self.causes else None


@dataclass(frozen=True)
class Sum:
    """Lines with something in common, added. `measured_n` of `lines_n` are measured; `variance_t` is over
    those, and `is_complete` says whether that is all. `u95_t` is the combined ±, not the sum of them."""

    key: Any
    lines: tuple[Line, ...]
    amounts: Mapping[str, Decimal]
    book_closing_t: Decimal
    measured_closing_t: Decimal | None
    variance_t: Decimal | None
    u95_t: Decimal | None
    measured_n: int

    @property
    def lines_n(self) -> int:
        return len(self.lines)

    @property
    def is_complete(self) -> bool:
        return self.measured_n == self.lines_n

    def __getattr__(self, name: str) -> Decimal:
        if name in AMOUNTS:
            return self.amounts[name]
        raise AttributeError(name)


def added(key: Any, lines: Iterable[Line]) -> Sum:
    """The sum of lines; amounts are exact."""
    lines = tuple(lines)
    measured = [line for line in lines if line.measured_closing_t is not None]
    return Sum(
        key=key,
        lines=lines,
        amounts={name: sum((getattr(line, name) for line in lines), ZERO) for name in AMOUNTS},
        book_closing_t=sum((line.book_closing_t for line in lines), ZERO),
        measured_closing_t=sum((line.measured_closing_t for line in measured), ZERO) if measured else None,
        variance_t=sum((line.variance_t for line in measured), ZERO) if measured else None,
        u95_t=_combined_u95_t(measured),
        measured_n=len(measured),
    )


def grouped(lines: Iterable[Line], key_of: Callable[[Line], Any]) -> tuple[Sum, ...]:
    """Sums by a key of the lines, in the order of the keys' first lines."""
    groups: dict[Any, list[Line]] = {}
    for line in lines:
        groups.setdefault(key_of(line), []).append(line)
    return tuple(added(key, members) for key, members in groups.items())


def said(line: Line | PeriodLine) -> dict[str, Any]:
    """What a line says, as plain text by name: the same for a live line and for the one that was kept."""
    values = {name: getattr(line, name) for name in KEPT}
    plain = {
        name: f"{value:.3f}" if isinstance(value, Decimal) else value or "" for name, value in values.items()
    }
    count = line.count
    return {
        "pile": line.pile.code,
        **plain,
        "count": "" if count is None else count.evidence_ref,
        "count_digest": "" if count is None else count.evidence_digest,
    }


def hash_of_lines(lines: Iterable[Line | PeriodLine]) -> str:
    """SHA-256 over the canonical JSON of what the lines say, by pile code."""
    return hash_of_values(sorted((said(line) for line in lines), key=lambda row: row["pile"]))


def kept_line(line: Line, period: Any) -> PeriodLine:
    """The row that keeps a line, unsaved."""
    return PeriodLine(
        period=period,
        pile=line.pile,
        count=line.count,
        gates=dict(line.gates),
        causes=list(line.causes),
        **{name: getattr(line, name) for name in KEPT},
    )


def read_line(row: PeriodLine) -> Line:
    """A kept line, as it was; its scales are not asked again."""
    names = [name for name in KEPT if name not in ("book_closing_t", "variance_t")]
    return Line(
        pile=row.pile,
        count=row.count,
        basis=row.gates.get("basis", ""),
        gates=row.gates,
        causes=tuple(row.causes),
        scales=tuple(
            Throughput(each["scale"], Decimal(each["percent"]), Decimal(each["tonnes"]))
            for each in row.gates.get("scales", [])
        ),
        **{name: getattr(row, name) for name in names},
    )


def _combined_u95_t(measured: list[Line]) -> Decimal | None:
    """The counts' ± as `inventory.stock` combines them; what one scale weighed for several piles adds up
    before it is squared. `None` where a measured line has no ±."""
    if not measured or any(line.u95_t is None for line in measured):
        return None
    by_scale: dict[str, Throughput] = {}
    for line in measured:
        for each in line.scales:
            before = by_scale.get(each.scale)
            tonnes = each.tonnes if before is None else before.tonnes + each.tonnes
            by_scale[each.scale] = Throughput(each.scale, each.percent, tonnes)
    counts_t = combine(line.count for line in measured if line.count is not None).tonnes_u95_t or ZERO
    return quadrature([counts_t, *(each.u95_t for each in by_scale.values())])


def quadrature(parts: Iterable[Decimal]) -> Decimal:
    with localcontext(prec=50):
        return sum((part * part for part in parts), ZERO).sqrt().quantize(LAST_PLACE)
