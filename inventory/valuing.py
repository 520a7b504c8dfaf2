"""What a period's stock cost and is worth, read from movements, values by date and the period before.

All own stock of one material at one site is one pool with one cost formula (IAS 2.25); a customer's pile is
no stock of ours and has no value here. What comes from another pool comes at that pool's cost, plus haul.
The period before leaves its pools as `PeriodPool`, so that no older movement is read again.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import F, Q, Sum
from django.db.models.functions import Coalesce

from inventory import validity
from inventory.crossing import LAST_PLACE
from inventory.errors import NoValueInForce
from inventory.models import (
    Material,
    Movement,
    Period,
    PeriodPool,
    PeriodValue,
    Pile,
    Site,
    Status,
    UnitValue,
)
from inventory.unit_values import none_in_force
from inventory.valuation import (
    FORMULAS,
    NOTHING,
    Costed,
    Layer,
    line_amount,
    lower_of_cost_and_nrv,
    per_tonne,
)

Kind = Movement.Kind
BETWEEN_POOLS_IN = (Kind.TRANSFER_IN, Kind.RECLASS_IN, Kind.LINEAGE_IN)
BETWEEN_POOLS_OUT = (Kind.TRANSFER_OUT, Kind.RECLASS_OUT, Kind.LINEAGE_OUT)


@dataclass(frozen=True)
class Flow:
    """Movements of one pile, kind, day and price, summed; `other_*` is the other end of a pair."""

    pile_id: int
    material_id: int
    kind: str
    on: dt.date
    tonnes: Decimal
    unit_price: Decimal | None
    amount: Decimal | None
    other_pile_id: int | None
    other_material_id: int | None
    other_site_id: int | None


@dataclass(frozen=True)
class Worth:
    """One pile at the end of a period; amounts as in `PeriodValue`."""

    pile: Pile
    tonnes: Decimal
    unit_cost: Decimal
    cost_amount: Decimal
    nrv_unit: Decimal | None
    allowance: Decimal
    allowance_change: Decimal

    @property
    def carrying_amount(self) -> Decimal:
        return self.cost_amount - self.allowance


@dataclass(frozen=True)
class Pool:
    """One material at one site. `rounding` is the pool's amount less the rounded lines of its piles."""

    material: Material
    costed: Costed
    rounding: Decimal


@dataclass
class PeriodValuation:
    """Every pool of the period's site by material id, and every pile's worth by pile id."""

    period: Period
    pools: dict[int, Pool]
    piles: dict[int, Worth]
    flows: list[Flow]
    _valuer: Any = field(repr=False, default=None)

    def cost_per_t(self, material_id: int, site_id: int | None = None) -> Decimal:
        """What an issue of the material costs in this period, unrounded; of another site where named."""
        return self._valuer.pool(site_id or self.period.site_id, material_id).issued_per_t


def value_period(period: Period) -> PeriodValuation:
    """Value the book stock of `period` at its end. Queries: constant in history, piles and movements.

    Raises `NoValueInForce`, naming everything that lacks a cost.
    """
    valuer = Valuer(period.starts_on, period.ends_on)
    month = valuer.month(period.site)
    materials = sorted(month.materials.values(), key=lambda material: (material.code, material.pk))
    costed = {material.pk: valuer.pool(period.site_id, material.pk) for material in materials}
    valuer.refuse_missing()
    piles = dict(_worths(period, month, costed))
    lines: dict[int, Decimal] = defaultdict(lambda: NOTHING)
    for worth in piles.values():
        lines[worth.pile.material_id] += worth.cost_amount
    pools = {
        material.pk: Pool(material, costed[material.pk], costed[material.pk].amount - lines[material.pk])
        for material in materials
    }
    return PeriodValuation(period, pools, piles, month.flows, valuer)


