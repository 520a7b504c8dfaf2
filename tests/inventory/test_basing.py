"""Base versions: numbered, approved by another person, one in force on each day."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory import basing
from inventory.errors import BadEntry, BaseNotInForce, NoBaseInForce, NotAllowed, NotProposed, SamePerson
from inventory.models import Role
from tests.cast import person

SEP_5 = dt.date(2025, 9, 5)
GROUND = {"kind": "surface", "evidence_sha256": "ab" * 32, "evidence_name": "pad_v1.csv"}


@pytest.fixture
def pile(company):
    return company.pile(company.site("TUL"), company.material("M6", "Steam coal"), "TUL-03")


def test_a_regraded_pad_is_in_force_from_its_day(company, pile):
    first = company.base(pile, **GROUND)
    second = company.base(
        pile, **{**GROUND, "evidence_sha256": "cd" * 32}, valid_from=SEP_5, reason="regrade, +0.15 m"
    )
    assert (first.version, second.version) == (1, 2)
    assert basing.base_in_force(pile, SEP_5 - dt.timedelta(days=1)) == first
    assert basing.base_in_force(pile, SEP_5) == second
    assert second.supersedes == first


def test_a_base_of_another_day_is_refused_and_the_right_one_named(company, pile):
    first = company.base(pile)
    company.base(pile, valid_from=SEP_5, reason="regrade, +0.15 m")
    first.refresh_from_db()
    basing.require_base_in_force(first, SEP_5 - dt.timedelta(days=1))
    with pytest.raises(BaseNotInForce) as refused:
        basing.require_base_in_force(first, dt.date(2025, 9, 27))
    assert refused.value.message.startswith(
        "Base “TUL-03 base v1” is valid from 2025-01-01 to 2025-09-04; the survey is of 2025-09-27. "
        "“TUL-03 base v2” (regrade, +0.15 m) is in force."
    )
    assert refused.value.remedy == "Switch to TUL-03 base v2."


def test_a_base_replaced_as_a_whole_is_refused_on_every_day(company, pile):
    first = company.base(pile)
    company.base(pile, reason="levelled again")
    first.refresh_from_db()
    with pytest.raises(BaseNotInForce, match="is superseded"):
        basing.require_base_in_force(first, SEP_5)


def test_no_base_in_force_says_what_there_is(company, pile):
    with pytest.raises(NoBaseInForce, match="no base of this pile was ever approved"):
        basing.base_in_force(pile, SEP_5)
    proposed = company.proposed_base(pile, valid_to=SEP_5)
    with pytest.raises(NoBaseInForce) as refused:
        basing.base_in_force(pile, SEP_5 - dt.timedelta(days=1))
    assert "“TUL-03 base v1”, proposed from 2025-01-01, waits for approval" in refused.value.remedy
    basing.approve_base(proposed, company.lead_surveyor)
    with pytest.raises(NoBaseInForce, match="“TUL-03 base v1” is valid from 2025-01-01 to 2025-09-04"):
        basing.base_in_force(pile, SEP_5)


def test_the_preparer_does_not_approve_and_only_a_lead_surveyor_does(company, pile):
    base = company.proposed_base(pile, by=company.lead_surveyor)
    with pytest.raises(SamePerson):
        basing.approve_base(base, company.lead_surveyor)
    for role in set(Role) - {Role.LEAD_SURVEYOR}:
        with pytest.raises(NotAllowed):
            basing.approve_base(base, company.people[role])
    second = person("second-lead", company.organization, Role.LEAD_SURVEYOR)
    base = basing.approve_base(base, second)
    assert (base.status, base.approved_by) == ("approved", second)
    with pytest.raises(NotProposed):
        basing.approve_base(base, second)


def test_an_outsider_neither_proposes_nor_approves(cast, pile):
    base = cast.a.proposed_base(pile)
    with pytest.raises(NotAllowed):
        basing.approve_base(base, cast.outsider)
    with pytest.raises(NotAllowed):
        cast.a.proposed_base(pile, by=cast.outsider)


def test_a_proposal_is_withdrawn_and_its_number_is_not_given_again(company, pile):
    base = basing.withdraw_base(company.proposed_base(pile), company.surveyor, "wrong file")
    assert (base.status, base.withdrawn_reason) == ("withdrawn", "wrong file")
    assert company.proposed_base(pile).version == 2


def test_a_level_is_kept_to_the_digit(company, pile):
    base = company.base(pile, kind="level", level_m="10.2005")
    base.refresh_from_db()
    assert base.level_m == Decimal("10.2005")


@pytest.mark.parametrize(
    "settings",
    [
        {"kind": "guess"},
        {"kind": "level"},
        {"kind": "toe", "level_m": "3"},
        {"kind": "surface"},
        {"kind": "surface", "evidence_sha256": "ab"},
        {"kind": "surface", "evidence_sha256": "AB" * 32},
        {"kind": "toe", "evidence_sha256": "ab" * 32},
        {"height_uncertainty_m": "-0.01"},
        {"reason": "  "},
        {"valid_to": dt.date(2025, 1, 1)},
    ],
)
def test_impossible_bases_are_refused(company, pile, settings):
    with pytest.raises(BadEntry) as refused:
        company.proposed_base(pile, **settings)
    assert refused.value.remedy
    assert not pile.bases.exists()
