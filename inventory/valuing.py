"""What a period's stock cost and is worth, read from movements, values by date and the period before.

All own stock of one material at one site is one pool with one cost formula (IAS 2.25); a customer's pile is
no stock of ours and has no value here. What comes from another pool comes at that pool's cost, plus haul.
The period before leaves its pools as `PeriodPool`, so that no older movement is read again.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from inventory.errors import NoValueInForce
from inventory.models import (
    Material,
    Period,
    PeriodPool,
    PeriodValue,
    Pile,
    Site,
    UnitValue,
)
from inventory.valuation import (
    FORMULAS,
    NOTHING,
    Costed,
    Layer,
    line_amount,
    lower_of_cost_and_nrv,
    per_tonne,
)
from inventory.valued_month import BETWEEN_POOLS_IN, BETWEEN_POOLS_OUT, Flow, Kind, Month, haul_of


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