def unit_cost_of(pile: Pile, period: Period) -> Decimal:
    """What a tonne of the pile costs in the period, four places: what an adjustment of it is priced at.

    Raises `NoValueInForce`.
    """
    valuer = Valuer(period.starts_on, period.ends_on)
    pool = valuer.pool(period.site_id, pile.material_id)
    if pool.tonnes <= 0 and not pool.issued_t:
        valuer.month(period.site).cost(pile.material_id, period.ends_on - dt.timedelta(days=1))
    valuer.refuse_missing()
    return per_tonne(pool.issued_per_t)


def keep_values(valuation: PeriodValuation) -> None:
    """Write pools and values of the period in place of what stood there; triggers refuse a locked one."""
    period = valuation.period
    PeriodValue.objects.filter(period=period).delete()
    PeriodPool.objects.filter(period=period).delete()
    PeriodPool.objects.bulk_create(
        PeriodPool(
            period=period,
            material=pool.material,
            cost_method=pool.material.cost_method,
            tonnes=pool.costed.tonnes,
            amount=pool.costed.amount,
            rounding=pool.rounding,
            layers=[[str(layer.tonnes), str(layer.amount)] for layer in pool.costed.layers],
        )
        for pool in valuation.pools.values()
    )
    PeriodValue.objects.bulk_create(
        PeriodValue(
            period=period,
            pile=worth.pile,
            tonnes=worth.tonnes,
            unit_cost=worth.unit_cost,
            cost_amount=worth.cost_amount,
            nrv_unit=worth.nrv_unit,
            allowance=worth.allowance,
            allowance_change=worth.allowance_change,
        )
        for worth in valuation.piles.values()
    )


def _worths(period: Period, month: Month, costed: dict[int, Costed]) -> Iterator[tuple[int, Worth]]:
    before = dict(
        PeriodValue.objects.filter(period__site=period.site_id, period__ends_on=period.starts_on).values_list(
            "pile_id", "allowance"
        )
    )
    last_day = period.ends_on - dt.timedelta(days=1)
    for pile in month.piles:
        tonnes, allowance_before = month.closing[pile.pk], before.get(pile.pk, NOTHING)
        if not tonnes and not allowance_before:
            continue
        per_t = costed[pile.material_id].per_t
        nrv = month.value(pile.material_id, UnitValue.Kind.NRV, last_day)
        lower = lower_of_cost_and_nrv(tonnes, line_amount(tonnes, per_t), nrv, allowance_before)
        yield (
            pile.pk,
            Worth(
                pile=pile,
                tonnes=tonnes,
                unit_cost=per_tonne(per_t),
                cost_amount=lower.cost_amount,
                nrv_unit=nrv,
                allowance=lower.allowance,
                allowance_change=lower.change,
            ),
        )


def haul_of(flow: Flow) -> Decimal:
    """What bringing it here cost: the price per tonne that stands on the receiving leg of a transfer."""
    is_hauled = flow.kind == Kind.TRANSFER_IN and flow.unit_price is not None
    return line_amount(flow.tonnes, flow.unit_price) if is_hauled else NOTHING


