"""What a manager opens first: what lies there, what grew, how long it lasts, what needs somebody.

Measured and rolled are two figures: what the last approved survey said, and that with what was recorded to
move since. Rates, days of cover and run-out are reckoned from the day of the last recorded movement.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from django.db.models import OuterRef, Subquery

from inventory.models import PeriodLine, Pile, Site, StockCount
from inventory.outlook import (
    Crossing,
    Forecast,
    NotEnoughMonths,
    days_of_cover,
    first_crossing,
    forecast,
)
from inventory.outlook.cover import Cover
from inventory.outlook.losses import Increment, Loss, loss_of, ranked
from inventory.stock import PileStock, StockNow, Total
from surveys.outlook_flows import Flows, flows_of, moved_since

MONTHS_AHEAD = 12
DEAD_AFTER_DAYS = 180
"""Common practice, no source."""
LOSS_MONTHS = 12
ZERO = Decimal(0)


@dataclass(frozen=True)
class Change:
    """What the last approved survey says more than the one before, tonnes; ± (k = 2) where assessed."""

    tonnes: Decimal
    u95_t: float
    since: dt.date


@dataclass(frozen=True)
class Ahead:
    """Rate of use and of net flow of some piles, and what follows. `refused` says why there is no rate.

    Days count from `reckoned_from`, the day of the last recorded movement of the site.
    """

    reckoned_from: dt.date | None
    months: int
    use: Forecast | None = None
    cover: Cover | None = None
    run_out: Crossing | None = None
    refused: str = ""

    @property
    def use_next_t(self) -> float | None:
        """Expected use in the three months ahead, a month."""
        return None if self.use is None else self.use.total(3)[0] / 3

    def day(self, days: float | None) -> dt.date | None:
        if days is None or self.reckoned_from is None:
            return None
        return self.reckoned_from + dt.timedelta(days=math.floor(days))


@dataclass(frozen=True)
class Row:
    """Piles that belong together: one pile, or one material at one site.

    `rolled_t` is measured and what was recorded to move since, by the ± of what was measured alone.
    """

    piles: tuple[PileStock, ...]
    total: Total
    moved_t: Decimal
    change: Change | None
    year: dict[str, Decimal]
    ahead: Ahead
    last_out: dt.datetime | None

    @property
    def pile(self) -> Pile:
        return self.piles[0].pile

    @property
    def oldest_on(self) -> dt.date | None:
        return min((count.counted_on for stock in self.piles for count in stock.counts), default=None)

    @property
    def rolled_t(self) -> Decimal | None:
        return None if self.total.tonnes is None else self.total.tonnes + self.moved_t

    @property
    def produced_t(self) -> Decimal:
        return self.year.get("production", ZERO)

    @property
    def bought_t(self) -> Decimal:
        return self.year.get("purchase", ZERO)

    @property
    def handed_t(self) -> Decimal:
        kinds = ("transfer-in", "transfer-out", "reclass-in", "reclass-out")
        return sum((self.year.get(kind, ZERO) for kind in kinds), ZERO)

    @property
    def shipped_t(self) -> Decimal:
        return -self.year.get("sale", ZERO)

    @property
    def used_t(self) -> Decimal:
        return -self.year.get("usage", ZERO) - self.year.get("own-works", ZERO)

    @property
    def net_t(self) -> Decimal:
        return sum(self.year.values(), ZERO)

    def idle_days(self, today: dt.date) -> int | None:
        """Days since anything was taken from it; None where nothing ever was."""
        return None if self.last_out is None else (today - self.pile.site.date_of(self.last_out)).days


@dataclass(frozen=True)
class Outlook:
    """By pile, and by site and material, in the order of the codes."""

    piles: tuple[Row, ...]
    materials: tuple[Row, ...]
    losses: tuple[Loss, ...]
    flows: Flows


def outlook_of(stock: StockNow, today: dt.date, *, day_is_over: bool = False) -> Outlook:
    """The outlook of some open piles on the day `today`.

    A number of queries that does not grow with piles or history.
    """
    piles = [each.pile for each in stock.piles]
    sites = {pile.site_id: pile.site for pile in piles}
    flows = flows_of(piles, sites.values(), today, day_is_over=day_is_over)
    counts = [count for each in stock.piles for count in each.counts]
    since = moved_since(counts, today)
    before = previous_counts(counts)
    by_pile = tuple(_row((each,), each.total, flows, since, before) for each in stock.piles)
    materials = tuple(
        _row(roll.piles, roll.total, flows, since, before) for roll in stock.by_site_and_material()
    )
    return Outlook(by_pile, materials, tuple(losses_of(piles, today)), flows)


def _row(
    piles: tuple[PileStock, ...],
    total: Total,
    flows: Flows,
    since: dict[int, Decimal],
    before: dict[int, StockCount],
) -> Row:
    heaps = [stock.pile for stock in piles]
    moved = sum((since.get(count.pk, ZERO) for stock in piles for count in stock.counts), ZERO)
    outs = [flows.last_out[heap.pk] for heap in heaps if heap.pk in flows.last_out]
    return Row(
        piles=piles,
        total=total,
        moved_t=moved,
        change=_change(piles, before),
        year=flows.year(heaps),
        ahead=_ahead(heaps, total, moved, flows),
        last_out=max(outs, default=None),
    )


def _ahead(piles: Sequence[Pile], total: Total, moved: Decimal, flows: Flows) -> Ahead:
    reckoned = flows.recorded_to.get(piles[0].site_id)
    use, net = flows.use(piles), flows.net(piles)
    try:
        using, netting = _carried(tuple(use)), _carried(tuple(net))
    except NotEnoughMonths as few:
        return Ahead(reckoned, len(use), refused=str(few))
    if total.tonnes is None or total.tonnes_u95_t is None:
        return Ahead(reckoned, len(use), use=using, refused="no tonnes are known to divide by the rate")
    held, u95 = max(0.0, float(total.tonnes + moved)), float(total.tonnes_u95_t)
    cover = days_of_cover(held, u95, using) if max(using.monthly) > 0.0 else None
    return Ahead(reckoned, len(use), using, cover, first_crossing(held, u95, netting, 0.0))


@lru_cache(maxsize=2000)
def _carried(known: tuple[float, ...]) -> Forecast:
    """Trying every rule on every month of ten years takes longer than the page; the past seldom changes."""
    return forecast(known, MONTHS_AHEAD)


def previous_counts(counts: Iterable[StockCount]) -> dict[int, StockCount]:
    """Count → the standing count of its pile before it. One query."""
    ids = [count.pk for count in counts]
    earlier = StockCount.objects.current().filter(
        pile=OuterRef("pile"), counted_on__lt=OuterRef("counted_on")
    )
    found = StockCount.objects.filter(pk__in=ids).order_by()
    pairs = dict(
        found.annotate(earlier=Subquery(earlier.order_by("-counted_on").values("pk")[:1])).values_list(
            "pk", "earlier"
        )
    )
    rows = StockCount.objects.select_related("density").in_bulk([pk for pk in pairs.values() if pk])
    return {pk: rows[earlier] for pk, earlier in pairs.items() if earlier}


def _change(piles: Sequence[PileStock], before: dict[int, StockCount]) -> Change | None:
    """The sum over the piles; None where one of them has nothing to compare with."""
    parts = []
    for stock in piles:
        for count in stock.counts:
            earlier = before.get(count.pk)
            if stock.is_carried or earlier is None or count.tonnes is None or earlier.tonnes is None:
                return None
            parts.append((count, earlier))
    if not parts or any(not stock.counts for stock in piles):
        return None
    tonnes = sum((count.tonnes - earlier.tonnes for count, earlier in parts), ZERO)
    u95 = math.hypot(*(change_u95_t(count, earlier) for count, earlier in parts))
    return Change(tonnes, u95, min(earlier.counted_on for _, earlier in parts))


def change_u95_t(count: StockCount, earlier: StockCount) -> float:
    """± (k = 2) of the difference of two counts: with one density its error weighs on the difference alone;
    with two, both counts bring the whole of theirs."""
    if count.density_id != earlier.density_id:
        return math.hypot(float(count.tonnes_u95_t), float(earlier.tonnes_u95_t))
    per_m3 = float(count.density.t_per_m3)
    surveys = [float(each.volume_u95_m3) * per_m3 for each in (count, earlier)]
    relative = 2.0 * float(count.density.standard_uncertainty_percent) / 100.0
    return math.hypot(*surveys, relative * float(count.tonnes - earlier.tonnes))


def losses_of(piles: Iterable[Pile], to: dt.date) -> list[Loss]:
    """Cumulative variance of each pile over the last kept months, the most telling first. One query."""
    by_pk = {pile.pk: pile for pile in piles}
    rows = PeriodLine.objects.filter(pile__in=by_pk, period__starts_on__lte=to).order_by(
        "period__starts_on", "pk"
    )
    series: dict[int, list[Increment]] = {}
    for row in rows.select_related("period").only("pile_id", "increment_t", "gates", "period__name"):
        months = series.setdefault(row.pile_id, [])
        months.append(_increment(row, surveys_n=2 if months else 1))
    found = (loss_of(by_pk[pk], months[-LOSS_MONTHS:]) for pk, months in series.items())
    return ranked(loss for loss in found if loss is not None)


def _increment(row: PeriodLine, surveys_n: int) -> Increment:
    """The line keeps the ± of its increment and of one survey's own part: the rest is what was moved."""
    whole, survey = row.gates.get("increment_u95_t"), row.gates.get("volume_u95_t")
    moved = None
    if whole is not None and survey is not None:
        moved = math.sqrt(max(0.0, float(whole) ** 2 - surveys_n * float(survey) ** 2))
    return Increment(
        period=row.period.name,
        increment_t=None if row.increment_t is None else float(row.increment_t),
        survey_u95_t=None if survey is None else float(survey),
        moved_u95_t=moved,
    )


def site_names(outlook: Outlook) -> list[Site]:
    """The sites spoken of, by code."""
    return sorted({row.pile.site for row in outlook.piles}, key=lambda site: site.code)
