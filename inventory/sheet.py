"""The month-end sheet of a site: does the book agree with the yard, pile by pile and in every sum.

While a period is open the sheet is worked out from the movements and the counts that stand; at reconciliation
its lines are kept, and from approval on the database lets nobody change them. Which count is taken: the one
nearest to the cut-off, and the sheet says which, or that there is none.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from inventory import gates
from inventory import sheet_reading as reading
from inventory.causes.reading import causes_of
from inventory.models import Organization, Period, PeriodLine, Pile, StockCount, UnitValue
from inventory.periods import HAS_LINES
from inventory.policy import Thresholds, thresholds_of
from inventory.rolling import roll_counts
from inventory.sheet_lines import (
    AMOUNTS,
    ZERO,
    Line,
    Sum,
    Throughput,
    added,
    grouped,
    hash_of_lines,
    kept_line,
    quadrature,
    read_line,
)
from inventory.unit_values import values_in_force

OWN = "own"
"""Key of the sum over the organization's own stock; a customer's is apart."""


@dataclass(frozen=True)
class Sheet:
    """A period's lines by pile code. `is_kept`: read back as reconciled, not worked out."""

    period: Period
    lines: tuple[Line, ...]
    thresholds: Thresholds
    is_kept: bool

    @property
    def total(self) -> Sum:
        return added(self.period.site, self.lines)

    def by_material(self) -> tuple[Sum, ...]:
        lines = sorted(self.lines, key=lambda line: (line.pile.material.code, line.pile.code))
        return grouped(lines, lambda line: line.pile.material)

    def by_owner(self) -> tuple[Sum, ...]:
        """The organization's own stock first, then each owner's; they are never added to what is ours."""
        lines = sorted(self.lines, key=lambda line: (owner_code(line), line.pile.code))
        return grouped(lines, lambda line: line.pile.owner or OWN)

    def line_of(self, pile: Pile) -> Line | None:
        return next((line for line in self.lines if line.pile.pk == pile.pk), None)


def owner_code(line: Line) -> str:
    return "" if line.pile.owner is None else line.pile.owner.code


def sheet_of(period: Period) -> Sheet:
    """The kept sheet of a reconciled, approved or locked period, else the one worked out now.

    A number of queries that does not grow with history or piles.
    """
    if period.state in HAS_LINES:
        return kept_sheet(period)
    return live_sheet(period)


def kept_sheet(period: Period) -> Sheet:
    """The lines as they were reconciled."""
    rows = period.lines.select_related("pile__material", "pile__owner", "pile__site", "count__density")
    lines = tuple(read_line(row) for row in rows.order_by("pile__code"))
    return Sheet(period, lines, _thresholds(period), is_kept=True)


def live_sheet(period: Period, *, with_causes: bool = True) -> Sheet:
    """The sheet as movements and counts give it now; without causes where only its figures are asked for,
    since ranking them takes most of the time."""
    thresholds = _thresholds(period)
    held, terms = reading.openings(period), reading.terms(period)
    moved = {pile for pile, tonnes in held.items() if tonnes} | set(terms)
    piles = reading.piles_of(period, moved)
    counts = reading.nearest_counts(period, thresholds)
    rolls = roll_counts(counts.values(), period.cutoff_at, thresholds=thresholds)
    scales, this_month = reading.throughputs(period, thresholds)
    history, taken_over = reading.history(period), reading.taken_over(period)
    costs = unit_costs(period, piles)
    lines = []
    for pile in piles:
        line = _booked(pile, held, terms.get(pile.pk, {}))
        line = _measured(line, period, counts.get(pile.pk), rolls, scales.get(pile.pk, ()), thresholds)
        months = history.get(pile.pk) or _inherited(taken_over.get(pile.pk, ()), history)
        now = _month(line, period, months, this_month.get(pile.pk, ()))
        lines.append(_judged(line, [*months, now], thresholds, costs.get(pile.pk)))
    if with_causes:
        lines = ranked(period, lines, thresholds)
    return Sheet(period, tuple(lines), thresholds, is_kept=False)


def organization_sheets(organization: Organization, name: str, user: Any) -> list[Sheet]:
    """The sheets of one month of all sites that the person may see, by site code."""
    periods = Period.objects.for_user(user).filter(site__organization=organization, name=name)
    return [
        sheet_of(period) for period in periods.select_related("site__organization").order_by("site__code")
    ]


def keep(period: Period) -> tuple[Sheet, str]:
    """Work the sheet out and keep its lines in place of those kept before; the sheet and its hash."""
    sheet = live_sheet(period)
    period.lines.all().delete()
    PeriodLine.objects.bulk_create(kept_line(line, period) for line in sheet.lines)
    return sheet, hash_of_lines(sheet.lines)


def unit_costs(period: Period, piles: Iterable[Pile]) -> dict[int, Decimal]:
    """Pile → cost of a tonne in force on the last day of the period, for those that have one. One query."""
    piles = list(piles)
    on = period.ends_on - dt.timedelta(days=1)
    kind = UnitValue.Kind.COST
    values = values_in_force({pile.material_id for pile in piles}, period.site, [kind], on)
    return {
        pile.pk: values[pile.material_id, kind].per_t for pile in piles if (pile.material_id, kind) in values
    }


