"""A site's last months as the ranking of causes takes them: a fixed number of queries."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from django.db.models import Avg, BigIntegerField, Count, Max, Min, Q, Sum
from django.db.models.functions import Abs, Cast
from shapely import Polygon

from inventory.causes.history import Change, PileHistory, Yard
from inventory.causes.ranking import likely_causes
from inventory.models import BaseVersion, DensityRecord, Movement, Period, PeriodLine, Pile, Scale, Status
from inventory.sheet_lines import Line

MONTHS = 12
NEIGHBOUR_WITHIN_M = 30.0
"""Piles whose outlines come this near are taken for each other, and share a line between them."""
IN_FORCE_ONCE = (Status.APPROVED, Status.SUPERSEDED)


def causes_of(
    period: Period, lines: Sequence[Line], asked: Iterable[Line], loss_percent: Mapping[str, Any]
) -> dict[int, list[dict[str, Any]]]:
    """Pile → ranked causes as plain data, for the lines asked about.

    `loss_percent` is the allowance of natural loss, per cent a month by material code.
    """
    asked = [line for line in asked if line.measured_closing_t is not None]
    if not asked:
        return {}
    yard = yard_of(period, lines, loss_percent)
    return {
        line.pile.pk: [cause.as_dict() for cause in likely_causes(yard, line.pile.code)] for line in asked
    }


def yard_of(period: Period, lines: Sequence[Line], loss_percent: Mapping[str, Any]) -> Yard:
    """The site's kept months before `period` and `lines` as its own month, oldest first."""
    earlier = list(
        Period.objects.filter(site=period.site_id, starts_on__lt=period.starts_on).order_by("-starts_on")[
            : MONTHS - 1
        ]
    )
    periods = [*reversed(earlier), period]
    kept: dict[int, dict[int, Any]] = defaultdict(dict)
    rows = PeriodLine.objects.filter(period__in=earlier).select_related("count__density")
    for row in rows:
        kept[row.pile_id][row.period_id] = row
    for line in lines:
        kept[line.pile.pk][period.pk] = line
    piles = {line.pile.pk: line.pile for line in lines}
    known = _Known(period, periods, lines)
    histories = {
        pile.code: _history(pile, [kept[key].get(p.pk) for p in periods], known, loss_percent)
        for key, pile in piles.items()
    }
    return Yard(tuple(p.name for p in periods), histories, _neighbours(list(piles.values())))


class _Known:
    """What else is known of the piles in these months, each in one query."""

    def __init__(self, period: Period, periods: Sequence[Period], lines: Sequence[Line]) -> None:
        self.periods = periods
        piles = {line.pile.pk: line.pile for line in lines}
        since, until = periods[0].starts_on, period.ends_on
        moved = Movement.objects.filter(site=period.site_id, book_on__gte=since, book_on__lt=until).order_by()
        tickets = moved.filter(kind=Movement.Kind.SALE).exclude(document="")
        self.loads_t = {
            pile: float(mean)
            for pile, mean in tickets.values_list("pile_id").annotate(mean=Avg(Abs("tonnes")))
        }
        self.late = self._late(moved)
        self.gaps = self._gaps(period)
        self.belts = dict(
            moved.filter(kind=Movement.Kind.PRODUCTION, scale__kind=Scale.Kind.BELT).values_list(
                "pile_id", "scale__code"
            )
        )
        expired = Scale.objects.filter(site=period.site_id, certified_until__lt=until)
        self.uncertified = tuple(expired.order_by("code").values_list("code", flat=True))
        self.unweighed = self._unweighed(moved)
        self.during = self._during(period, lines)
        self.base_changes = self._bases(piles, since, until)
        self.densities = list(
            DensityRecord.objects.filter(
                material__in={pile.material_id for pile in piles.values()}, status__in=IN_FORCE_ONCE
            ).order_by("valid_from")
        )

    def month_of(self, day: dt.date) -> int | None:
        return next((i for i, p in enumerate(self.periods) if p.starts_on <= day < p.ends_on), None)

    def _late(self, moved: Any) -> dict[tuple[int, int], int]:
        """(pile, period) → loads that belong there but were booked later."""
        rows = moved.filter(belongs_to__in=self.periods, kind=Movement.Kind.SALE)
        counted = rows.values_list("pile_id", "belongs_to_id").annotate(n=Count("pk"))
        return {(pile, period): n for pile, period, n in counted}

    def _gaps(self, period: Period) -> int:
        """Numbers missing in the series of the period's tickets, over all sources."""
        numbered = Movement.objects.standing().filter(
            site=period.site_id,
            moved_at__gte=period.cutoff_at - dt.timedelta(days=40),
            moved_at__lt=period.cutoff_at + dt.timedelta(days=10),
            document__regex=r"^[0-9]{1,15}$",
        )
        numbered = numbered.annotate(number=Cast("document", BigIntegerField())).order_by()
        series = numbered.values_list("source").annotate(
            low=Min("number"), high=Max("number"), n=Count("number", distinct=True)
        )
        missing = [high - low + 1 - n for _, low, high, n in series]
        # Numbers that jump by thousands are several series in one, not loads that were lost.
        return sum(n for n in missing if 0 < n <= 200)

    def _unweighed(self, moved: Any) -> dict[tuple[int, int], float]:
        paper = moved.filter(kind=Movement.Kind.PURCHASE, scale__isnull=True, gross_t__isnull=True)
        found: dict[tuple[int, int], float] = defaultdict(float)
        for pile, day, tonnes in paper.values_list("pile_id", "book_on").annotate(t=Sum("tonnes")):
            month = self.month_of(day)
            if month is not None:
                found[pile, month] += float(tonnes)
        return found

    def _during(self, period: Period, lines: Sequence[Line]) -> dict[int, float]:
        """Pile → tonnes that moved, in or out, between start and end of the survey that was counted."""
        spans = Q(pk__in=[])
        for line in lines:
            if line.count is not None and line.count.started_at and line.count.ended_at:
                spans |= Q(
                    pile=line.pile, moved_at__gte=line.count.started_at, moved_at__lt=line.count.ended_at
                )
        rows = Movement.objects.filter(spans).exclude(kind=Movement.Kind.ADJUSTMENT).order_by()
        return {pile: float(t) for pile, t in rows.values_list("pile_id").annotate(t=Sum(Abs("tonnes")))}

    def _bases(
        self, piles: Mapping[int, Pile], since: dt.date, until: dt.date
    ) -> dict[int, dict[int, Change]]:
        rows = BaseVersion.objects.filter(
            pile__in=piles,
            version__gt=1,
            status__in=IN_FORCE_ONCE,
            valid_from__gte=since,
            valid_from__lt=until,
        )
        found: dict[int, dict[int, Change]] = defaultdict(dict)
        for pile, day in rows.values_list("pile_id", "valid_from"):
            month = self.month_of(day)
            if month is not None:
                found[pile][month] = Change()
        return found

    def density_changes(self, pile: Pile, months: Sequence[Any]) -> dict[int, Change]:
        """Where another density of the pile's scope followed one: the same volume at both."""
        found = {}
        scoped = [
            d
            for d in self.densities
            if d.material_id == pile.material_id
            and d.pile_id in (None, pile.pk)
            and d.site_id in (None, pile.site_id)
        ]
        for before, after in pairwise(scoped):
            month = self.month_of(after.valid_from)
            if month is None or before.scope != after.scope:
                continue
            count = getattr(months[month], "count", None)
            effect = None
            if count is not None:
                effect = float(count.volume_m3 * (after.t_per_m3 - before.t_per_m3))
            found[month] = Change(effect)
        return found


