"""Every page answers every role as it should, without style or script, in a constant number of queries."""

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

from inventory.models import Role, User
from surveys import intake, measuring
from surveys.models import Measurement
from tests.cast import PASSWORD, Cast, person, square
from tests.surveys.scene import DAY, Yard, heap, work

pytestmark = pytest.mark.django_db

SEEN_BY_ALL = ("stock", "site", "surveys", "pile", "survey", "measurement", "materials", "material", "sites")
ONLY_FOR = {
    "new-site": {"lead_surveyor", "manager"},
    "site-settings": {"lead_surveyor", "manager"},
    "new-control-point": {"surveyor", "lead_surveyor"},
    "new-survey": {"surveyor", "lead_surveyor"},
    "new-pile": {"lead_surveyor", "manager"},
    "pile-outline": {"lead_surveyor", "manager"},
    "close-pile": {"lead_surveyor", "manager"},
    "pile-hazards": {"surveyor", "lead_surveyor", "manager", "accountant"},
    "pile-dangers": {"surveyor", "lead_surveyor", "manager", "accountant"},
    "propose-limit": {"surveyor", "lead_surveyor", "manager"},
    "propose-base": {"surveyor", "lead_surveyor"},
    "new-material": {"lead_surveyor", "manager"},
    "propose-density": {"surveyor", "lead_surveyor", "manager"},
    "file-columns": {"surveyor", "lead_surveyor"},
}


def addresses(yard: Yard, measurement: Measurement) -> dict[str, str]:
    site, pile, material = yard.site.code, yard.pile.code, yard.pile.material.code
    survey = measurement.survey
    arguments: list[tuple[str, list[Any]]] = [
        ("stock outlook alerts limits sites materials new-site new-material sample-file", []),
        ("site surveys site-settings new-control-point new-survey new-pile propose-limit letters", [site]),
        ("pile pile-outline close-pile pile-hazards pile-dangers propose-base pile-change", [site, pile]),
        ("material propose-density", [material]),
        ("survey survey-results", [survey.pk]),
        ("measurement section surfaces", [measurement.pk]),
        ("file-columns", [survey.pk, survey.files.first().pk]),
    ]
    return {name: reverse(name, args=given) for names, given in arguments for name in names.split()}


@pytest.fixture
def places(yard: Yard, bells: list[int]) -> dict[str, str]:
    yard.approved(day=DAY - dt.timedelta(days=31))
    return addresses(yard, yard.approved(heap(6.0)))


def plain(body: str) -> None:
    """Nothing that a strict content security policy would have to allow."""
    assert not re.search(r"<style", body)
    assert not re.search(r"<[^>]+\sstyle=", body)
    assert not re.search(r"<[^>]+\son[a-z]+=", body)
    for attributes in re.findall(r"<script([^>]*)>", body):
        assert "src=" in attributes or 'type="application/json"' in attributes
    assert "javascript:" not in body
    assert "hx-on" not in body


@pytest.mark.parametrize("role", list(Role))
def test_each_role_sees_the_stock_and_only_its_own_forms(
    role: str, places: dict[str, str], yard: Yard, as_: Callable[[Any], Client]
) -> None:
    browser = as_(yard.company.people[role])
    for name in SEEN_BY_ALL:
        answer = browser.get(places[name])
        assert answer.status_code == 200, name
        plain(answer.content.decode())
        assert "Content-Security-Policy" in answer.headers
    for name, roles in ONLY_FOR.items():
        answer = browser.get(places[name])
        assert answer.status_code == (200 if role in roles else 403), name
        plain(answer.content.decode())
        if role not in roles:
            assert "is for" in answer.content.decode()


def test_nobody_signed_in_is_sent_to_sign_in(places: dict[str, str]) -> None:
    for name, place in places.items():
        answer = Client().get(place)
        assert (answer.status_code, answer.url) == (302, f"/sign-in/?next={place}"), name


def test_an_outsider_finds_nothing_of_another_organization(
    places: dict[str, str], cast: Cast, as_: Callable[[Any], Client]
) -> None:
    browser = as_(cast.outsider)
    ours = {"stock", "outlook", "alerts", "limits", "sites", "materials", "new-site", "new-material"}
    ours.add("sample-file")
    for name, place in places.items():
        assert browser.get(place).status_code == (200 if name in ours else 404), name


def test_posts_of_an_outsider_are_404_and_of_a_wrong_role_403(
    yard: Yard, cast: Cast, as_: Callable[[Any], Client]
) -> None:
    measurement = yard.computed()
    survey = measurement.survey
    posts = [
        reverse("add-files", args=[survey.pk]),
        reverse("measure", args=[survey.pk]),
        reverse("step-all", args=[survey.pk, "approve"]),
        reverse("measurement-step", args=[measurement.pk, "withdraw"]),
        reverse("accept-finding", args=[measurement.pk]),
        reverse("measure-again", args=[measurement.pk]),
        reverse("recompute", args=[measurement.pk]),
        reverse("set-file-aside", args=[survey.pk, survey.files.first().pk]),
        reverse("base-step", args=[yard.site.code, yard.pile.code, 1, "approve"]),
    ]
    outsider, accountant = as_(cast.outsider), as_(yard.company.accountant)
    for place in posts:
        assert outsider.post(place, {"reason": "no"}).status_code == 404, place
        if "/files/" in place and "aside" not in place:
            continue
        assert accountant.post(place, {"reason": "no"}).status_code == 403, place
    measurement.refresh_from_db()
    assert measurement.state == "computed"


