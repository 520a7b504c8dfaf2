"""From the time of a survey to the cut-off: the movements between, their sum, and their share of the pile.

Measured tonnes at the cut-off are those of the survey and what moved between the two, by when it moved and
not by when it was posted: forward where the survey came first, back where it came after. Evidence that what
changed between the count and the date of the statements is properly recorded is what an auditor asks for
(ISA 501.5; PCAOB AS 2510.12): hence the list itself, and not only its sum.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q

from inventory.models import Movement, Pile, StockCount
from inventory.policy import Thresholds, thresholds_of

NOT_PHYSICAL = (Movement.Kind.OPENING, Movement.Kind.ADJUSTMENT)
"""They change the book, not the heap."""

ZERO = Decimal("0.000")


@dataclass(frozen=True)
class Roll:
    """What moved between a survey and the cut-off.

    `sum_t` is added to what was measured, whichever way it is rolled; `moved_t` is all that moved, in and out
    counted alike. `share_percent` is the size of the sum as a part of the measured pile; empty where that
    was measured empty or not at all.
    `during` are movements while the survey was made: whether they are in what was measured is open, and
    `doubt_t` is how much that could be. Movements are in the order in which they happened.
    """

    from_at: dt.datetime
    to_at: dt.datetime
    movements: tuple[Movement, ...]
    sum_t: Decimal
    moved_t: Decimal
    measured_t: Decimal | None
    during: tuple[Movement, ...]
    warnings: tuple[str, ...]

    @property
    def is_forward(self) -> bool:
        return self.from_at <= self.to_at

    @property
    def days(self) -> Decimal:
        return _days(self.from_at, self.to_at)

    @property
    def share_percent(self) -> Decimal | None:
        return _share(self.sum_t, self.measured_t)

    @property
    def doubt_t(self) -> Decimal:
        return sum((abs(each.tonnes) for each in self.during), ZERO)

    @property
    def rolled_t(self) -> Decimal | None:
        """Measured tonnes at the cut-off."""
        return None if self.measured_t is None else self.measured_t + self.sum_t


def roll(
    pile: Pile,
    from_at: dt.datetime,
    to_at: dt.datetime,
    *,
    measured_t: Decimal | None = None,
    during: tuple[dt.datetime, dt.datetime] | None = None,
    thresholds: Thresholds | None = None,
) -> Roll:
    """The roll of one pile measured at `from_at`, surveyed from `during[0]` to `during[1]`, to `to_at`.

    The later end belongs to neither period: what moved at the very moment of the cut-off is the next day's.
    """
    thresholds = thresholds or thresholds_of(pile.site, pile.site.date_of(to_at))
    spans = [(from_at, to_at), *([during] if during else [])]
    rows = _rows([pile.pk], min(min(s) for s in spans), max(max(s) for s in spans))
    return _rolled(rows, from_at, to_at, measured_t, during, thresholds)


def roll_counts(
    counts: Iterable[StockCount], to_at: dt.datetime, *, thresholds: Thresholds | None = None
) -> dict[int, Roll]:
    """Rolls of many counts of one site to one cut-off, by the id of the count.

    One query for the movements, and one for the thresholds where they are not given.
    """
    counts = list(counts)
    if not counts:
        return {}
    site = counts[0].pile.site
    thresholds = thresholds or thresholds_of(site, site.date_of(to_at))
    moments = [to_at, *(moment for count in counts for moment in _moments(count))]
    by_pile: dict[int, list[Movement]] = {}
    for row in _rows([count.pile_id for count in counts], min(moments), max(moments)):
        by_pile.setdefault(row.pile_id, []).append(row)
    rolls = {}
    for count in counts:
        during = (count.started_at, count.ended_at) if count.started_at and count.ended_at else None
        rows = by_pile.get(count.pile_id, [])
        rolls[count.pk] = _rolled(rows, count.counted_at, to_at, count.tonnes, during, thresholds)
    return rolls


def _moments(count: StockCount) -> list[dt.datetime]:
    return [each for each in (count.counted_at, count.started_at, count.ended_at) if each is not None]


def _rows(piles: list[int], earliest: dt.datetime, latest: dt.datetime) -> list[Movement]:
    """Standing movements, which sum to the same as all: a reversal moved when its movement did."""
    rows = Movement.objects.standing().exclude(kind__in=NOT_PHYSICAL).select_related("pile", "scale")
    within = Q(moved_at__gte=earliest, moved_at__lte=latest)
    return list(rows.filter(within, pile__in=piles).order_by("moved_at", "pk"))


def _rolled(
    rows: list[Movement],
    from_at: dt.datetime,
    to_at: dt.datetime,
    measured_t: Decimal | None,
    during: tuple[dt.datetime, dt.datetime] | None,
    thresholds: Thresholds,
) -> Roll:
    earlier, later = min(from_at, to_at), max(from_at, to_at)
    between = tuple(row for row in rows if earlier <= row.moved_at < later)
    sum_t = sum((row.tonnes for row in between), ZERO)
    moved_t = sum((abs(row.tonnes) for row in between), ZERO)
    meanwhile = tuple(row for row in rows if during and during[0] <= row.moved_at <= during[1])
    return Roll(
        from_at=from_at,
        to_at=to_at,
        movements=between,
        sum_t=sum_t if from_at <= to_at else ZERO - sum_t,
        moved_t=moved_t,
        measured_t=measured_t,
        during=meanwhile,
        warnings=tuple(_warnings(from_at, to_at, sum_t, measured_t, meanwhile, thresholds)),
    )


def _warnings(
    from_at: dt.datetime,
    to_at: dt.datetime,
    sum_t: Decimal,
    measured_t: Decimal | None,
    during: tuple[Movement, ...],
    thresholds: Thresholds,
) -> Iterable[str]:
    share = _share(sum_t, measured_t)
    if share is not None and share > thresholds.roll_warning_percent:
        yield (
            f"{abs(sum_t)} t came or went between survey and cut-off, {share} % of the pile; more than "
            f"{thresholds.roll_warning_percent} % makes the tickets matter more than the survey."
        )
    days = _days(from_at, to_at)
    if days > thresholds.roll_warning_days:
        yield (
            f"Survey and cut-off lie {days} days apart; more than {thresholds.roll_warning_days} days "
            "leave room for movements nobody recorded."
        )
    if during:
        doubt_t = sum((abs(each.tonnes) for each in during), ZERO)
        loads = "movement" if len(during) == 1 else "movements"
        yield (
            f"{len(during)} {loads} of {doubt_t} t took place while the survey was made; "
            "whether they are in what was measured is open."
        )


def _days(from_at: dt.datetime, to_at: dt.datetime) -> Decimal:
    seconds = Decimal(abs((to_at - from_at).total_seconds()))
    return (seconds / 86400).quantize(Decimal("0.1"))


def _share(sum_t: Decimal, measured_t: Decimal | None) -> Decimal | None:
    if measured_t is None or measured_t <= 0:
        return None
    return (100 * abs(sum_t) / measured_t).quantize(Decimal("0.1"))