def _history(
    pile: Pile, months: Sequence[Any], known: _Known, loss_percent: Mapping[str, Any]
) -> PileHistory:
    """`months` holds a kept row or a live line for each period, None where the pile had no line."""

    def amounts(name: str) -> tuple[float, ...]:
        return tuple(0.0 if m is None else float(getattr(m, name)) for m in months)

    counts = [None if m is None else m.count for m in months]
    last = len(months) - 1
    gaps = [known.late.get((pile.pk, p.pk), 0) for p in known.periods]
    gaps[last] += known.gaps if pile.pk in known.loads_t else 0
    density = next((c.density.t_per_m3 for c in reversed(counts) if c is not None and c.density), None)
    book = [float(m.book_closing_t - m.adjustment_t) if m is not None else 0.0 for m in months]
    allowed = loss_percent.get(pile.material.code)
    belt = known.belts.get(pile.pk, "")
    return PileHistory(
        pile=pile.code,
        material=pile.material.code,
        book_t=tuple(book),
        measured_t=tuple(_float(m, "measured_closing_t") for m in months),
        adjustment_t=amounts("adjustment_t"),
        production_t=amounts("production_t"),
        sales_t=amounts("sales_t"),
        surveyed_on=tuple(None if c is None else c.counted_on.isoformat() for c in counts),
        u95_t=tuple(_float(m, "u95_t") for m in months),
        area_m2=Polygon(pile.outline).area if pile.outline else None,
        density_t_per_m3=None if density is None else float(density),
        base_changes=known.base_changes.get(pile.pk, {}),
        density_changes=known.density_changes(pile, months),
        missing_tickets=tuple(gaps),
        mean_load_t=known.loads_t.get(pile.pk),
        unweighed_t=tuple(known.unweighed.get((pile.pk, i), 0.0) for i in range(len(months))),
        moved_during_count_t=(*[0.0] * last, known.during.get(pile.pk, 0.0)),
        loss_percent_per_month=float(allowed) if allowed else None,
        belt=belt,
        uncertified_scales=tuple(code for code in known.uncertified if code == belt or not belt),
    )


def _float(month: Any, name: str) -> float | None:
    value = None if month is None else getattr(month, name)
    return None if value is None else float(value)


def _neighbours(piles: Sequence[Pile]) -> dict[str, tuple[str, ...]]:
    """Piles near each other on the plan; without outlines nobody's neighbour is known."""
    drawn = {pile.code: Polygon(pile.outline) for pile in piles if pile.outline}
    return {
        pile.code: tuple(
            sorted(
                other
                for other, shape in drawn.items()
                if other != pile.code and shape.distance(drawn[pile.code]) <= NEIGHBOUR_WITHIN_M
            )
        )
        if pile.code in drawn
        else ()
        for pile in piles
    }
