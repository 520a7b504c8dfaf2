"""Organizations, invitations and roles; the first start of a production installation."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from inventory import people
from inventory.errors import BadEntry, InvitationNotValid, LastAdministrator, NameTaken, NotAllowed
from inventory.management.commands.new_organization import PASSWORD_VARIABLE
from inventory.models import Membership, Organization, Role, User
from inventory.rights import can, roles_of
from tests.cast import PASSWORD, person


def test_an_invited_person_sets_a_password_once(company):
    invitation = people.invite_person(
        company.organization, "new-surveyor", ["surveyor"], by=company.administrator, email="s@example.org"
    )
    assert not invitation.user.has_usable_password()
    user = people.accept_invitation(invitation.uid, invitation.token, PASSWORD)
    assert user.check_password(PASSWORD)
    assert roles_of(user, company.organization) == {"surveyor"}
    with pytest.raises(InvitationNotValid):
        people.accept_invitation(invitation.uid, invitation.token, "another-long-word-7")
    assert User.objects.get(pk=user.pk).check_password(PASSWORD)


def test_a_link_that_was_changed_opens_nothing(cast):
    company = cast.a
    first, second = (
        people.invite_person(company.organization, name, ["manager"], by=company.administrator)
        for name in "pq"
    )
    members = people._invitation(company.manager)
    for uid, token in (
        (first.uid, second.token),
        (first.uid, first.token[:-1]),
        ("", first.token),
        ("%%", first.token),
        ("OTk5OTk5", first.token),
        (members.uid, members.token),  # who has a password was never invited
    ):
        with pytest.raises(InvitationNotValid):
            people.accept_invitation(uid, token, PASSWORD)


def test_a_weak_password_is_refused_and_the_invitation_stays_good(company):
    invitation = people.invite_person(company.organization, "p", ["manager"], by=company.administrator)
    with pytest.raises(BadEntry, match="too short"):
        people.accept_invitation(invitation.uid, invitation.token, "short")
    people.accept_invitation(invitation.uid, invitation.token, PASSWORD)


def test_a_name_exists_once_whatever_its_case(cast):
    with pytest.raises(NameTaken):
        people.invite_person(cast.a.organization, "OUTSIDER", ["manager"], by=cast.a.administrator)


@pytest.mark.parametrize(
    ("username", "roles", "words"),
    [
        ("", ["manager"], "empty"),
        ("a b/c", ["manager"], "valid"),
        ("p", [], "without a role"),
        ("p", ["king"], "king"),
    ],
)
def test_impossible_invitations_leave_nobody_behind(company, username, roles, words):
    before = User.objects.count()
    with pytest.raises(BadEntry, match=words):
        people.invite_person(company.organization, username, roles, by=company.administrator)
    assert User.objects.count() == before


def test_an_auditor_s_access_has_an_end(company):
    given = {"by": company.administrator}
    with pytest.raises(BadEntry, match="needs an end"):
        people.give_role(company.accountant, company.organization, Role.AUDITOR, **given)
    ends_on = timezone.now().date() + dt.timedelta(days=1)
    people.give_role(company.accountant, company.organization, Role.AUDITOR, ends_on=ends_on, **given)
    assert can(company.accountant, company.organization, "recompute")


def test_a_role_is_given_ended_and_given_again(company):
    given = {"by": company.administrator}
    people.give_role(company.surveyor, company.organization, Role.LEAD_SURVEYOR, **given)
    people.end_role(company.surveyor, company.organization, Role.LEAD_SURVEYOR, **given)
    assert roles_of(company.surveyor, company.organization) == {"surveyor"}
    with pytest.raises(BadEntry, match="does not have this role"):
        people.end_role(company.surveyor, company.organization, Role.LEAD_SURVEYOR, **given)
    people.give_role(company.surveyor, company.organization, Role.LEAD_SURVEYOR, **given)
    assert roles_of(company.surveyor, company.organization) == {"surveyor", "lead_surveyor"}
    assert Membership.objects.filter(user=company.surveyor).count() == 2


def test_the_last_administrator_stays(company):
    given = {"by": company.administrator}
    with pytest.raises(LastAdministrator):
        people.end_role(company.administrator, company.organization, Role.ADMINISTRATOR, **given)
    off = person("switched-off", company.organization, Role.ADMINISTRATOR)
    User.objects.filter(pk=off.pk).update(is_active=False)
    with pytest.raises(LastAdministrator):
        people.end_role(company.administrator, company.organization, Role.ADMINISTRATOR, **given)
    people.give_role(company.manager, company.organization, Role.ADMINISTRATOR, **given)
    people.end_role(company.administrator, company.organization, Role.ADMINISTRATOR, **given)
    assert not can(company.administrator, company.organization, "keep_people")


def test_only_an_administrator_of_the_organization_keeps_people(cast):
    company = cast.a
    for user in [*(company.people[role] for role in set(Role) - {Role.ADMINISTRATOR}), cast.outsider]:
        with pytest.raises(NotAllowed):
            people.invite_person(company.organization, "p", ["manager"], by=user)
        with pytest.raises(NotAllowed):
            people.give_role(company.surveyor, company.organization, Role.MANAGER, by=user)
        with pytest.raises(NotAllowed):
            people.end_role(company.surveyor, company.organization, Role.SURVEYOR, by=user)


def test_an_outsider_is_not_given_a_role_unasked(cast):
    with pytest.raises(BadEntry, match="does not belong"):
        people.give_role(cast.outsider, cast.a.organization, Role.MANAGER, by=cast.a.administrator)


def test_the_first_start(db, monkeypatch):
    monkeypatch.setenv(PASSWORD_VARIABLE, PASSWORD)
    output = io.StringIO()
    call_command("new_organization", "Cobblestrand Stone", "--admin", "keeper", stdout=output)
    organization = Organization.objects.get(slug="cobblestrand-stone")
    keeper = User.objects.get(username="keeper")
    assert keeper.check_password(PASSWORD)
    assert (keeper.is_superuser, keeper.is_staff) == (False, False)
    assert roles_of(keeper, organization) == {"administrator"}
    assert "cobblestrand-stone" in output.getvalue()
    assert PASSWORD not in output.getvalue()


def test_the_first_start_asks_twice_for_a_password(db, monkeypatch):
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    answers = iter([PASSWORD, "something-else-12", PASSWORD, PASSWORD])
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(answers))
    with pytest.raises(CommandError, match="differ"):
        call_command("new_organization", "Cobblestrand Stone", "--admin", "keeper", stdout=io.StringIO())
    assert not Organization.objects.exists()
    call_command("new_organization", "Cobblestrand Stone", "--admin", "keeper", stdout=io.StringIO())
    assert Organization.objects.get().memberships.get().user.check_password(PASSWORD)


@pytest.mark.parametrize(
    ("name", "admin", "password", "words"),
    [
        ("Ashmarl Aggregates", "keeper", PASSWORD, "exists already"),
        ("Cobblestrand", "manager", PASSWORD, "is taken"),
        ("Cobblestrand", "keeper", "short", "too short"),
        ("…", "keeper", PASSWORD, "Latin letters"),
    ],
)
def test_a_first_start_that_fails_leaves_nothing(company, monkeypatch, name, admin, password, words):
    monkeypatch.setenv(PASSWORD_VARIABLE, password)
    before = (Organization.objects.count(), User.objects.count())
    with pytest.raises(CommandError, match=words):
        call_command("new_organization", name, "--admin", admin, stdout=io.StringIO())
    assert (Organization.objects.count(), User.objects.count()) == before
