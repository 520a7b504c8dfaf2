"""A small yard with its book for a month or more: everything by the verbs, as people would."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from inventory import adjusting, closing, explaining, movements, periods, unit_values
from inventory.models import Adjustment, DensityRecord, Movement, Period, Pile, Site, User
from tests.cast import Company

JANUARY = dt.date(2025, 1, 1)


def at(day: dt.date, hour: int = 12) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), dt.UTC)


class MonthBook:
    """One site in UTC with piles of 1.6 t/m³ and a cost of 5.00 a tonne, their books opened on 1 January."""

    def __init__(self, company: Company, piles_n: int = 2, opening_t: int = 1000, **site: Any) -> None:
        self.company = company
        self.site: Site = company.site("QRY", **site)
        self.material = company.material()
        self.record: DensityRecord = company.density(self.material)
        value = unit_values.propose_value(
            material=self.material,
            kind="cost",
            per_t="5.00",
            source="standard cost",
            reason="yearly",
            valid_from=JANUARY,
            by=company.accountant,
        )
        unit_values.approve_value(value, company.controller)
        self.piles: list[Pile] = [company.pile(self.site, self.material) for _ in range(piles_n)]
        for pile in self.piles:
            movements.record_opening(pile, quantity=opening_t, on=JANUARY, by=company.accountant)

    def move(self, pile: Pile, kind: str, quantity: Any, day: dt.date, **given: Any) -> Movement:
        given.setdefault("by", self.company.manager)
        given.setdefault("moved_at", at(day))
        return movements.record_movement(pile, kind=kind, quantity=quantity, **given)

    def period(self, day: dt.date = JANUARY) -> Period:
        return periods.open_period(self.site, day, self.company.accountant)

    def count(self, pile: Pile, day: dt.date, tonnes: Any, **given: Any) -> Any:
        """A count at noon whose tonnes are those given, at 1.6 t/m³."""
        volume_m3 = Decimal(tonnes) / Decimal("1.6")
        return self.company.count(pile, day, str(volume_m3), record=self.record, **given)

    def count_all(self, day: dt.date, *tonnes: Any) -> None:
        for pile, weighed in zip(self.piles, tonnes, strict=True):
            self.count(pile, day, weighed)

    def reconcile(self, period: Period) -> Period:
        if period.state == "open":
            period = closing.start_counting(period, self.company.manager)
        return closing.reconcile(period, self.company.accountant)

    def explain(self, period: Period, *piles: Pile) -> None:
        for pile in piles:
            explaining.explain(period, pile, "looked into", self.company.surveyor)

    def approve(self, period: Period) -> Period:
        return closing.approve(period, self.company.manager)

    def lock(self, period: Period) -> Period:
        return closing.lock(period, self.company.controller)

    def close(self, period: Period) -> Period:
        return self.lock(self.approve(self.reconcile(period)))

    def propose(self, period: Period, pile: Pile, tonnes: Any, **given: Any) -> Adjustment:
        said: dict[str, Any] = {
            "nature": "loss",
            "reason_code": "shrinkage",
            "reason": "less than the book",
            "count": pile.counts.current().order_by("-counted_at").first(),
            "by": self.company.accountant,
            **given,
        }
        return adjusting.propose_adjustment(period, pile, tonnes=tonnes, **said)

    def post(self, adjustment: Adjustment, by: User | None = None) -> Adjustment:
        adjusting.approve_adjustment(adjustment, self.company.controller)
        return adjusting.post_adjustment(adjustment, by or self.company.accountant)
