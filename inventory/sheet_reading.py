"""What the month-end sheet reads, each in one query for a whole site: the number of queries does not grow
with months or piles."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db.models import Max, Q, Sum

from inventory.book_days import day_starts_at
from inventory.crossing import LAST_PLACE
from inventory.gates import Month
from inventory.models import Movement, Period, PeriodLine, Pile, PileLineage, StockCount
from inventory.periods import CLOSED, State
from inventory.policy import Thresholds
from inventory.sheet_lines import ZERO, Throughput

Kind = Movement.Kind
HISTORY_MONTHS = 12
_TERM_OF = {
    Kind.OPENING: ("opening_t", 1),
    Kind.PRODUCTION: ("production_t", 1),
    Kind.PURCHASE: ("purchases_t", 1),
    Kind.TRANSFER_IN: ("transfers_in_t", 1),
    Kind.LINEAGE_IN: ("transfers_in_t", 1),
    Kind.TRANSFER_OUT: ("transfers_out_t", -1),
    Kind.LINEAGE_OUT: ("transfers_out_t", -1),
    Kind.SALE: ("sales_t", -1),
    Kind.USAGE: ("usage_t", -1),
    Kind.OWN_WORKS: ("usage_t", -1),
    Kind.RECLASS_IN: ("reclass_t", 1),
    Kind.RECLASS_OUT: ("reclass_t", 1),
    Kind.ADJUSTMENT: ("adjustment_t", 1),
}
"""Kind → term of the identity, and the sign that makes issues positive."""
NOT_WEIGHED = (Kind.OPENING, Kind.ADJUSTMENT, Kind.LINEAGE_IN, Kind.LINEAGE_OUT)


def exact(value: Decimal) -> Decimal:
    """SQLite sums decimals as doubles: back to the book's last place."""
    return value.quantize(LAST_PLACE)


def openings(period: Period) -> dict[int, Decimal]:
    """Pile → what its book held when the period began: the closing of the last closed month, and what was
    booked between it and the period. Two queries and the look for that month."""
    closed = Period.objects.filter(site=period.site_id, state__in=CLOSED, ends_on__lte=period.starts_on)
    anchor = closed.order_by("-ends_on").first()
    held: dict[int, Decimal] = defaultdict(lambda: ZERO)
    moved = Movement.objects.filter(site=period.site_id, book_on__lt=period.starts_on)
    if anchor is not None:
        moved = moved.filter(book_on__gte=anchor.ends_on)
        for pile_id, closing_t in anchor.lines.values_list("pile_id", "book_closing_t"):
            held[pile_id] += closing_t
    for pile_id, tonnes in moved.order_by().values_list("pile_id").annotate(t=Sum("tonnes")):
        held[pile_id] += exact(tonnes)
    return held


def terms(period: Period) -> dict[int, dict[str, Decimal]]:
    """Pile → term of the identity → tonnes of the period, issues positive; late ones count where they are
    booked."""
    rows = Movement.objects.filter(
        site=period.site_id, book_on__gte=period.starts_on, book_on__lt=period.ends_on
    )
    found: dict[int, dict[str, Decimal]] = defaultdict(lambda: defaultdict(lambda: ZERO))
    for pile_id, kind, tonnes in rows.order_by().values_list("pile_id", "kind").annotate(t=Sum("tonnes")):
        term, sign = _TERM_OF[kind]
        found[pile_id][term] += sign * exact(tonnes)
    return found


def piles_of(period: Period, wanted: Iterable[int]) -> list[Pile]:
    """Piles of the site that were there in the period, or that the book still speaks of (`wanted`)."""
    was_open = Q(closed_on__isnull=True) | Q(closed_on__gt=period.starts_on)
    rows = Pile.objects.filter(Q(was_open, opened_on__lt=period.ends_on) | Q(pk__in=list(wanted)))
    rows = rows.filter(site=period.site_id).select_related("site__organization", "material", "owner")
    return list(rows.order_by("code"))


