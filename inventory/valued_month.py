"""What valuing one site over some days reads: piles, movements summed, opening pools, values by date."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
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
    PeriodPool,
    Pile,
    Site,
    Status,
    UnitValue,
)
from inventory.unit_values import none_in_force
from inventory.valuation import (
    NOTHING,
    Layer,
    line_amount,
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


def haul_of(flow: Flow) -> Decimal:
    """What bringing it here cost: the price per tonne that stands on the receiving leg of a transfer."""
    is_hauled = flow.kind == Kind.TRANSFER_IN and flow.unit_price is not None
    return line_amount(flow.tonnes, flow.unit_price) if is_hauled else NOTHING


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
