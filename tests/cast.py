"""The cast that every test of the book and the evidence shares.

Organization A has one person for each role; organization B has an outsider who holds every role there,
so that nothing is refused to them for want of a role. Sites, materials and piles are made through the
book's own verbs, as people would. Import the fixtures you need: `from tests.cast import cast`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest

from inventory import basing, counting, density, piles, places
from inventory.models import (
    BaseVersion,
    DensityRecord,
    Material,
    Membership,
    Organization,
    Pile,
    Role,
    Site,
    StockCount,
    User,
)

PASSWORD = "tipped-and-trimmed-9"
AUDIT_ENDS_ON = dt.date(2999, 1, 1)
OPENED_ON = dt.date(2025, 1, 1)


def square(east_m: float = 0.0, north_m: float = 0.0, side_m: float = 40.0) -> list[list[float]]:
    """A square outline, counter-clockwise from its south-west corner."""
    return [
        [east_m, north_m],
        [east_m + side_m, north_m],
        [east_m + side_m, north_m + side_m],
        [east_m, north_m + side_m],
    ]


def person(username: str, organization: Organization, *roles: str) -> User:
    """Somebody who can sign in with `PASSWORD` and holds the roles."""
    user = User.objects.create_user(username, password=PASSWORD)
    for role in roles:
        ends_on = AUDIT_ENDS_ON if role == Role.AUDITOR else None
        Membership.objects.create(user=user, organization=organization, role=role, ends_on=ends_on)
    return user


@dataclass
class Company:
    """An organization with its people by role, and factories that act as they would."""

    organization: Organization
    people: dict[str, User]

    def __getattr__(self, role: str) -> User:
        people = self.__dict__.get("people", {})
        if role not in people:
            raise AttributeError(role)
        return people[role]

    def site(self, code: str = "QRY", **settings: Any) -> Site:
        name = settings.pop("name", f"Site {code}")
        return places.open_site(self.organization, code=code, name=name, by=self.manager, **settings)

    def material(self, code: str = "M2", name: str = "Crushed stone 4/10") -> Material:
        return places.add_material(self.organization, code=code, name=name, by=self.manager)

    def pile(self, site: Site, material: Material, code: str | None = None, **settings: Any) -> Pile:
        code = code or f"{site.code}-{site.piles.count() + 1:02d}"
        given = {"name": f"Pile {code}", "opened_on": OPENED_ON, **settings}
        return piles.open_pile(site=site, code=code, material=material, by=self.manager, **given)

    def proposed_density(self, material: Material, t_per_m3: str = "1.6", **settings: Any) -> DensityRecord:
        given = {
            "grade": "B",
            "method": "laboratory, loose, moisture converted",
            "reason": "yearly test",
            "valid_from": OPENED_ON,
            "by": self.surveyor,
            **settings,
        }
        return density.propose_density(material=material, t_per_m3=t_per_m3, **given)

    def density(self, material: Material, t_per_m3: str = "1.6", **settings: Any) -> DensityRecord:
        """A density with both approvals, in force from `OPENED_ON` unless said otherwise."""
        return self.sign(self.proposed_density(material, t_per_m3, **settings))

    def sign(self, record: DensityRecord) -> DensityRecord:
        density.approve_density(record, self.lead_surveyor)
        return density.approve_density(record, self.manager)

    def proposed_base(self, pile: Pile, **settings: Any) -> BaseVersion:
        given = {
            "kind": "toe",
            "height_uncertainty_m": "0.02",
            "reason": "first base",
            "valid_from": OPENED_ON,
            "by": self.surveyor,
            **settings,
        }
        return basing.propose_base(pile=pile, **given)

    def base(self, pile: Pile, **settings: Any) -> BaseVersion:
        """An approved base, in force from `OPENED_ON` unless said otherwise."""
        return basing.approve_base(self.proposed_base(pile, **settings), self.lead_surveyor)

    def count(
        self,
        pile: Pile,
        on: dt.date,
        volume_m3: str = "1000",
        *,
        volume_u95_m3: str = "20",
        record: DensityRecord | None = None,
        **settings: Any,
    ) -> StockCount:
        """A count at noon UTC of the day `on`, with tonnes where a density is given."""
        volume, u95 = Decimal(volume_m3), Decimal(volume_u95_m3)
        given: dict[str, Any] = {
            "counted_at": dt.datetime.combine(on, dt.time(12), dt.UTC),
            "counted_on": on,
            "volume_m3": volume,
            "below_base_m3": Decimal(0),
            "volume_u95_m3": u95,
            "evidence_ref": f"test/{pile.pk}/{on}/{pile.counts.count()}",
            "evidence_digest": "d" * 64,
            "by": self.lead_surveyor,
        }
        if record is not None:
            volume_part = u95 * record.t_per_m3
            density_part = 2 * volume * record.standard_uncertainty_t_per_m3
            given["density"] = record
            given["tonnes"] = volume * record.t_per_m3
            given["tonnes_u95_t"] = (volume_part**2 + density_part**2).sqrt()
        return counting.record_stock_count(pile, **{**given, **settings})


@dataclass
class Cast:
    """`a`: the company under test; `b`: another one, whose `outsider` must never see what is `a`'s."""

    a: Company
    b: Company

    @property
    def outsider(self) -> User:
        return self.b.people["outsider"]


def found_cast() -> Cast:
    ours = Organization.objects.create(name="Ashmarl Aggregates", slug="ashmarl-aggregates")
    theirs = Organization.objects.create(name="Brindlewick Minerals", slug="brindlewick-minerals")
    people = {str(role): person(str(role).replace("_", "-"), ours, role) for role in Role}
    everything = person("outsider", theirs, *Role)
    others = {
        str(role): person(f"other-{str(role).replace('_', '-')}", theirs, role)
        for role in (Role.SURVEYOR, Role.LEAD_SURVEYOR, Role.MANAGER)
    }
    return Cast(Company(ours, people), Company(theirs, {"outsider": everything, **others}))


@pytest.fixture
def cast(db: None) -> Cast:
    return found_cast()


@pytest.fixture
def company(cast: Cast) -> Company:
    return cast.a
