"""Cost, net realisable value and price by date: one in force, or a refusal in words."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from inventory.accounts import PARTS, accounts_on, set_account
from inventory.errors import (
    AcrossOrganizations,
    BadEntry,
    NameTaken,
    NotAllowed,
    NotProposed,
    NoValueInForce,
    SamePerson,
    ValidityOverlap,
)
from inventory.models import AuditEvent, Membership, Role, UnitValue
from inventory.unit_values import approve_value, propose_value, value_in_force, withdraw_value

pytestmark = pytest.mark.django_db
D = Decimal
JAN, NOV, DEC = dt.date(2025, 1, 1), dt.date(2025, 11, 1), dt.date(2025, 12, 1)


def proposed(cast, material, per_t="4.10", kind="cost", **given):
    given = {"source": "cost sheet", "reason": "yearly", "valid_from": JAN, "by": cast.a.accountant, **given}
    return propose_value(**{"material": material, "kind": kind, "per_t": per_t, **given})


def approved(cast, *args, **given):
    return approve_value(proposed(cast, *args, **given), cast.a.controller)


def test_the_site_goes_before_the_company_and_the_day_decides(cast) -> None:
    site, material = cast.a.site(), cast.a.material("M1")
    company = approved(cast, material, "6.00", "nrv")
    own = approved(cast, material, "3.70", "nrv", site=site, valid_from=NOV)
    assert value_in_force(material, site, "nrv", NOV - dt.timedelta(days=1)) == company
    assert value_in_force(material, site, "nrv", NOV) == own
    assert value_in_force(material, cast.a.site("WHF"), "nrv", NOV) == company


def test_a_new_value_closes_the_old_on_its_own_first_day(cast) -> None:
    site, material = cast.a.site(), cast.a.material("M1")
    old = approved(cast, material, "6.00", "nrv")
    new = approved(cast, material, "3.70", "nrv", valid_from=NOV)
    old.refresh_from_db()
    assert (old.valid_to, old.status, new.supersedes_id) == (NOV, "approved", old.pk)
    assert value_in_force(material, site, "nrv", NOV).per_t == D("3.70")


def test_without_a_value_the_refusal_says_what_there_was_and_what_to_do(cast) -> None:
    site, material = cast.a.site(), cast.a.material("M1")
    with pytest.raises(NoValueInForce, match="none was ever approved") as refusal:
        value_in_force(material, site, "cost", NOV)
    assert "M1 at QRY has no approved cost on 2025-11-01" in refusal.value.message
    approved(cast, material, valid_to=NOV)
    proposed(cast, material, "4.30", valid_from=NOV)
    with pytest.raises(NoValueInForce, match="last ended 2025-10-31") as refusal:
        value_in_force(material, site, "cost", DEC)
    assert "waits for approval" in refusal.value.remedy
    with pytest.raises(NoValueInForce, match="first begins 2025-01-01"):
        value_in_force(material, site, "cost", dt.date(2024, 12, 31))


def test_another_person_with_the_right_approves(cast) -> None:
    material = cast.a.material("M1")
    value = proposed(cast, material)
    with pytest.raises(NotAllowed):
        approve_value(value, cast.a.manager)
    with pytest.raises(NotAllowed):
        propose_value(
            material=material,
            kind="cost",
            per_t="1",
            source="x",
            reason="y",
            valid_from=JAN,
            by=cast.a.surveyor,
        )
    Membership.objects.create(user=cast.a.accountant, organization=cast.a.organization, role=Role.CONTROLLER)
    with pytest.raises(SamePerson):
        approve_value(value, cast.a.accountant)
    approve_value(value, cast.a.controller)
    with pytest.raises(NotProposed):
        approve_value(value, cast.a.controller)
    verbs = AuditEvent.objects.filter(subject=f"unitvalue:{value.pk}").values_list("verb", flat=True)
    assert list(verbs) == ["propose_value", "approve_value"]


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ({"per_t": "-1"}, "per_t"),
        ({"per_t": "4.10001"}, "per_t"),
        ({"per_t": "four"}, "per_t"),
        ({"kind": "worth"}, "kind"),
        ({"source": "  "}, "source"),
        ({"reason": ""}, "reason"),
        ({"valid_to": JAN}, "valid_to"),
    ],
)
def test_what_cannot_be_is_refused_by_name(cast, given, named) -> None:
    with pytest.raises(BadEntry) as refusal:
        proposed(cast, cast.a.material("M1"), **given)
    assert refusal.value.where == named
    assert not UnitValue.objects.exists()


def test_a_value_that_would_end_inside_another_is_refused(cast) -> None:
    material = cast.a.material("M1")
    approved(cast, material)
    with pytest.raises(ValidityOverlap):
        proposed(cast, material, "4.30", valid_from=NOV, valid_to=DEC)


def test_values_of_another_organization_stay_there(cast) -> None:
    with pytest.raises(AcrossOrganizations):
        proposed(cast, cast.a.material("M1"), site=cast.b.site("OUT"))
    theirs = cast.b.material("M1")
    with pytest.raises(NotAllowed):
        proposed(cast, theirs)


def test_a_proposal_is_taken_back_with_a_reason(cast) -> None:
    value = withdraw_value(proposed(cast, cast.a.material("M1")), cast.a.accountant, "typed twice")
    assert (value.status, value.withdrawn_reason) == ("withdrawn", "typed twice")


@pytest.mark.parametrize(
    "change",
    [
        "per_t = 1",
        "valid_from = '2024-01-01'",
        "status = 'proposed'",
        "valid_to = NULL",
        "valid_to = '2026-01-01'",
    ],
)
def test_the_database_keeps_an_approved_value(cast, change) -> None:
    value = approved(cast, cast.a.material("M1"), valid_to=NOV)
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE inventory_unitvalue SET {change} WHERE id = %s", [value.pk])


def test_the_account_of_a_part_by_day_and_site(cast) -> None:
    site, other, a = cast.a.site(), cast.a.site("WHF"), cast.a
    assert accounts_on(site, JAN)["inventory"].account == PARTS["inventory"].account
    set_account(a.organization, part="inventory", account="14000", valid_from=JAN, by=a.accountant)
    set_account(
        a.organization,
        part="inventory",
        account="14010",
        valid_from=NOV,
        by=a.controller,
        site=site,
        cost_centre="Q",
    )
    assert accounts_on(site, JAN)["inventory"].account == "14000"
    assert (accounts_on(site, NOV)["inventory"].account, accounts_on(site, NOV)["inventory"].cost_centre) == (
        "14010",
        "Q",
    )
    assert accounts_on(other, NOV)["inventory"].account == "14000"
    with pytest.raises(NameTaken):
        set_account(a.organization, part="inventory", account="15000", valid_from=JAN, by=a.accountant)
    with pytest.raises(BadEntry, match="plays no part"):
        set_account(a.organization, part="petty-cash", account="1", valid_from=JAN, by=a.accountant)
    with pytest.raises(NotAllowed):
        set_account(a.organization, part="revenue", account="4100", valid_from=JAN, by=a.manager)
