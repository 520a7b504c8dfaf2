"""A company that keeps values: costs in force, openings, an open month. Shared by the money tests."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils import timezone

from inventory import accounts, closing_entries, sheet
from inventory.models import Adjustment, Material, Period, Pile, Site
from inventory.movements import record_movement, record_opening
from inventory.periods import open_period, period_of
from inventory.unit_values import approve_value, propose_value
from tests.cast import Company

JAN = dt.date(2025, 1, 1)


@dataclass
class Money:
    """What the money tests do, in the words of the people who would."""

    company: Company

    def value(self, material: Material, per_t: str, kind: str = "cost", **given: Any) -> Any:
        """A value in force, proposed by the accountant and approved by the controller."""
        given = {"source": "cost sheet", "reason": "standard costs reviewed", "valid_from": JAN, **given}
        proposal = propose_value(
            material=material, kind=kind, per_t=per_t, by=self.company.accountant, **given
        )
        return approve_value(proposal, self.company.controller)

    def pile(self, site: Site, material: Material, code: str, opening_t: str = "0") -> Pile:
        pile = self.company.pile(site, material, code)
        if Decimal(opening_t):
            record_opening(pile, quantity=Decimal(opening_t), on=JAN, by=self.company.accountant)
        return pile

    def month(self, site: Site, day: dt.date) -> Period:
        open_period(site, day, self.company.accountant)
        period = period_of(site, day)
        assert period is not None
        return period

    def moved(self, pile: Pile, kind: str, tonnes: str, on: dt.date, **given: Any) -> Any:
        at = dt.datetime.combine(on, dt.time(10), dt.UTC)
        given = {"by": self.company.accountant, **given}
        return record_movement(pile, kind=kind, quantity=Decimal(tonnes), moved_at=at, **given)

    def adjustment(
        self,
        period: Period,
        pile: Pile,
        tonnes: str,
        unit_cost: str,
        reason_code: str,
        nature: str = "estimate",
        reverses: Adjustment | None = None,
    ) -> Adjustment:
        """An approved adjustment as a row; who may propose and approve one is proven elsewhere."""
        adjustment = Adjustment.objects.create(
            period=period,
            pile=pile,
            tonnes=Decimal(tonnes),
            nature=nature,
            reason_code=reason_code,
            reason="as counted",
            unit_cost=Decimal(unit_cost),
            proposed_by=self.company.accountant,
            proposed_at=timezone.now(),
            reverses=reverses,
        )
        adjustment.state = Adjustment.State.APPROVED
        adjustment.approved_by, adjustment.approved_at = self.company.controller, timezone.now()
        adjustment.save()
        return adjustment


def as_table(entry: Any) -> list[tuple[str, str | None, Decimal, Decimal]]:
    """(part, pile, debit, credit) of each line."""
    return [
        (line.part, line.pile and line.pile.code, line.debit, line.credit)
        for line in entry.lines.select_related("pile").order_by("line")
    ]


def rows_of_money(company: Company, pile: Pile, day: dt.date) -> dict[str, list[Any]]:
    """A value, an account, a month with worth and a journal: what the parameters of the addresses name."""
    money = Money(company)
    value = money.value(pile.material, "5.00")
    given = {"part": "inventory", "account": "Yard stock 14000", "valid_from": JAN}
    accounts.set_account(company.organization, **given, by=company.accountant)
    if not pile.movements.exists():
        record_opening(pile, quantity=7000, on=day.replace(day=1), by=company.accountant)
    period = money.month(pile.site, day)
    money.moved(pile, "own-works", "10", day)
    sheet.keep(period)
    closing_entries.close_journals(period, company.accountant)
    return {
        "value_id": [value.pk],
        "period_id": [period.pk],
        "count_id": list(pile.counts.values_list("pk", flat=True)),
        "site": [pile.site.code],
        "period": [period.name],
        "month": [period.name],
        "year": [day.year],
    }