def nearest_counts(period: Period, thresholds: Thresholds) -> dict[int, StockCount]:
    """Pile → the standing count nearest to the cut-off, from the period's first moment to some days after
    its last; of two equally near, the later."""
    begins = day_starts_at(period.site, period.starts_on)
    ends = period.cutoff_at + dt.timedelta(days=thresholds.count_after_days)
    rows = StockCount.objects.current().filter(
        pile__site=period.site_id, counted_at__gte=begins, counted_at__lte=ends
    )
    found: dict[int, StockCount] = {}
    for count in rows.select_related("density", "base", "pile__site").order_by("counted_at", "pk"):
        known = found.get(count.pile_id)
        if known is None or abs(count.counted_at - period.cutoff_at) <= abs(
            known.counted_at - period.cutoff_at
        ):
            found[count.pile_id] = count
    return found


def throughputs(period: Period, thresholds: Thresholds) -> tuple[dict[int, tuple[Throughput, ...]], Any]:
    """(pile → what each scale weighed since the book was last set to measured, pile → the same for this
    period alone). Two queries."""
    site = Movement.objects.filter(site=period.site_id, book_on__lt=period.ends_on).order_by()
    posted = site.filter(kind=Kind.ADJUSTMENT, book_on__lt=period.starts_on)
    since = dict(posted.values_list("pile_id").annotate(last=Max("book_on")))
    recent = Q()
    by_day: dict[dt.date, list[int]] = defaultdict(list)
    for pile_id, day in since.items():
        by_day[day].append(pile_id)
    for day, pile_ids in by_day.items():
        recent |= Q(pile__in=pile_ids, book_on__gt=day)
    recent |= ~Q(pile__in=list(since))
    weighed = site.filter(recent).exclude(kind__in=NOT_WEIGHED)
    names = ("pile_id", "scale__code", "scale__standard_uncertainty_percent")
    in_period = Sum("tonnes", filter=Q(book_on__gte=period.starts_on), default=ZERO)
    all_of_it: dict[int, list[Throughput]] = defaultdict(list)
    this_month: dict[int, list[Throughput]] = defaultdict(list)
    for pile_id, code, percent, total, month in weighed.values_list(*names).annotate(
        t=Sum("tonnes"), month=in_period
    ):
        scale = (code or "no scale", thresholds.unweighed_percent if percent is None else percent)
        all_of_it[pile_id].append(Throughput(*scale, exact(total)))
        this_month[pile_id].append(Throughput(*scale, exact(month)))
    return {key: tuple(rows) for key, rows in all_of_it.items()}, this_month


def history(period: Period) -> dict[int, list[Month]]:
    """Pile → its kept months before the period, oldest first, a year at most."""
    year_before = period.starts_on - dt.timedelta(days=31 * HISTORY_MONTHS)
    rows = PeriodLine.objects.filter(
        period__site=period.site_id,
        period__starts_on__lt=period.starts_on,
        period__starts_on__gte=year_before,
        period__state__in=[State.RECONCILED, *CLOSED, State.RESTATING],
    )
    found: dict[int, list[Month]] = defaultdict(list)
    read = ("pile_id", "book_closing_t", "adjustment_t", "variance_t", "u95_t", "gates", "period__name")
    for row in rows.select_related("period").only(*read).order_by("period__starts_on"):
        found[row.pile_id].append(month_of_line(row))
    return found


def month_of_line(row: PeriodLine) -> Month:
    return Month(
        period=row.period.name,
        book_t=row.book_closing_t - row.adjustment_t,
        variance_t=row.variance_t,
        adjustment_t=row.adjustment_t,
        u95_t=row.u95_t,
        increment_u95_t=_decimal(row.gates.get("increment_u95_t")),
    )


def taken_over(period: Period) -> dict[int, list[int]]:
    """Pile → the piles that it took over in the period, whose unposted variance it goes on carrying."""
    rows = PileLineage.objects.filter(
        to_pile__site=period.site_id,
        effective_on__gte=period.starts_on,
        effective_on__lt=period.ends_on,
    ).exclude(kind=PileLineage.Kind.SPLIT)
    found: dict[int, list[int]] = defaultdict(list)
    for from_id, to_id in rows.values_list("from_pile_id", "to_pile_id"):
        found[to_id].append(from_id)
    return found


def _decimal(text: Any) -> Decimal | None:
    return None if text in (None, "") else Decimal(text)
