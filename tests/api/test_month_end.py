"""A month from open to locked by the API alone, and what each role sees of its money."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory.models import Period
from tests.api.calling import assert_problem, signed_in
from tests.inventory.month_book import MonthBook

pytestmark = pytest.mark.django_db
LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    book = MonthBook(company)
    book.move(book.piles[0], "sale", 27, dt.date(2025, 1, 9))
    book.count_all(LAST, 1300, 1000)
    return book


@pytest.fixture
def callers(book):
    return {role: signed_in(user) for role, user in book.company.people.items()}


def opened(book, callers):
    period = callers["accountant"].send(f"sites/{book.site.pk}/periods/", {"day": "2025-01-15"})
    assert period.status_code == 201
    return f"periods/{period.json()['id']}/"


def test_a_month_is_closed_by_programs_of_three_people(book, callers):
    address = opened(book, callers)
    pile = book.piles[0]
    assert callers["manager"].send(f"{address}count/").json()["state"] == "counting"
    sheet = callers["accountant"].ask(f"{address}sheet/").json()
    assert sheet["is_kept"] is False
    (line, _) = sheet["lines"]
    assert Decimal(line["variance_t"]) == Decimal(line["measured_closing_t"]) - Decimal(
        line["book_closing_t"]
    )
    assert (line["opening_t"], line["sales_t"], line["variance_t"]) == ("1000.000", "27.000", "327.000")
    assert line["gate"] == "post"
    assert sheet["total"]["book_closing_t"] == "1973.000"
    assert [group["key"] for group in sheet["by_owner"]] == [None]

    assert callers["accountant"].send(f"{address}reconcile/").json()["state"] == "reconciled"
    tasks = callers["manager"].ask(f"{address}tasks/").json()
    assert tasks["step"] == "approve"
    assert [task["code"] for task in tasks["tasks"]] == ["unexplained"]
    problem = assert_problem(callers["manager"].send(f"{address}approve/"), 409, "period-blocked")
    assert [each["field"] for each in problem["problems"]] == ["unexplained"]

    said = {"pile": pile.pk, "cause_code": "other", "text": "a neighbour's lorries tipped here"}
    assert callers["surveyor"].send(f"{address}explanations/", said).status_code == 201
    assert_problem(callers["accountant"].send(f"{address}approve/"), 403, "not-allowed")
    given = {
        "pile": pile.pk,
        "tonnes": "327.000",
        "nature": "estimate",
        "reason_code": "set-to-measured",
        "reason": "set to what was measured",
        "count": pile.counts.get().pk,
    }
    adjustment = callers["accountant"].send(f"{address}adjustments/", given).json()
    assert adjustment["amount"] == "1635.00"
    own = f"adjustments/{adjustment['id']}/"
    assert_problem(callers["accountant"].send(f"{own}approve/"), 403, "not-allowed")
    assert callers["controller"].send(f"{own}approve/").json()["state"] == "approved"
    assert callers["accountant"].send(f"{own}post/").json()["state"] == "posted"
    assert callers["manager"].send(f"{address}approve/").json()["state"] == "approved"
    assert callers["controller"].send(f"{address}lock/").json()["state"] == "locked"
    kept = callers["auditor"].ask(f"{address}sheet/").json()
    assert kept["is_kept"]
    assert kept["lines"][0]["adjustment_t"] == "327.000"
    steps = callers["auditor"].ask(f"{address}steps/").json()["results"]
    assert [step["to_state"] for step in steps] == ["locked", "approved", "reconciled", "counting", "open"]
    assert_problem(callers["manager"].send(f"{address}count/"), 409, "period-state")


def test_the_same_step_twice_under_one_key_is_one_step(book, callers):
    address = opened(book, callers)
    for _ in range(2):
        assert callers["manager"].send(f"{address}count/", key="k-1").json()["state"] == "counting"
    assert Period.objects.get().steps.filter(to_state="counting").count() == 1


@pytest.mark.parametrize(("role", "sees"), [("surveyor", False), ("auditor", True), ("accountant", True)])
def test_costs_are_for_those_who_see_money(book, callers, role, sees):
    address = opened(book, callers)
    period = Period.objects.get()
    adjustment = book.propose(period, book.piles[0], 300)
    shown = callers[role].ask(f"adjustments/{adjustment.pk}/").json()
    assert (shown["amount"] == "1500.00") is sees
    assert (shown["unit_cost"] is not None) is sees
    line = callers[role].ask(f"{address}sheet/").json()["lines"][0]
    assert ("money" in line["gates"]) is sees


def test_a_restatement_takes_two_roles_and_leaves_a_bridge(book, callers):
    address = opened(book, callers)
    period = Period.objects.get()
    book.explain(period, book.piles[0])
    book.close(period)
    asked = callers["lead_surveyor"].send(f"{address}restatements/", {"reason": "the pole was short"})
    assert asked.status_code == 201
    own = f"restatements/{asked.json()['id']}/"
    assert callers["controller"].send(f"{own}agree/").json()["agreed_role"] == "controller"
    book.move(book.piles[0], "sale", 3, LAST)
    assert callers["accountant"].send(f"{own}reconcile/").status_code == 200
    ended = callers["controller"].send(f"{own}end/").json()
    assert ended["bridge"]["effect_t"] == "-3.000"
    assert callers["surveyor"].ask(own).json()["bridge"] is None


def test_thresholds_are_set_by_a_controller(book, callers):
    given = {"thresholds": {"materiality": "5000"}, "valid_from": "2025-01-01", "reason": "board"}
    assert_problem(callers["accountant"].send("policies/", given), 403, "not-allowed")
    assert callers["controller"].send("policies/", {**given, "site": book.site.pk}).status_code == 201
    wrong = {**given, "thresholds": {"no_such": 1}}
    assert_problem(callers["controller"].send("policies/", wrong), 422, "bad-entry")
    (shown,) = callers["auditor"].ask("policies/").json()["results"]
    assert shown["thresholds"] == {"materiality": "5000"}


def test_the_trail_is_read_by_those_who_may_until_their_day(book, callers):
    events = callers["auditor"].ask("audit-events/", verb="record_opening").json()["results"]
    assert len(events) == 2
    assert all(len(event["sha256"]) == 64 for event in events)
    subject = events[0]["subject"]
    assert callers["controller"].ask("audit-events/", subject=subject).json()["results"]
    assert_problem(callers["surveyor"].ask("audit-events/"), 403, "not-allowed")
    book.company.auditor.memberships.update(ends_on=dt.date(2025, 1, 1))
    assert callers["auditor"].ask("audit-events/").json()["results"] == []
