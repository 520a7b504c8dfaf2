"""A small yard with a book, for the tests of movements: two sites, owners, scales, months that close."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from inventory import belts, movements, owners, scales
from inventory.balances import book_balances
from inventory.models import Movement, Period, Pile, Scale, Site, StockOwner
from inventory.tickets.posting import post_tickets, receive_tickets
from tests.cast import Company

ZONE = "America/Chicago"
"""Behind UTC, so that an evening there is the next day in UTC."""


def at(text: str, site: Site) -> dt.datetime:
    """`2025-08-31 23:52`, the time at the site."""
    return dt.datetime.fromisoformat(text).replace(tzinfo=site.zone)


class YardBook:
    """The company's yard; each method acts as the person whose work it is."""

    def __init__(self, company: Company) -> None:
        self.company = company
        self.site = company.site("DRV", timezone=ZONE)
        self.material = company.material("M4", "Sub-base 0/40")
        self.pile = company.pile(self.site, self.material, "DRV-05")
        self.other = company.pile(self.site, self.material, "DRV-06")

    def move(
        self, kind: str = "sale", quantity: Any = "28.10", moved_at: str = "2025-08-12 09:30", **more: Any
    ) -> Movement:
        pile = more.pop("pile", self.pile)
        given = {"by": self.company.accountant, "moved_at": at(moved_at, pile.site), **more}
        return movements.record_movement(pile, kind=kind, quantity=quantity, **given)

    def period(self, name: str, *states: str, site: Site | None = None) -> Period:
        """A month of the site, taken through `states` (the database holds their order)."""
        site = site or self.site
        year, month = (int(part) for part in name.split("-"))
        first = dt.date(year, month, 1)
        after = (first + dt.timedelta(days=32)).replace(day=1)
        cutoff = dt.datetime.combine(after, site.day_end, site.zone)
        period = Period.objects.create(site=site, name=name, starts_on=first, ends_on=after, cutoff_at=cutoff)
        return self.take(period, *states)

    def take(self, period: Period, *states: str) -> Period:
        for state in states:
            period.state = state
            period.save(update_fields=["state"])
        return period

    def locked(self, name: str, site: Site | None = None) -> Period:
        return self.period(name, "counting", "reconciled", "approved", "locked", site=site)

    def owner(self, code: str = "A01") -> StockOwner:
        organization = self.company.organization
        return owners.add_owner(organization, code=code, name=f"Customer {code}", by=self.company.manager)

    def scale(self, kind: str = "belt", code: str = "B1") -> Scale:
        return scales.add_scale(
            self.site,
            code=code,
            name=f"Scale {code}",
            kind=kind,
            standard_uncertainty_percent="0.5",
            by=self.company.manager,
        )

    def balance(self, pile: Pile | None = None, on: str = "2999-01-01") -> Decimal:
        pile = pile or self.pile
        return book_balances([pile], on=dt.date.fromisoformat(on))[pile.pk]


def rows_of_movements(company: Company, pile: Pile) -> dict[str, list[Any]]:
    """Something of everything that moves on a pile, by the parameters that address it."""
    site = pile.site
    scale = scales.add_scale(
        site,
        code="BELT-7",
        name="Belt under the screen",
        kind="belt",
        standard_uncertainty_percent="0.5",
        by=company.manager,
    )
    for hour, total in ((6, 1000), (18, 1450)):
        moment = dt.datetime(2025, 2, 3, hour, tzinfo=dt.UTC)
        belts.record_reading(scale, pile, read_at=moment, totaliser=total, by=company.accountant)
    sold = movements.record_movement(
        pile,
        kind="sale",
        quantity="28.1",
        moved_at=dt.datetime(2025, 2, 4, 9, tzinfo=dt.UTC),
        by=company.accountant,
        document="88213",
        counterparty="Customer A01",
    )
    owner = owners.add_owner(company.organization, code="OWN-A01", name="Customer A01", by=company.manager)
    data = f"Ticket,Date,Pile,Net\n1,2025-02-05,{pile.code},28.1\n".encode()
    kept = [
        receive(site, "tickets-of-february.csv", data, by=company.accountant)
        for receive in (receive_tickets, post_tickets)
    ]
    return {
        "movement_id": [sold.pk],
        "import_id": [each.pk for each in kept],
        "scale_id": [scale.pk],
        "scale": [scale.code],
        "owner_id": [owner.pk],
    }
