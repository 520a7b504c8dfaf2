"""Limits by date: the unit of the document, two people, one in force, kept by the database."""

from __future__ import annotations

import datetime as dt
import math
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, transaction

from inventory import hazards, limits
from inventory.errors import AcrossOrganizations, BadEntry, NotAllowed, NotProposed, SamePerson
from inventory.models import AuditEvent, Limit, PileHazard
from tests.cast import OPENED_ON, Cast

pytestmark = pytest.mark.django_db
D = Decimal
JULY = dt.date(2025, 7, 1)


def proposed(cast: Cast, site: Any, **given: Any) -> Limit:
    said = {
        "quantity": "height",
        "operator": "max",
        "given": "25",
        "unit": "foot",
        "source": "Fire plan 3",
        "page": "4",
        "consequence": "the fire officer stops tipping",
        "reason": "yearly permit",
        "valid_from": OPENED_ON,
        "by": cast.a.surveyor,
        **given,
    }
    return limits.propose_limit(site=site, **said)


def approved(cast: Cast, site: Any, **given: Any) -> Limit:
    return limits.approve_limit(proposed(cast, site, **given), cast.a.manager)


@pytest.mark.parametrize(
    ("quantity", "given", "unit", "value"),
    [
        # 25 ft of 0.3048 m, exact by the definition of the international foot.
        ("height", "25", "foot", D("7.62")),
        # County limits of earthworks: 7,000 yd³ of (0.9144 m)³; an acre is 43,560 ft² of (0.3048 m)².
        ("volume", "7000", "cubic-yard", D("5351.884006")),
        ("area", "1", "acre", D("4046.856422")),
        ("tonnes", "100", "short-ton", D("90.718474")),
        ("age", "18", "month", D("547.875")),
        ("slope", "35", "degree", D("35")),
        ("slope", "100", "percent", D("45")),
    ],
)
def test_a_value_is_converted_once_from_the_unit_of_the_document(
    quantity: str, given: str, unit: str, value: Decimal
) -> None:
    assert limits.value_of(quantity, given, unit) == value


def test_a_slope_of_three_to_one_is_the_angle_of_its_tangent() -> None:
    assert float(limits.value_of("slope", "3", "horizontal-to-one")) == pytest.approx(
        math.degrees(math.atan(1 / 3)), abs=1e-6
    )


@pytest.mark.parametrize(
    ("quantity", "given", "unit"),
    [("height", "25", "acre"), ("height", "0", "foot"), ("slope", "95", "degree"), ("tonnes", "x", "tonne")],
)
def test_what_cannot_be_a_limit_is_refused(quantity: str, given: str, unit: str) -> None:
    with pytest.raises(BadEntry):
        limits.value_of(quantity, given, unit)


def test_two_people_bring_a_limit_into_force(cast: Cast) -> None:
    site = cast.a.site()
    limit = proposed(cast, site, by=cast.a.manager)
    with pytest.raises(SamePerson):
        limits.approve_limit(limit, cast.a.manager)
    with pytest.raises(NotAllowed):
        limits.approve_limit(limit, cast.a.accountant)
    assert limits.approve_limit(limit, cast.a.lead_surveyor).status == "approved"
    with pytest.raises(NotProposed):
        limits.approve_limit(limit, cast.a.lead_surveyor)
    assert list(AuditEvent.objects.filter(verb__endswith="_limit").values_list("verb", flat=True)) == [
        "propose_limit",
        "approve_limit",
    ]


def test_a_new_limit_of_a_document_closes_the_old_and_leaves_other_documents(cast: Cast) -> None:
    site = cast.a.site()
    old, other = approved(cast, site), approved(cast, site, source="Permit 7", given="6", unit="metre")
    new = approved(cast, site, given="30", valid_from=JULY)
    before = limits.limits_in_force(Limit.objects.all(), JULY - dt.timedelta(days=1))
    assert set(before) == {old, other}
    assert set(limits.limits_in_force(Limit.objects.all(), JULY)) == {new, other}


def test_the_database_keeps_what_was_approved(cast: Cast) -> None:
    limit = approved(cast, cast.a.site())
    for change in ({"value": D(9)}, {"source": "another"}, {"status": "proposed"}, {"valid_from": JULY}):
        with pytest.raises(DatabaseError), transaction.atomic():
            Limit.objects.filter(pk=limit.pk).update(**change)
    with pytest.raises(DatabaseError), transaction.atomic():
        Limit.objects.filter(pk=limit.pk).delete()
    with pytest.raises(DatabaseError), transaction.atomic():
        Limit.objects.create(
            site=limit.site, quantity="height", operator="max", value=1, given="1", unit="metre",
            source="x", consequence="y", reason="z", valid_from=JULY, status="approved",
            proposed_by=cast.a.surveyor, approved_by=cast.a.manager, approved_at=limit.approved_at,
        )  # fmt: skip


def test_a_pile_of_another_site_is_refused(cast: Cast) -> None:
    site, other = cast.a.site(), cast.a.site("WHF")
    pile = cast.a.pile(other, cast.a.material())
    with pytest.raises(AcrossOrganizations):
        proposed(cast, site, pile=pile)


def test_a_hazard_is_ended_with_a_reason_and_never_lost(cast: Cast) -> None:
    pile = cast.a.pile(cast.a.site(), cast.a.material(), hazards="Belt above.")
    hazard = hazards.record_hazard(pile, "feeder", "Under the west third", cast.a.surveyor)
    (card,) = hazards.cards_of([pile])
    assert (card.words, [entry.words for entry, _ in card.entries]) == ("Belt above.", [hazard.words])
    with pytest.raises(BadEntry):
        hazards.end_hazard(hazard, cast.a.surveyor, " ")
    hazards.end_hazard(hazard, cast.a.manager, "feeder removed")
    assert hazards.cards_of([pile])[0].entries == ()
    with pytest.raises(BadEntry):
        hazards.end_hazard(hazard, cast.a.manager, "again")
    for change in ({"words": "nothing"}, {"ended_reason": "other"}):
        with pytest.raises(DatabaseError), transaction.atomic():
            PileHazard.objects.filter(pk=hazard.pk).update(**change)
    with pytest.raises(DatabaseError), transaction.atomic():
        PileHazard.objects.filter(pk=hazard.pk).delete()


def test_nobody_of_another_organization_touches_a_limit(cast: Cast) -> None:
    limit = proposed(cast, cast.a.site())
    with pytest.raises(NotAllowed):
        limits.approve_limit(limit, cast.b.people["outsider"])
    assert not Limit.objects.for_user(cast.b.people["outsider"]).exists()
