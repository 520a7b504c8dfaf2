"""The pages of month end as people open them, by role."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from inventory import closing, movements, periods
from inventory.models import Adjustment, AuditEvent, Explanation, Period
from tests.cast import cast, company
from tests.inventory.month_book import MonthBook, at

__all__ = ["cast", "company"]

LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    book = MonthBook(company)
    book.move(book.piles[0], "sale", "27.5", dt.date(2025, 1, 9))
    book.count_all(LAST, 1300, 1000)
    return book


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def page_of(book, user, day=LAST, name="month"):
    period = book.period(day)
    return signed_in(user).get(reverse(name, args=[book.site.code, period.name]))


def state(book):
    return Period.objects.get(site=book.site, name="2025-01").state


@pytest.mark.parametrize("role", ["surveyor", "manager", "accountant", "controller", "auditor"])
def test_every_role_reads_the_sheet_and_only_some_see_money(book, role):
    period = book.period()
    book.propose(period, book.piles[0], 300)
    words = page_of(book, book.company.people[role]).content.decode()
    assert "Do the books agree?" in words
    assert "+327.5" in words
    assert "27.5" in words
    assert ("1500.00" in words) is (role != "surveyor")


def test_a_month_is_closed_by_its_buttons(book):
    company = book.company
    period = book.period()
    step = lambda name: reverse("month-step", args=[book.site.code, period.name, name])  # noqa: E731
    signed_in(company.manager).post(step("count"))
    accountant = signed_in(company.accountant)
    pile = book.piles[0]
    explain = reverse("explain-month", args=[book.site.code, period.name])
    accountant.post(explain, {f"text-{pile.pk}": "two loads went out unweighed", f"cause-{pile.pk}": "other"})
    assert Explanation.objects.get().text == "two loads went out unweighed"
    accountant.post(step("reconcile"))
    assert state(book) == "reconciled"
    refused = accountant.post(step("approve"))
    assert refused.status_code == 403
    signed_in(company.manager).post(step("approve"))
    signed_in(company.controller).post(step("lock"))
    assert state(book) == "locked"
    history = page_of(book, company.auditor, name="month-history").content.decode()
    assert "Locked" in history
    assert period.name in history


def test_what_blocks_a_step_is_said_as_tasks_with_links(book):
    book.reconcile(book.period())
    words = page_of(book, book.company.manager).content.decode()
    assert "What stands before approval" in words
    assert f"#pile-{book.piles[0].pk}" in words
    assert "nobody has said why" in words


def test_a_refusal_is_said_on_the_page_and_changes_nothing(book):
    manager = signed_in(book.company.manager)
    book.reconcile(book.period())
    address = reverse("month-step", args=[book.site.code, "2025-01", "approve"])
    answer = manager.post(address, follow=True)
    assert "1 thing stands between 2025-01 of QRY and the step approve" in answer.content.decode()
    assert state(book) == "reconciled"


def test_an_adjustment_is_proposed_approved_and_posted_by_its_forms(book):
    company = book.company
    period = book.period()
    given = {
        "pile": book.piles[0].pk,
        "tonnes": "300",
        "reason_code": "set-to-measured",
        "nature": "estimate",
        "reason": "set to what was measured",
    }
    propose = reverse("propose-adjustment", args=[book.site.code, period.name])
    signed_in(company.accountant).post(propose, given)
    adjustment = Adjustment.objects.get()
    assert adjustment.count == book.piles[0].counts.get()
    for person, step in ((company.controller, "approve"), (company.accountant, "post")):
        signed_in(person).post(reverse("adjustment-step", args=[adjustment.pk, step]))
    adjustment.refresh_from_db()
    assert adjustment.state == "posted"
    wrong = signed_in(company.accountant).post(propose, {**given, "tonnes": "many"}, follow=True)
    assert "is not a number" in wrong.content.decode()


def test_a_restatement_is_asked_for_agreed_to_and_ended_by_its_forms(book):
    company = book.company
    period = book.period()
    book.explain(period, book.piles[0])
    book.close(period)
    ask = reverse("ask-restatement", args=[book.site.code, period.name])
    signed_in(company.lead_surveyor).post(ask, {"reason": "the pole was short"})
    restatement = period.restatements.get()
    for person, step in (
        (company.controller, "agree"),
        (company.accountant, "reconcile"),
        (company.controller, "end"),
    ):
        signed_in(person).post(reverse("restatement-step", args=[restatement.pk, step]))
    assert state(book) == "locked"
    assert "the pole was short" in page_of(book, company.auditor, name="month-history").content.decode()


def test_months_are_opened_and_listed(book):
    manager = signed_in(book.company.manager)
    manager.post(reverse("open-month", args=[book.site.code]), {"month": "2025-03"})
    words = manager.get(reverse("months", args=[book.site.code])).content.decode()
    assert all(name in words for name in ("2025-01", "2025-02", "2025-03"))
    wrong = manager.post(reverse("open-month", args=[book.site.code]), {"month": "March"}, follow=True)
    assert "Give the month as year and month" in wrong.content.decode()


def test_the_trail_is_for_those_who_may_and_says_whether_it_holds(book):
    auditor = signed_in(book.company.auditor)
    words = auditor.get(reverse("trail") + "?check").content.decode()
    assert "The chain holds." in words
    assert "Record opening" in words
    assert signed_in(book.company.surveyor).get(reverse("trail")).status_code == 403
    event = AuditEvent.objects.get(verb="open_site")
    assert "Open site" in auditor.get(reverse("trail"), {"subject": event.subject}).content.decode()


def test_the_sheet_page_asks_no_more_for_many_piles(book, django_assert_max_num_queries):
    closing.start_counting(book.period(), book.company.manager)
    client = signed_in(book.company.accountant)
    with django_assert_max_num_queries(60):
        assert client.get(reverse("month", args=[book.site.code, "2025-01"])).status_code == 200


def test_another_organizations_month_is_not_there(book, cast):
    outsider = signed_in(cast.outsider)
    for name in ("month", "month-history", "months"):
        given = [book.site.code] + ([] if name == "months" else ["2025-01"])
        book.period()
        assert outsider.get(reverse(name, args=given)).status_code == 404


def test_all_sites_of_a_month_add_up_and_a_missing_leg_is_an_error(book):
    company = book.company
    far = company.site("FAR", name="Far Wharf")
    pile = company.pile(far, book.material)
    movements.record_transfer(
        book.piles[0], pile, quantity=40, moved_at=at(dt.date(2025, 1, 12)), by=company.manager
    )
    book.period()
    accountant = signed_in(company.accountant)
    address = reverse("company-month", args=["2025-01"])
    # The other site's month is not open, and so its leg is not on the sheet yet.
    assert "Transfers do not cancel" in accountant.get(address).content.decode()
    periods.open_period(far, LAST, company.accountant)
    words = accountant.get(address).content.decode()
    assert "Transfers do not cancel" not in words
    assert "Far Wharf" in words
    assert "1,972.5" in words
    assert accountant.get(reverse("company-month", args=["1999-01"])).status_code == 404
