"""Stock now: the count that stands for each pile, summed by material and by site.

How uncertainties of several piles are combined (JCGM 100:2008, 5.1.2 for independent parts and 5.2.2
note 1 for fully correlated ones, from memory): the volume part of each pile is taken as independent and
adds in quadrature; the density part of one material is taken as fully correlated, because one density
makes the tonnes of all its piles, and adds linearly; different materials are independent again. Piles
that share control or a survey share some height error too, which this does not count.
"""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from typing import Any

from django.db.models import OuterRef, Subquery
from django.utils import timezone

from inventory.crossing import LAST_PLACE
from inventory.models import Material, Pile, PileLineage, Site, StockCount

COVERAGE_FACTOR = 2
CARRYING_KINDS = (PileLineage.Kind.MERGED, PileLineage.Kind.MOVED, PileLineage.Kind.RECLASSIFIED)
"""Until such a successor is measured, the last counts of the piles it came from still say what it holds."""

ZERO = Decimal(0)


@dataclass(frozen=True)
class Total:
    """Sum of counts. `*_u95_*`: expanded uncertainty, k = 2. `tonnes` is the sum over the counts that have
    tonnes, empty where none has, and where moisture bases differ (`is_mixed_basis`)."""

    volume_m3: Decimal
    volume_u95_m3: Decimal
    tonnes: Decimal | None
    tonnes_u95_t: Decimal | None
    without_tonnes_n: int
    is_mixed_basis: bool


@dataclass(frozen=True)
class PileStock:
    """One open pile with the counts that say what it holds: its own latest one, or those carried over
    from the piles it came from, or none."""

    pile: Pile
    counts: tuple[StockCount, ...]
    is_carried: bool
    age_days: int | None
    total: Total


@dataclass(frozen=True)
class RollUp:
    """Stock of a group of piles. `key` is what they have in common."""

    key: Any
    piles: tuple[PileStock, ...]
    total: Total

    @property
    def not_counted_n(self) -> int:
        return sum(not stock.counts for stock in self.piles)

    @property
    def oldest_age_days(self) -> int | None:
        return max((stock.age_days for stock in self.piles if stock.age_days is not None), default=None)

    @property
    def is_complete(self) -> bool:
        """Every pile was counted and has tonnes, on one moisture basis."""
        return not self.not_counted_n and not self.total.without_tonnes_n and not self.total.is_mixed_basis


@dataclass(frozen=True)
class StockNow:
    """Every open pile a person may see, by site and pile code."""

    piles: tuple[PileStock, ...]

    @property
    def everything(self) -> RollUp:
        return RollUp(None, self.piles, combine(count for stock in self.piles for count in stock.counts))

    def by_material(self) -> tuple[RollUp, ...]:
        return self.grouped(lambda pile: pile.material)

    def by_site(self) -> tuple[RollUp, ...]:
        return self.grouped(lambda pile: pile.site)

    def by_site_and_material(self) -> tuple[RollUp, ...]:
        """Keys are pairs of a `Site` and a `Material`."""
        return self.grouped(lambda pile: (pile.site, pile.material))

    def grouped(self, key_of: Callable[[Pile], Any]) -> tuple[RollUp, ...]:
        """Roll-ups by `key_of(pile)`, in the order of the codes in the key."""
        groups: dict[Any, list[PileStock]] = {}
        for stock in self.piles:
            groups.setdefault(key_of(stock.pile), []).append(stock)
        return tuple(
            RollUp(key, tuple(piles), combine(count for stock in piles for count in stock.counts))
            for key, piles in sorted(groups.items(), key=lambda item: _sort_key(item[0]))
        )


def stock_now(user: Any, *, on: dt.date | None = None, site: Site | None = None) -> StockNow:
    """What stands on the day `on` (each site's own today by default), on one site or on all.

    Three queries, whatever the history.
    """
    now = timezone.now()
    piles = Pile.objects.for_user(user).select_related("site", "material").order_by("site__code", "code")
    if site is not None:
        piles = piles.filter(site=site)
    latest = _latest_counts(user, on)
    origins = _origins_of(user)
    stocks = []
    for pile in piles:
        day = on or pile.site.date_of(now)
        if pile.is_open_on(day):
            stocks.append(_stock_of(pile, day, latest, origins))
    return StockNow(tuple(stocks))


def tonnes_on(user: Any, organization: Any, days: Sequence[dt.date]) -> dict[int, list[Decimal | None]]:
    """Material id → tonnes in the piles of `organization` at the end of each of `days`, which ascend.

    As `stock_now` would have said on that day by the counts that stand today. None where nothing was
    counted yet, where a count has no tonnes, or where moisture bases differ. Four queries, whatever the
    history.
    """
    piles = list(Pile.objects.for_user(user).filter(site__organization=organization).select_related("site"))
    origins = _origins_of(user)
    latest = _latest_counts(user, days[0])
    since = StockCount.objects.current().for_user(user).filter(counted_on__gt=days[0])
    read = ("pile_id", "counted_on", "tonnes", "density__moisture_basis")
    waiting = deque(since.select_related("density").only(*read).order_by("counted_on", "pk"))
    found: dict[int, list[Decimal | None]] = {pile.material_id: [] for pile in piles}
    for day in days:
        while waiting and waiting[0].counted_on <= day:
            count = waiting.popleft()
            latest[count.pile_id] = count
        held: dict[int, list[StockCount]] = {}
        for pile in piles:
            if pile.is_open_on(day):
                held.setdefault(pile.material_id, []).extend(_counts_of(pile.pk, latest, origins))
        for material, row in found.items():
            row.append(_tonnes_of(held.get(material, [])))
    return found


