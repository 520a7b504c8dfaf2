"""Densities: two approvals, dates without overlap, narrowest scope first, exactly one or a reason."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory import density
from inventory.errors import (
    AcrossOrganizations,
    BadEntry,
    DensityStateMismatch,
    NoDensityInForce,
    NotAllowed,
    NotProposed,
    SamePerson,
    ValidityOverlap,
)
from inventory.models import Membership, Role
from tests.cast import person

JAN_1 = dt.date(2025, 1, 1)
OCT_1 = dt.date(2025, 10, 1)


@pytest.fixture
def sand(company):
    return company.material("M5", "Washed sand 0/4")


@pytest.fixture
def wharf(company):
    return company.site("TUL")


@pytest.fixture
def pile(company, wharf, sand):
    return company.pile(wharf, sand, "TUL-01")


def test_a_revision_is_in_force_from_its_first_day_and_no_day_earlier(company, sand, pile):
    old = company.density(sand, "1.55", grade="C")
    new = company.density(sand, "1.49", grade="A", valid_from=OCT_1, reason="back-calculated, 24 loads")
    assert density.density_in_force(pile, dt.date(2025, 9, 30)) == old
    assert density.density_in_force(pile, OCT_1) == new
    old.refresh_from_db()
    assert (old.status, old.valid_to) == ("approved", OCT_1)
    assert new.supersedes == old


def test_the_narrowest_scope_is_taken(company, sand, wharf, pile):
    of_company = company.density(sand, "1.55")
    assert density.density_in_force(pile, OCT_1) == of_company
    of_site = company.density(sand, "1.52", site=wharf)
    assert density.density_in_force(pile, OCT_1) == of_site
    of_pile = company.density(sand, "1.50", pile=pile)
    assert density.density_in_force(pile, OCT_1) == of_pile
    assert (of_company.scope, of_site.scope, of_pile.scope) == ("company", "site", "pile")
    elsewhere = company.pile(company.site("DRV"), sand, "DRV-01")
    assert density.density_in_force(elsewhere, OCT_1) == of_company


def test_a_narrow_record_that_ended_gives_way_to_the_wider_one(company, sand, pile):
    wide = company.density(sand, "1.55")
    narrow = company.density(sand, "1.50", pile=pile, valid_to=OCT_1)
    assert density.density_in_force(pile, dt.date(2025, 9, 30)) == narrow
    assert density.density_in_force(pile, OCT_1) == wide


def test_looking_up_takes_one_query(company, sand, wharf, pile, django_assert_num_queries):
    for scope in ({}, {"site": wharf}, {"pile": pile}):
        company.density(sand, "1.55", **scope)
    with django_assert_num_queries(1):
        density.density_in_force(pile, OCT_1)


def test_none_in_force_says_when_the_last_one_ended(company, sand, pile):
    company.density(sand, "1.55", valid_to=OCT_1)
    with pytest.raises(NoDensityInForce) as refused:
        density.density_in_force(pile, dt.date(2025, 10, 31))
    assert refused.value.message == (
        "Material M5 at site TUL has no approved density on 2025-10-31 (last ended 2025-09-30). "
        "Tonnes not computed; the volume stands."
    )
    assert refused.value.remedy == "Approve a record from 2025-10-01 on."
    assert refused.value.where == "pile TUL-01"


def test_none_in_force_names_what_waits_and_what_begins_later(company, sand, pile):
    with pytest.raises(NoDensityInForce, match="none was ever approved"):
        density.density_in_force(pile, OCT_1)
    waiting = company.proposed_density(sand)
    with pytest.raises(NoDensityInForce) as refused:
        density.density_in_force(pile, OCT_1)
    assert refused.value.remedy.startswith(f"{waiting.label}, proposed from 2025-01-01, waits for approval.")
    company.sign(waiting)
    with pytest.raises(NoDensityInForce, match=r"the first begins 2025-01-01"):
        density.density_in_force(pile, dt.date(2024, 12, 31))


def test_a_compacted_density_never_meets_a_stocked_volume(company, sand, pile):
    record = company.density(sand, "2.25", state="compacted", method="road base test")
    with pytest.raises(DensityStateMismatch) as refused:
        density.density_in_force(pile, OCT_1)
    assert f"density record {record.label} is “compacted” (road base test)" in refused.value.message
    assert "stocked density" in refused.value.remedy


def test_one_approval_is_not_enough_and_the_order_is_free(company, sand, pile):
    for first, second in ((company.lead_surveyor, company.manager), (company.manager, company.lead_surveyor)):
        record = company.proposed_density(sand, pile=pile)
        record = density.approve_density(record, first)
        assert record.status == "proposed"
        assert len(density.signatures_missing(record)) == 1
        with pytest.raises(NoDensityInForce):
            density.density_in_force(pile, JAN_1 - dt.timedelta(days=1))
        record = density.approve_density(record, second)
        assert record.status == "approved"
        assert record.approved_by == second
        assert density.signatures_missing(record) == ()
        assert {(a.role, a.by) for a in record.approvals.all()} == {
            ("lead_surveyor", company.lead_surveyor),
            ("manager", company.manager),
        }


def test_only_lead_surveyor_and_manager_approve(company, sand):
    record = company.proposed_density(sand)
    for role in set(Role) - {Role.LEAD_SURVEYOR, Role.MANAGER}:
        with pytest.raises(NotAllowed):
            density.approve_density(record, company.people[role])
    assert not record.approvals.exists()


def test_the_proposer_never_approves(company, sand):
    record = company.proposed_density(sand, by=company.manager)
    with pytest.raises(SamePerson, match="prepared by you"):
        density.approve_density(record, company.manager)


def test_one_person_with_both_roles_signs_once(company, sand):
    both = person("both", company.organization, Role.LEAD_SURVEYOR, Role.MANAGER)
    record = density.approve_density(company.proposed_density(sand), both)
    with pytest.raises(SamePerson, match="has your approval already"):
        density.approve_density(record, both)
    with pytest.raises(SamePerson, match="waits for a manager"):
        density.approve_density(record, company.lead_surveyor)
    assert density.approve_density(record, company.manager).status == "approved"


def test_a_person_of_another_organization_can_do_nothing(cast, sand):
    record = cast.a.proposed_density(sand)
    with pytest.raises(NotAllowed):
        density.approve_density(record, cast.outsider)
    with pytest.raises(NotAllowed):
        cast.a.proposed_density(sand, by=cast.outsider)


def test_an_approved_record_is_approved_once(company, sand):
    record = company.density(sand)
    other_lead = person("other-lead", company.organization, Role.LEAD_SURVEYOR)
    with pytest.raises(NotProposed, match="approved already"):
        density.approve_density(record, other_lead)


def test_a_proposal_can_be_withdrawn_with_a_reason_and_stays_on_record(company, sand):
    record = company.proposed_density(sand, "15.5")
    with pytest.raises(BadEntry, match="reason is empty"):
        density.withdraw_density(record, company.surveyor, " ")
    record = density.withdraw_density(record, company.surveyor, "decimal point lost")
    assert (record.status, record.withdrawn_reason) == ("withdrawn", "decimal point lost")
    with pytest.raises(NotProposed, match="withdrawn already"):
        density.approve_density(record, company.manager)


def test_only_who_proposed_or_may_approve_withdraws(company, sand):
    record = company.proposed_density(sand)
    other = person("second-surveyor", company.organization, Role.SURVEYOR)
    with pytest.raises(NotAllowed):
        density.withdraw_density(record, other, "not mine")
    assert density.withdraw_density(record, company.manager, "double").status == "withdrawn"


def test_a_record_from_the_same_day_replaces_the_earlier_one_as_a_whole(company, sand, pile):
    wrong = company.density(sand, "1.65")
    right = company.density(sand, "1.55", reason="typing error in the first")
    wrong.refresh_from_db()
    assert (wrong.status, wrong.valid_to) == ("superseded", None)
    assert density.density_in_force(pile, JAN_1) == right


def test_dates_that_would_leave_a_hole_or_cut_into_several_are_refused(company, sand):
    company.density(sand, "1.55", valid_to=OCT_1)
    company.density(sand, "1.49", valid_from=OCT_1)
    with pytest.raises(ValidityOverlap, match="cut into 2 records"):
        company.proposed_density(sand, valid_from=dt.date(2025, 6, 1))
    with pytest.raises(ValidityOverlap, match="no record would hold from 2025-12-01 on"):
        company.proposed_density(sand, valid_from=dt.date(2025, 11, 1), valid_to=dt.date(2025, 12, 1))


def test_room_is_checked_again_at_the_second_approval(company, sand):
    short = company.proposed_density(sand, valid_to=OCT_1)
    company.density(sand, "1.5")
    density.approve_density(short, company.lead_surveyor)
    with pytest.raises(ValidityOverlap):
        density.approve_density(short, company.manager)
    short.refresh_from_db()
    assert short.status == "proposed"
    assert [approval.role for approval in short.approvals.all()] == ["lead_surveyor"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"t_per_m3": "1600"}, "1600 kg/m³ is 1.6 t/m³"),
        ({"t_per_m3": "0"}, "t/m³"),
        ({"t_per_m3": "1.55555"}, "4 decimal places"),
        ({"t_per_m3": "heavy"}, "Enter a number"),
        ({"standard_uncertainty_percent": "0"}, "standard deviation"),
        ({"state": "fluffy"}, "stocked, truck, compacted, bank"),
        ({"grade": "E"}, "A, B, C, D"),
        ({"moisture_percent": "8"}, "dry, wet"),
        ({"moisture_percent": "-1", "moisture_percent_of": "dry"}, "Correct it"),
        ({"method": " "}, "Give the method"),
        ({"reason": ""}, "Give the reason"),
        ({"valid_to": JAN_1}, "end after the beginning"),
    ],
)
def test_impossible_entries_are_refused_with_a_remedy(company, sand, settings, words):
    with pytest.raises(BadEntry) as refused:
        company.proposed_density(sand, **settings)
    assert words in refused.value.remedy
    assert not sand.densities.exists()


def test_a_float_is_not_taken_for_a_density(company, sand):
    with pytest.raises(TypeError):
        company.proposed_density(sand, 1.6)


@pytest.mark.parametrize(("grade", "percent"), [("A", "1.5"), ("B", "3"), ("C", "5"), ("D", "7")])
def test_the_uncertainty_of_a_grade_is_taken_where_none_is_given(company, sand, grade, percent):
    record = company.proposed_density(sand, "1.6", grade=grade)
    assert record.standard_uncertainty_percent == Decimal(percent)
    assert record.standard_uncertainty_t_per_m3 == Decimal("1.6") * Decimal(percent) / 100


def test_scopes_that_make_no_sense(cast, sand, wharf, pile):
    company = cast.a
    with pytest.raises(BadEntry, match="not for both"):
        company.proposed_density(sand, site=wharf, pile=pile)
    with pytest.raises(BadEntry, match="Pile TUL-01 holds M5, not M6"):
        company.proposed_density(company.material("M6", "Coal"), pile=pile)
    with pytest.raises(AcrossOrganizations):
        company.proposed_density(sand, site=cast.b.site("OTH"))


def test_membership_of_both_is_needed_today(company, sand):
    record = density.approve_density(company.proposed_density(sand), company.lead_surveyor)
    Membership.objects.filter(user=company.manager).update(ends_on=dt.date(2025, 1, 1))
    with pytest.raises(NotAllowed):
        density.approve_density(record, company.manager)