class Valuer:
    """Pools of any site of the organization over the same days, each worked out once and on demand."""

    def __init__(self, since: dt.date, until: dt.date) -> None:
        self.since, self.until = since, until
        self.months: dict[int, Month] = {}
        self.pools: dict[tuple[int, int], Costed] = {}
        self.being_costed: set[tuple[int, int]] = set()

    def month(self, site: Site) -> Month:
        if site.pk not in self.months:
            self.months[site.pk] = Month(site, self.since, self.until)
        return self.months[site.pk]

    def pool(self, site_id: int, material_id: int) -> Costed:
        """The pool after these days. Two pools that feed each other meet at the cost in force."""
        key = (site_id, material_id)
        if key not in self.pools:
            self.being_costed.add(key)
            month = self.months.get(site_id) or self.month(Site.objects.get(pk=site_id))
            self.pools[key] = self._costed(month, material_id)
            self.being_costed.discard(key)
        return self.pools[key]

    def refuse_missing(self) -> None:
        missing = {key: words for month in self.months.values() for key, words in month.missing.items()}
        if missing:
            first = next(iter(missing.values()))
            raise NoValueInForce(
                " ".join(refusal.message for refusal in missing.values()),
                where=", ".join(refusal.where for refusal in missing.values()),
                remedy=first.remedy,
            )

    def _costed(self, month: Month, material_id: int) -> Costed:
        receipts, issued_t = [], NOTHING
        for flow in month.flows_of.get(material_id, ()):
            if self._stays(flow, month):
                receipts += [Layer(NOTHING, haul_of(flow))] if haul_of(flow) else []
            elif self._is_receipt(flow):
                receipts.append(Layer(flow.tonnes, self._cost_of(flow, month)))
            else:
                issued_t -= flow.tonnes
        opening = month.opening_layers(material_id)
        has_stock = bool(opening or receipts or issued_t)
        otherwise = month.cost(material_id, self.until - dt.timedelta(days=1)) if has_stock else NOTHING
        material = month.materials.get(material_id)
        method = FORMULAS[material.cost_method if material else Material.CostMethod.WEIGHTED_AVERAGE]
        return method(opening, receipts, issued_t, otherwise)

    def _stays(self, flow: Flow, month: Month) -> bool:
        """Both ends in one pool: tonnes change their pile, not their cost."""
        return (
            flow.kind in BETWEEN_POOLS_IN + BETWEEN_POOLS_OUT
            and flow.other_site_id == month.site.pk
            and flow.other_material_id == flow.material_id
            and flow.other_pile_id in month.own_ids
        )

    def _is_receipt(self, flow: Flow) -> bool:
        if flow.kind == Kind.ADJUSTMENT:
            return flow.tonnes > 0
        return flow.kind in (Kind.OPENING, Kind.PRODUCTION, Kind.PURCHASE, *BETWEEN_POOLS_IN)

    def _cost_of(self, flow: Flow, month: Month) -> Decimal:
        if flow.amount is not None:
            return flow.amount
        if flow.kind == Kind.PURCHASE and flow.unit_price is not None:
            return line_amount(flow.tonnes, flow.unit_price)
        if flow.kind in BETWEEN_POOLS_IN and flow.other_site_id is not None:
            source = (flow.other_site_id, flow.other_material_id or flow.material_id)
            meets = source in self.being_costed
            per_t = month.cost(flow.material_id, flow.on) if meets else self.pool(*source).issued_per_t
            return line_amount(flow.tonnes, per_t) + haul_of(flow)
        return line_amount(flow.tonnes, month.cost(flow.material_id, flow.on))