def _tonnes_of(counts: list[StockCount]) -> Decimal | None:
    bases = {count.density.moisture_basis if count.tonnes is not None else None for count in counts}
    if len(bases) != 1 or None in bases:
        return None
    return sum((count.tonnes for count in counts), ZERO)


def combine(counts: Iterable[StockCount]) -> Total:
    """Sum of counts with their combined uncertainty, as the module says. Amounts are exact; the ± is
    rounded to 0.001. No counts: zero volume, no tonnes."""
    counts = list(counts)
    weighed = [count for count in counts if count.tonnes is not None]
    is_mixed = len({count.density.moisture_basis for count in weighed}) > 1
    volume_m3 = sum((count.volume_m3 for count in counts), ZERO)
    with localcontext(prec=50):
        volume_u95_m3 = _quadrature(count.volume_u95_m3 for count in counts)
        tonnes_u95_t = _tonnes_u95_t(weighed)
    has_tonnes = bool(weighed) and not is_mixed
    return Total(
        volume_m3=volume_m3,
        volume_u95_m3=volume_u95_m3.quantize(LAST_PLACE),
        tonnes=sum((count.tonnes for count in weighed), ZERO) if has_tonnes else None,
        tonnes_u95_t=tonnes_u95_t.quantize(LAST_PLACE) if has_tonnes else None,
        without_tonnes_n=len(counts) - len(weighed),
        is_mixed_basis=is_mixed,
    )


def _tonnes_u95_t(weighed: list[StockCount]) -> Decimal:
    """k = 2 throughout: a factor common to every part passes through both sums."""
    parts_t: list[Decimal] = []
    by_material_t: dict[int, Decimal] = {}
    for count in weighed:
        volume_part_t = count.volume_u95_m3 * count.density.t_per_m3
        # What the count's ± holds beyond its volume part is the density's; nothing where rounding ate it.
        density_part_t = max(ZERO, count.tonnes_u95_t**2 - volume_part_t**2).sqrt()
        parts_t.append(volume_part_t)
        material = count.density.material_id
        # A heap below its base has negative tonnes, and an error of the density moves it the other way.
        signed_t = density_part_t if count.tonnes >= 0 else -density_part_t
        by_material_t[material] = by_material_t.get(material, ZERO) + signed_t
    return _quadrature([*parts_t, *by_material_t.values()])


def _quadrature(parts: Iterable[Decimal]) -> Decimal:
    return sum((part * part for part in parts), ZERO).sqrt()


def _latest_counts(user: Any, on: dt.date | None) -> dict[int, StockCount]:
    """The newest standing count of every pile, closed ones too: their successors may need it."""
    standing = StockCount.objects.current().filter(pile=OuterRef("pk"))
    if on is not None:
        standing = standing.filter(counted_on__lte=on)
    newest = Subquery(standing.order_by("-counted_on").values("pk")[:1])
    chosen = Pile.objects.for_user(user).order_by().annotate(newest=newest).values("newest")
    return {
        count.pile_id: count
        for count in StockCount.objects.filter(pk__in=chosen).select_related("density", "base")
    }


def _origins_of(user: Any) -> dict[int, list[int]]:
    """Pile → the piles that its stock was carried over from."""
    lineage = PileLineage.objects.for_user(user).filter(kind__in=CARRYING_KINDS)
    origins: dict[int, list[int]] = {}
    for link in lineage.order_by("pk"):
        origins.setdefault(link.to_pile_id, []).append(link.from_pile_id)
    return origins


def _counts_of(
    pile_id: int, latest: dict[int, StockCount], origins: dict[int, list[int]]
) -> tuple[StockCount, ...]:
    """Its own latest count, or those carried over from the piles it came from."""
    own = latest.get(pile_id)
    return (own,) if own is not None else tuple(_carried(pile_id, latest, origins))


def _stock_of(
    pile: Pile, day: dt.date, latest: dict[int, StockCount], origins: dict[int, list[int]]
) -> PileStock:
    counts = _counts_of(pile.pk, latest, origins)
    oldest = min((count.counted_on for count in counts), default=None)
    return PileStock(
        pile=pile,
        counts=counts,
        is_carried=bool(counts) and pile.pk not in latest,
        age_days=None if oldest is None else (day - oldest).days,
        total=combine(counts),
    )


def _carried(
    pile_id: int, latest: dict[int, StockCount], origins: dict[int, list[int]]
) -> Iterable[StockCount]:
    for origin in origins.get(pile_id, ()):
        if origin in latest:
            yield latest[origin]
        else:
            yield from _carried(origin, latest, origins)


def _sort_key(key: Site | Material | tuple[Any, ...]) -> tuple[tuple[str, int], ...]:
    members = key if isinstance(key, tuple) else (key,)
    return tuple((member.code, member.pk) for member in members)