def ranked(period: Period, lines: Sequence[Line], thresholds: Thresholds) -> list[Line]:
    """The lines with their likely causes, ranked, where they are not within noise, or swung by more than the
    two surveys and the scales leave open; nothing is asserted."""
    asked = [line for line in lines if line.gate != gates.QUIET or _swung(line)]
    causes = causes_of(period, lines, asked, thresholds.natural_loss_percent)
    return [replace(line, causes=tuple(causes.get(line.pile.pk, ()))) for line in lines]


def _swung(line: Line) -> bool:
    """A variance within the gate can hide a jump: the density's doubt is in the gate, but in no increment."""
    doubt = line.gates.get("increment_u95_t")
    return line.increment_t is not None and doubt is not None and abs(line.increment_t) > Decimal(doubt)


def _thresholds(period: Period) -> Thresholds:
    return thresholds_of(period.site, period.starts_on)


def _booked(pile: Pile, held: Mapping[int, Decimal], terms: Mapping[str, Decimal]) -> Line:
    amounts = {name: terms.get(name, ZERO) for name in AMOUNTS}
    amounts["opening_t"] += held.get(pile.pk, ZERO)
    return Line(pile=pile, **amounts)


def _measured(
    line: Line,
    period: Period,
    count: StockCount | None,
    rolls: Mapping[int, Any],
    scales: tuple[Throughput, ...],
    thresholds: Thresholds,
) -> Line:
    """The line with its measured closing, or with the reason why there is none."""
    pile = line.pile
    if count is None and pile.closed_on is not None and pile.closed_on < period.ends_on:
        words = f"closed on {pile.closed_on}: nothing is left of it"
        return replace(line, basis=words, rollforward_t=ZERO, measured_closing_t=ZERO, u95_t=ZERO)
    if count is None:
        words = f"no count that stands between {period.starts_on} and {thresholds.count_after_days} days "
        return replace(line, basis=words + "after the cut-off")
    if count.tonnes is None:
        words = f"counted on {count.counted_on}, but without a density there are no tonnes"
        return replace(line, basis=words)
    roll = rolls[count.pk]
    u95_t = quadrature([count.tonnes_u95_t, *(each.u95_t for each in scales)])
    named = count.certificate_no or count.evidence_ref
    version = f" v{count.certificate_version}" if count.certificate_version else ""
    return replace(
        line,
        count=count,
        basis=f"{named}{version}, counted on {count.counted_on}",
        rollforward_t=roll.sum_t,
        measured_closing_t=count.tonnes + roll.sum_t,
        u95_t=u95_t,
        scales=scales,
        gates={
            "roll": _roll_said(roll),
            "count_t": f"{count.tonnes:.3f}",
            "count_u95_t": f"{count.tonnes_u95_t:.3f}",
            "volume_u95_t": f"{count.volume_u95_m3 * count.density.t_per_m3:.3f}",
        },
    )


def _roll_said(roll: Any) -> dict[str, Any]:
    return {
        "movements_n": len(roll.movements),
        "sum_t": f"{roll.sum_t:.3f}",
        "days": str(roll.days),
        "share_percent": None if roll.share_percent is None else f"{roll.share_percent:.2f}",
        "warnings": [str(warning) for warning in roll.warnings],
    }


def _inherited(origins: Iterable[int], history: Mapping[int, list[gates.Month]]) -> list[gates.Month]:
    """One month that carries on what the piles that ran together had left unposted."""
    last = [history[pile][-1] for pile in origins if history.get(pile)]
    known = [month for month in last if month.variance_t is not None]
    if not known or len(known) < len(last):
        return []
    return [
        gates.Month(
            period=known[-1].period,
            book_t=sum((month.book_t for month in known), ZERO),
            variance_t=sum((month.variance_t for month in known), ZERO),
            adjustment_t=sum((month.adjustment_t for month in known), ZERO),
        )
    ]


def _month(
    line: Line, period: Period, months: Sequence[gates.Month], this_month: Iterable[Throughput]
) -> gates.Month:
    """The ± of an increment: base and density are the same in both months and cancel; the surveys' own parts
    and what the scales weighed in between do not."""
    increment_u95_t = None
    volume_t = line.gates.get("volume_u95_t")
    if volume_t is not None:
        surveys_n = 2 if months else 1
        parts = [Decimal(volume_t)] * surveys_n + [each.u95_t for each in this_month]
        increment_u95_t = quadrature(parts)
    return gates.Month(
        period=period.name,
        book_t=line.book_before_t,
        variance_t=line.variance_t,
        adjustment_t=line.adjustment_t,
        u95_t=line.u95_t,
        increment_u95_t=increment_u95_t,
    )


def _judged(
    line: Line, months: Sequence[gates.Month], thresholds: Thresholds, unit_cost: Decimal | None
) -> Line:
    judgement = gates.judge(months, thresholds, unit_cost)
    kept = {
        **line.gates,
        **judgement.as_dict(),
        "basis": line.basis,
        "scales": [
            {"scale": each.scale, "percent": str(each.percent), "tonnes": f"{each.tonnes:.3f}"}
            for each in line.scales
        ],
    }
    if months[-1].increment_u95_t is not None:
        kept["increment_u95_t"] = f"{months[-1].increment_u95_t:.3f}"
    return replace(line, gate=judgement.word, gates=kept, increment_t=gates.increments(months)[-1])