class Month:
    """What valuing one site over some days reads: piles, flows, opening pools, values by date."""

    def __init__(self, site: Site, since: dt.date, until: dt.date) -> None:
        self.site, self.since, self.until = site, since, until
        self.piles = list(
            Pile.objects.filter(site=site, owner__isnull=True).select_related("material").order_by("code")
        )
        self.own_ids = {pile.pk for pile in self.piles}
        self.materials = {pile.material_id: pile.material for pile in self.piles}
        self.flows = list(_flows(site, self.own_ids, since, until))
        self.flows_of: dict[int, list[Flow]] = defaultdict(list)
        self.opening: dict[int, Decimal] = defaultdict(lambda: NOTHING, _opening(self.own_ids, since))
        self.closing = defaultdict(lambda: NOTHING, self.opening)
        for flow in self.flows:
            self.flows_of[flow.material_id].append(flow)
            self.closing[flow.pile_id] += flow.tonnes
        self.pools = {
            pool.material_id: pool
            for pool in PeriodPool.objects.filter(period__site=site, period__ends_on=since)
        }
        self.values = list(
            UnitValue.objects.filter(
                Q(site=site) | Q(site__isnull=True),
                validity.on_day(until - dt.timedelta(days=1)) | Q(valid_to__gt=since, valid_from__lt=until),
                organization=site.organization_id,
                status=Status.APPROVED,
            )
        )
        self.missing: dict[tuple[int, str], NoValueInForce] = {}

    def value(self, material_id: int, kind: str, on: dt.date) -> Decimal | None:
        found = None
        for row in self.values:
            if row.material_id == material_id and row.kind == kind and row.covers(on):
                if row.site_id is not None:
                    return row.per_t
                found = row.per_t
        return found

    def cost(self, material_id: int, on: dt.date) -> Decimal:
        """The cost in force, or zero with the refusal noted: all that is missing is told at once."""
        found = self.value(material_id, UnitValue.Kind.COST, on)
        if found is None:
            material = self.materials.get(material_id) or Material.objects.get(pk=material_id)
            key = (material_id, UnitValue.Kind.COST.value)
            self.missing.setdefault(key, none_in_force(material, self.site, UnitValue.Kind.COST, on))
            return NOTHING
        return found

    def opening_layers(self, material_id: int) -> list[Layer]:
        """As the period before left it; where none did, the opening tonnes at the cost of the first day."""
        pool = self.pools.get(material_id)
        if pool is not None:
            return [Layer(Decimal(tonnes), Decimal(amount)) for tonnes, amount in pool.layers]
        of_material = [pile.pk for pile in self.piles if pile.material_id == material_id]
        tonnes = sum((self.opening[pk] for pk in of_material), NOTHING)
        return [Layer(tonnes, line_amount(tonnes, self.cost(material_id, self.since)))] if tonnes else []


def _opening(pile_ids: Iterable[int], since: dt.date) -> dict[int, Decimal]:
    """Pile id → tonnes in the book before the day `since`."""
    rows = Movement.objects.filter(pile__in=pile_ids, book_on__lt=since).order_by()
    return {
        pile: kilograms(total) for pile, total in rows.values_list("pile_id").annotate(total=Sum("tonnes"))
    }


def _flows(site: Site, pile_ids: Iterable[int], since: dt.date, until: dt.date) -> Iterator[Flow]:
    """The movements of the days, summed. A reversal counts with what it reverses: one query for all."""
    rows = (
        Movement.objects.filter(site=site, pile__in=pile_ids, book_on__gte=since, book_on__lt=until)
        .annotate(
            other_pile=other_end("pile_id"),
            other_material=other_end("pile__material_id"),
            other_site=other_end("site_id"),
        )
        .order_by("book_on", "pile_id", "kind", "unit_price", "other_pile", "adjustment__amount")
        .values_list(
            "pile_id",
            "pile__material_id",
            "kind",
            "book_on",
            "unit_price",
            "adjustment__amount",
            "other_pile",
            "other_material",
            "other_site",
        )
        .annotate(total=Sum("tonnes"))
    )
    # What comes from another pool has one cost for all days, and is rounded once for all of them.
    pairs: dict[tuple[Any, ...], Decimal] = defaultdict(lambda: NOTHING)
    for pile, material, kind, on, price, amount, *other, summed in rows:
        total = kilograms(summed)
        if kind in BETWEEN_POOLS_IN + BETWEEN_POOLS_OUT:
            pairs[pile, material, kind, price, *other] += total
        elif total:
            yield Flow(pile, material, kind, on, total, price, amount, *other)
    for (pile, material, kind, price, *other), total in pairs.items():
        if total:
            yield Flow(pile, material, kind, until - dt.timedelta(days=1), total, price, None, *other)


def kilograms(total: Decimal) -> Decimal:
    """A sum of tonnes to the kilogram that its parts have: SQLite adds decimals as doubles."""
    return total.quantize(LAST_PLACE)


def other_end(name: str) -> Coalesce:
    """A column of the other leg of a pair, whichever row names the other, for reversals too."""
    ways = ("other_leg", "leg_of", "reverses__other_leg", "reverses__leg_of")
    return Coalesce(*(F(f"{way}__{name}") for way in ways))
