"""What moved, month by month: the series that rates of use and run-out are worked out from.

A month counts as known when something moved at its site in it or later, and it is over. Months after the last
recorded movement are not months in which nothing moved: nobody has entered them yet.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import CharField, Max, Min, Q, Sum
from django.db.models.functions import Cast, Substr

from inventory.models import Movement, Pile, Site, StockCount
from inventory.rolling import NOT_PHYSICAL

Kind = Movement.Kind
Month = tuple[int, int]
MONTHS_LOOKED_BACK = 36
BOOK_ONLY = (*NOT_PHYSICAL, Kind.LINEAGE_IN, Kind.LINEAGE_OUT)
"""Change the book or who holds it: no material came or went."""
ISSUES = (Kind.SALE, Kind.USAGE, Kind.OWN_WORKS)
HANDED_ON = (Kind.TRANSFER_OUT, Kind.TRANSFER_IN, Kind.RECLASS_OUT, Kind.RECLASS_IN)
ZERO = Decimal(0)


@dataclass(frozen=True)
class Flows:
    """By pile, (year, month) and kind: tonnes, signed as on the pile. `known` are each site's months, oldest
    first; `recorded_to` the day of its last movement; `last_out` when each pile last gave anything."""

    by_pile: Mapping[int, Mapping[Month, Mapping[str, Decimal]]]
    known: Mapping[int, tuple[Month, ...]]
    recorded_to: Mapping[int, dt.date]
    last_out: Mapping[int, dt.datetime]

    def months_of(self, piles: Sequence[Pile]) -> tuple[Month, ...]:
        """Known months in which every one of the piles' sites was known and one of the piles there."""
        if not piles:
            return ()
        opened = min(_first_whole_month(pile.opened_on) for pile in piles)
        months = self.known.get(piles[0].site_id, ())
        return tuple(month for month in months if month >= opened)

    def use(self, piles: Sequence[Pile]) -> list[float]:
        """Tonnes given each known month, positive: sold, used, own works, and what was handed on to others
        beyond what came from others."""
        return [self._use_in(piles, month) for month in self.months_of(piles)]

    def net(self, piles: Sequence[Pile]) -> list[float]:
        """What came less what went, each known month."""
        return [float(sum(self._in(piles, month).values(), ZERO)) for month in self.months_of(piles)]

    def year(self, piles: Sequence[Pile]) -> dict[str, Decimal]:
        """Kind → tonnes of the last twelve known months."""
        found: dict[str, Decimal] = {}
        for month in self.months_of(piles)[-12:]:
            for kind, tonnes in self._in(piles, month).items():
                found[kind] = found.get(kind, ZERO) + tonnes
        return found

    def _in(self, piles: Sequence[Pile], month: Month) -> dict[str, Decimal]:
        found: dict[str, Decimal] = {}
        for pile in piles:
            for kind, tonnes in self.by_pile.get(pile.pk, {}).get(month, {}).items():
                found[kind] = found.get(kind, ZERO) + tonnes
        return found

    def _use_in(self, piles: Sequence[Pile], month: Month) -> float:
        moved = self._in(piles, month)
        issued = -sum((moved.get(kind, ZERO) for kind in ISSUES), ZERO)
        handed_on = -sum((moved.get(kind, ZERO) for kind in HANDED_ON), ZERO)
        return float(issued + max(ZERO, handed_on))


def flows_of(
    piles: Sequence[Pile], sites: Iterable[Site], today: dt.date, *, day_is_over: bool = False
) -> Flows:
    """The series of some piles up to the day `today`. Three queries, whatever the history."""
    site_ids = [site.pk for site in sites]
    since = _months_before(today, MONTHS_LOOKED_BACK)
    entered = Movement.objects.filter(book_on__gte=since, book_on__lte=today)
    physical = entered.exclude(kind__in=BOOK_ONLY)
    # An opening balance says from when on the book is kept.
    ends = entered.filter(site__in=site_ids).order_by().values_list("site")
    last_moved = Max("book_on", filter=~Q(kind__in=BOOK_ONLY))
    tomorrow = today + dt.timedelta(days=1)
    running = tomorrow if day_is_over else today
    known, recorded_to = {}, {}
    for site_id, first, last in ends.annotate(first=Min("book_on"), last=last_moved):
        if last is not None:
            recorded_to[site_id] = last
            known[site_id] = _months(first, last, running)
    by_pile: dict[int, dict[Month, dict[str, Decimal]]] = {}
    rows = physical.filter(pile__in=[pile.pk for pile in piles]).order_by()
    # As text: SQLite would call back into Python for each row to cut a date.
    month_text = Substr(Cast("book_on", CharField()), 1, 7)
    sums = rows.annotate(month=month_text).values_list("pile", "month", "kind")
    for pile_id, month, kind, tonnes in sums.annotate(t=Sum("tonnes")):
        of_pile = by_pile.setdefault(pile_id, {}).setdefault((int(month[:4]), int(month[5:])), {})
        of_pile[kind] = tonnes
    given = Movement.objects.standing().filter(pile__in=[p.pk for p in piles], tonnes__lt=0)
    given = given.exclude(kind__in=BOOK_ONLY).order_by().values_list("pile")
    return Flows(by_pile, known, recorded_to, dict(given.annotate(last=Max("moved_at"))))


def moved_since(counts: Iterable[StockCount], to: dt.date) -> dict[int, Decimal]:
    """Count → what was recorded to come less go since, up to and on the day `to`, tonnes. One query."""
    counts = list(counts)
    if not counts:
        return {}
    wanted = Q(pk__in=[])
    for count in counts:
        wanted |= Q(pile=count.pile_id, moved_at__gte=count.counted_at)
    rows = (
        Movement.objects.filter(wanted, book_on__lte=to)
        .exclude(kind__in=NOT_PHYSICAL)
        .order_by()
        .values_list("pile")
    )
    sums = dict(rows.annotate(t=Sum("tonnes")))
    return {count.pk: sums.get(count.pile_id, ZERO) for count in counts}


def _months(first: dt.date, last: dt.date, today: dt.date) -> tuple[Month, ...]:
    """From the first whole month to that of the last movement, or the one before while it runs."""
    begin, end = _first_whole_month(first), (last.year, last.month)
    if end == (today.year, today.month):
        end = _add(end, -1)
    months = []
    while begin <= end:
        months.append(begin)
        begin = _add(begin, 1)
    return tuple(months)


def _first_whole_month(day: dt.date) -> Month:
    """The month of `day` when it began within its first days: yards open their books on a working day."""
    return (day.year, day.month) if day.day <= 3 else _add((day.year, day.month), 1)


def _add(month: Month, n: int) -> Month:
    number = month[0] * 12 + month[1] - 1 + n
    return number // 12, number % 12 + 1


def _months_before(day: dt.date, n: int) -> dt.date:
    year, month = _add((day.year, day.month), -n)
    return dt.date(year, month, 1)
