"""People through pages: seen by all, kept by administrators, invited by a link that works once."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory.models import AuditEvent, Membership, User
from tests.cast import Cast, Company
from tests.pages.test_pages import plain

pytestmark = pytest.mark.django_db

PASSWORD = "washed-and-screened-12"


def body(answer: Any) -> str:
    return answer.content.decode()


def link_of(browser: Client, person: User) -> str:
    page = body(browser.get(reverse("invitation-link", args=[person.pk])))
    plain(page)
    return re.search(r'value="http://testserver(/invitations/[^"]+)"', page)[1]


def test_everybody_sees_who_may_do_what_and_only_an_administrator_changes_it(
    company: Company, as_: Callable[[Any], Client]
) -> None:
    page = body(as_(company.surveyor).get(reverse("people")))
    plain(page)
    assert "lead-surveyor" in page
    assert "outsider" not in page
    assert "Give a role" not in page
    assert "Give a role" in body(as_(company.administrator).get(reverse("people")))
    manager = as_(company.manager)
    assert manager.get(reverse("invite")).status_code == 403
    for name in ("give-role", "end-role"):
        answer = manager.post(reverse(name, args=[company.surveyor.pk]), {"role": "surveyor"})
        assert answer.status_code == 403
    assert manager.get(reverse("invitation-link", args=[company.surveyor.pk])).status_code == 403
    assert Membership.objects.get(user=company.surveyor).ends_on is None


def test_from_an_invitation_to_the_first_sign_in(company: Company, as_: Callable[[Any], Client]) -> None:
    administrator = as_(company.administrator)
    given = {"username": "new.surveyor", "roles": ["surveyor", "lead_surveyor"]}
    answer = administrator.post(reverse("invite"), given)
    person = User.objects.get(username="new.surveyor")
    assert answer.url == reverse("invitation-link", args=[person.pk])
    link = link_of(administrator, person)
    assert "invited, no password yet" in body(administrator.get(reverse("people")))

    stranger = Client()
    page = stranger.get(link)
    plain(body(page))
    assert "no-store" in page.headers["Cache-Control"]
    differ = stranger.post(link, {"password": PASSWORD, "again": PASSWORD + "x"})
    assert (differ.status_code, "not the same" in body(differ)) == (422, True)
    weak = stranger.post(link, {"password": "12345", "again": "12345"})
    assert weak.status_code == 422
    assert not User.objects.get(pk=person.pk).has_usable_password()
    assert stranger.post(link, {"password": PASSWORD, "again": PASSWORD}).url == reverse("sign-in")
    signed = stranger.post(reverse("sign-in"), {"username": "new.surveyor", "password": PASSWORD})
    assert signed.status_code == 302
    assert stranger.get(reverse("people")).status_code == 200

    for again in (Client().get(link), Client().post(link, {"password": PASSWORD, "again": PASSWORD})):
        assert again.status_code == 404
        assert "opens nothing" in body(again)
    token = link.rstrip("/").rsplit("/", 1)[1]
    assert token not in str(list(AuditEvent.objects.values()))


@pytest.mark.parametrize("uid", ["MQ", "nonsense", "OTk5OTk5"])
def test_a_made_up_link_opens_nothing(company: Company, uid: str) -> None:
    answer = Client().get(reverse("accept-invitation", args=[uid, "abc-def"]))
    assert answer.status_code == 404


def test_roles_are_given_and_ended_and_an_auditor_needs_an_end(
    company: Company, as_: Callable[[Any], Client]
) -> None:
    administrator = as_(company.administrator)
    give = reverse("give-role", args=[company.manager.pk])
    refused = body(administrator.post(give, {"role": "auditor"}, follow=True))
    assert "An auditor&#x27;s access needs an end" in refused
    until = timezone.now().date() + dt.timedelta(days=30)
    administrator.post(give, {"role": "auditor", "ends_on": until.isoformat()})
    assert Membership.objects.get(user=company.manager, role="auditor").ends_on == until
    administrator.post(reverse("end-role", args=[company.manager.pk]), {"role": "auditor"})
    assert Membership.objects.get(user=company.manager, role="auditor").ends_on == timezone.now().date()
    own = reverse("end-role", args=[company.administrator.pk])
    kept = body(administrator.post(own, {"role": "administrator"}, follow=True))
    assert "last administrator" in kept
    assert "no such" not in body(administrator.post(give, {"role": "king"}, follow=True))
    assert not Membership.objects.filter(role="king").exists()


def test_somebody_whose_roles_all_ended_is_shown_apart(
    company: Company, as_: Callable[[Any], Client]
) -> None:
    as_(company.administrator).post(reverse("end-role", args=[company.manager.pk]), {"role": "manager"})
    page = body(as_(company.administrator).get(reverse("people")))
    assert "Were here before" in page


def test_people_of_another_organization_are_not_there(cast: Cast, as_: Callable[[Any], Client]) -> None:
    administrator = as_(cast.a.administrator)
    for name in ("give-role", "end-role"):
        answer = administrator.post(reverse(name, args=[cast.outsider.pk]), {"role": "surveyor"})
        assert answer.status_code == 404
    assert administrator.get(reverse("invitation-link", args=[cast.outsider.pk])).status_code == 404
    given = {"username": "twin", "roles": ["surveyor"]}
    administrator.post(reverse("invite"), given)
    other = as_(cast.outsider)
    twin = User.objects.get(username="twin")
    assert other.get(reverse("invitation-link", args=[twin.pk])).status_code == 404
    assert "twin" not in body(other.get(reverse("people")))


def test_the_page_asks_the_database_no_more_for_more_people(
    company: Company, as_: Callable[[Any], Client], django_assert_num_queries: Any
) -> None:
    browser = as_(company.administrator)
    browser.get(reverse("people"))
    with CaptureQueriesContext(connection) as few:
        browser.get(reverse("people"))
    wanted = len(few)
    for k in range(8):
        browser.post(reverse("invite"), {"username": f"crew{k}", "roles": ["surveyor"]})
    with django_assert_num_queries(wanted):
        browser.get(reverse("people"))
