"""The table of rights, against the duties as the trade divides them (common practice, no source)."""

from __future__ import annotations

import datetime as dt

import pytest
from django.contrib.auth.models import AnonymousUser
from django.test import RequestFactory
from django.utils import timezone

from inventory import rights
from inventory.errors import NotAllowed, SamePerson
from inventory.models import Membership, Organization, Role

PREPARES = {
    "upload_survey",
    "reduce_book",
    "compute_measurement",
    "submit_measurement",
    "withdraw_measurement",
}
DECIDES = {
    "accept_reduction",
    "review_measurement",
    "approve_measurement",
    "send_back_measurement",
    "accept_finding",
}
PROPOSES = {"propose_density", "propose_base", "propose_control"}
KEEPS = {"keep_sites", "keep_materials", "keep_piles"}
BOOKS = {"record_movement", "import_movements", "propose_adjustment"}
LEDGER = {
    "ask_restatement",
    "explain_variance",
    "export_period",
    "keep_accounts",
    "post_adjustment",
    "post_journal",
    "see_audit_trail",
    "see_money",
}
ALERTED = {"own_alert", "accept_alert"}
MAY = {
    "surveyor": {"see", "export_stock", "recompute", "explain_variance"}
    | {"record_hazards", "own_alert", "propose_limit"}
    | PREPARES
    | PROPOSES,
    "lead_surveyor": {
        "see",
        "export_stock",
        "recompute",
        "approve_density",
        "approve_base",
        "approve_control",
    }
    | PREPARES
    | DECIDES
    | PROPOSES
    | KEEPS
    | {"explain_variance", "ask_restatement", "verify"}
    | {"record_hazards", "propose_limit", "approve_limit"}
    | ALERTED,
    "manager": {"see", "export_stock", "propose_density", "approve_density", "record_hazards"}
    | KEEPS
    | BOOKS
    | {
        "keep_scales",
        "explain_variance",
        "approve_period",
        "agree_restatement",
        "see_money",
        "see_audit_trail",
        "export_period",
        "propose_limit",
        "approve_limit",
    }
    | ALERTED,
    "accountant": {"see", "export_stock", "record_hazards", "reconcile_period", "propose_value"}
    | BOOKS
    | ALERTED
    | LEDGER,
    "controller": {"see", "export_stock", "lock_period", "agree_restatement", "approve_adjustment"}
    | {"approve_value", "set_policy", "verify", "take_evidence"}
    | ALERTED
    | LEDGER,
    "auditor": {"see", "export_stock", "recompute", "see_money", "export_period"}
    | {"verify", "take_evidence", "see_audit_trail"},
    "administrator": {"see", "keep_people", "verify"},
}


@pytest.mark.parametrize("role", Role.values)
def test_each_role_may_do_exactly_its_duties(company, role):
    may = {
        action for action in rights.ACTIONS if rights.can(company.people[role], company.organization, action)
    }
    assert may == MAY[role]


def test_an_outsider_with_every_role_elsewhere_may_do_nothing_here(cast):
    for action in rights.ACTIONS:
        assert rights.can(cast.outsider, cast.b.organization, action)
        assert not rights.can(cast.outsider, cast.a.organization, action)
        with pytest.raises(NotAllowed):
            rights.require(cast.outsider, cast.a.organization, action)


def test_an_action_that_does_not_exist_is_a_fault_of_the_code(company):
    with pytest.raises(KeyError):
        rights.can(company.manager, company.organization, "approve_everything")
    with pytest.raises(KeyError):
        rights.require(company.manager, company.organization, "approve_everything")


def test_a_refusal_says_what_why_and_what_to_do(company):
    with pytest.raises(NotAllowed) as refused:
        rights.require(company.surveyor, company.organization, "approve_density")
    assert refused.value.message == (
        "Approving a density is for lead surveyor or manager; your role here is surveyor. "
        "Nothing was changed."
    )
    assert "administrator" in refused.value.remedy


def test_a_refusal_to_somebody_without_a_role(cast):
    with pytest.raises(NotAllowed, match="you have no role here"):
        rights.require(cast.outsider, cast.a.organization, "see")


def test_a_role_ends_on_its_day(company):
    membership = Membership.objects.get(user=company.lead_surveyor)
    membership.ends_on = timezone.now().date()
    membership.save()
    assert not rights.can(company.lead_surveyor, company.organization, "approve_base")
    membership.ends_on += dt.timedelta(days=1)
    membership.save()
    assert rights.can(company.lead_surveyor, company.organization, "approve_base")


def test_who_prepared_does_not_approve(company):
    rights.require_other_person(company.surveyor, company.lead_surveyor, "DRV-01 base v1")
    with pytest.raises(SamePerson, match="DRV-01 base v1 was prepared by you"):
        rights.require_other_person(company.surveyor, company.surveyor, "DRV-01 base v1")


def test_every_action_is_put_in_words():
    assert set(rights._IN_WORDS) == set(rights.ACTIONS)


@pytest.fixture
def request_of():
    def make(user, **session):
        request = RequestFactory().get("/")
        request.user = user
        request.session = session
        return request

    return make


def test_the_standing_of_a_request_is_found_once(company, request_of, django_assert_num_queries):
    request = request_of(company.lead_surveyor)
    with django_assert_num_queries(1):
        standing = rights.membership_of(request)
        assert rights.membership_of(request) is standing
    assert standing.organization == company.organization
    assert standing.roles == {"lead_surveyor"}
    assert standing.can("approve_base")
    standing.require("approve_base")
    with pytest.raises(NotAllowed):
        standing.require("keep_people")


def test_the_standing_follows_who_is_signed_in(cast, request_of):
    request = request_of(cast.a.manager)
    rights.membership_of(request)
    request.user = cast.outsider
    assert rights.membership_of(request).organization == cast.b.organization


def test_a_person_of_two_organizations_chooses(company, request_of):
    other = Organization.objects.create(name="Zill Wharf", slug="zill-wharf")
    Membership.objects.create(user=company.manager, organization=other, role=Role.SURVEYOR)
    assert rights.membership_of(request_of(company.manager)).organization == company.organization
    chosen = rights.membership_of(request_of(company.manager, organization="zill-wharf"))
    assert (chosen.organization, chosen.roles) == (other, {"surveyor"})
    assert rights.membership_of(request_of(company.manager), "zill-wharf").organization == other


def test_no_standing_in_an_organization_of_others(cast, request_of):
    assert rights.membership_of(request_of(cast.a.manager), cast.b.organization.slug) is None
    assert rights.membership_of(request_of(AnonymousUser())) is None