def test_a_form_without_its_token_is_refused(yard: Yard) -> None:
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(yard.surveyor)
    assert (
        browser.post(reverse("new-survey", args=[yard.site.code]), {"date": "2025-01-01"}).status_code == 403
    )


def queries(browser: Client, place: str) -> int:
    browser.get(place)
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert browser.get(place).status_code == 200
    return len(seen)


def test_query_counts_do_not_grow_with_piles_and_history(yard: Yard, as_: Callable[[Any], Client]) -> None:
    first = yard.approved(day=DAY - dt.timedelta(days=60))
    yard.approved(day=DAY - dt.timedelta(days=30))
    yard.company.density(yard.pile.material, "1.65", valid_from=dt.date(2025, 6, 28))
    browser = as_(yard.lead)
    places = addresses(yard, first)
    watched = ("stock", "site", "pile", "survey", "measurement", "material", "surveys", "materials")
    before = {name: queries(browser, places[name]) for name in watched}
    company, material = yard.company, yard.pile.material
    for number in range(3, 7):
        pile = company.pile(yard.site, material, outline=square(60.0 * number, 60))
        company.base(pile)
    for days in (20, 10, 0):
        yard.approved(heap(4 + days / 10), day=DAY - dt.timedelta(days=days))
    company.density(material, "1.7", valid_from=dt.date(2025, 6, 29))
    after = {name: queries(browser, places[name]) for name in watched}
    assert {name: n for name, n in after.items() if n > before[name]} == {}
    assert max(before.values()) < 40


def test_results_of_a_survey_cost_the_same_for_two_piles_as_for_one(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    browser = as_(yard.surveyor)
    measuring.measure_survey(survey, yard.surveyor)
    work(survey.measurements.get())
    place = reverse("survey-results", args=[survey.pk])
    one = queries(browser, place)
    intake.receive_file(survey, "second.csv", heap(7.0, east_m=60.0), yard.surveyor, yard.neighbour)
    measuring.measure_survey(survey, yard.surveyor)
    for waiting in survey.measurements.filter(job_state="waiting"):
        work(waiting)
    assert queries(browser, place) == one


def test_signing_in_and_out() -> None:
    browser = Client()
    page = browser.get("/sign-in/")
    assert page.status_code == 200
    plain(page.content.decode())
    wrong = browser.post("/sign-in/", {"username": "nobody", "password": "nothing"})
    assert "do not go together" in wrong.content.decode()


def test_sign_in_leads_to_where_one_wanted_to_go(yard: Yard) -> None:
    browser = Client()
    wanted = reverse("site", args=[yard.site.code])
    given = {"username": yard.surveyor.username, "password": PASSWORD, "next": wanted}
    assert browser.post("/sign-in/", given).url == wanted
    assert browser.post("/sign-out/").url == "/sign-in/"
    assert browser.get(wanted).status_code == 302


def test_a_member_of_two_organizations_chooses(yard: Yard, cast: Cast, as_: Callable[[Any], Client]) -> None:
    both = person("both-sides", cast.a.organization, Role.SURVEYOR)
    cast.b.organization.memberships.create(user=both, role=Role.MANAGER)
    browser = as_(both)
    first = browser.get("/").content.decode()
    assert '<select id="organization"' in first
    browser.post(reverse("choose-organization"), {"organization": cast.b.organization.slug})
    assert browser.get(reverse("site", args=[yard.site.code])).status_code == 404
    browser.post(reverse("choose-organization"), {"organization": "not-theirs"})
    assert browser.session["organization"] == cast.b.organization.slug
    measurement = yard.approved()
    there = browser.get(reverse("measurement", args=[measurement.pk]))
    assert there.status_code == 200
    assert cast.a.organization.name in there.content.decode()


def test_a_person_without_a_role_is_told_so(as_: Callable[[Any], Client], cast: Cast) -> None:
    answer = as_(User.objects.create_user("nobody-yet", password=PASSWORD)).get("/")
    assert answer.status_code == 403
    assert "You belong to no organization" in answer.content.decode()


def test_a_page_that_is_not_there(yard: Yard, as_: Callable[[Any], Client]) -> None:
    answer = as_(yard.surveyor).get("/sites/NONE/")
    assert answer.status_code == 404
    assert "There is nothing here" in answer.content.decode()
    plain(answer.content.decode())
