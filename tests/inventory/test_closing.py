"""The way of a month from open to locked, and everything that stands in it."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory import adjusting, closing, ledger_checks, movements, periods, sheet
from inventory.errors import BadEntry, NotAllowed, PeriodBlocked, PeriodClosed, PeriodNotThere, SamePerson
from inventory.models import AuditEvent, Membership, Period
from tests.inventory.month_book import JANUARY, MonthBook

D = Decimal
LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    return MonthBook(company)


@pytest.fixture
def ready(book):
    """January with sales, counted on its last day with nothing to explain."""
    first, second = book.piles
    book.move(first, "production", 500, dt.date(2025, 1, 10))
    book.move(first, "sale", 200, dt.date(2025, 1, 20))
    book.move(second, "sale", 100, dt.date(2025, 1, 20))
    book.count_all(LAST, 1300, 900)
    return book


def tasks(refused):
    return [problem["field"] for problem in refused.value.problems]


def holds(book):
    assert ledger_checks.run(ledger_checks.Scope(book.company.organization)) == []


def test_a_month_goes_from_open_to_locked_by_three_people(ready):
    period = ready.close(ready.period())
    assert period.state == "locked"
    assert [(step.from_state, step.to_state, step.by) for step in period.steps.all()] == [
        ("open", "open", ready.company.accountant),
        ("open", "counting", ready.company.manager),
        ("counting", "reconciled", ready.company.accountant),
        ("reconciled", "approved", ready.company.manager),
        ("approved", "locked", ready.company.controller),
    ]
    assert len(period.sheet_sha256) == 64
    assert [line.book_closing_t for line in period.lines.all()] == [D(1300), D(900)]
    holds(ready)
    verbs = AuditEvent.objects.filter(subject=f"period:{period.pk}").values_list("verb", flat=True)
    assert list(verbs) == [
        "open_period",
        "count_period",
        "reconcile_period",
        "approve_period",
        "lock_period",
    ]


def test_the_next_month_opens_with_what_this_one_closed_with(ready):
    ready.close(ready.period())
    february = sheet.live_sheet(ready.period(dt.date(2025, 2, 1)))
    assert [line.opening_t for line in february.lines] == [D(1300), D(900)]


@pytest.mark.parametrize(
    ("verb", "start", "right"),
    [
        (closing.reconcile, "counting", {"accountant"}),
        (closing.approve, "reconciled", {"manager"}),
        (closing.lock, "approved", {"controller"}),
    ],
)
def test_each_step_is_for_one_role(ready, verb, start, right):
    period = closing.start_counting(ready.period(), ready.company.manager)
    if start != "counting":
        period = ready.reconcile(period)
    if start == "approved":
        period = ready.approve(period)
    for role in set(ready.company.people) - right:
        with pytest.raises(NotAllowed):
            verb(period, ready.company.people[role])
    (role,) = right
    assert verb(period, ready.company.people[role]).state != start


def test_who_reconciled_never_approves_and_who_approved_never_locks(ready):
    company = ready.company
    for role in ("manager", "controller"):
        Membership.objects.create(user=company.accountant, organization=company.organization, role=role)
    Membership.objects.create(user=company.manager, organization=company.organization, role="controller")
    period = ready.reconcile(ready.period())
    with pytest.raises(SamePerson, match="You reconciled it"):
        closing.approve(period, company.accountant)
    period = closing.approve(period, company.manager)
    for person, did in ((company.accountant, "reconciled"), (company.manager, "approved")):
        with pytest.raises(SamePerson, match=f"You {did} it"):
            closing.lock(period, person)
    assert Period.objects.get(pk=period.pk).state == "approved"


def test_a_step_from_the_wrong_state_says_where_the_period_stands(ready):
    with pytest.raises(PeriodNotThere, match=r"2025-01 of QRY is open\. To reconcile it"):
        closing.reconcile(ready.period(), ready.company.accountant)


def test_all_that_stands_in_the_way_of_reconciling_is_told_at_once(book):
    first, second = book.piles
    book.count(first, LAST, 1000)
    with pytest.raises(PeriodBlocked) as refused:
        book.reconcile(book.period())
    assert tasks(refused) == ["uncounted"]
    assert f"Pile {second.code} has no count that stands between 2025-01-01" in refused.value.message
    # Somebody says why, and the month goes on with the gap in sight.
    period = book.period()
    book.explain(period, second)
    period = book.reconcile(period)
    assert period.lines.get(pile=second).gate == "not-counted"


def test_a_month_is_not_reconciled_before_its_cutoff(book):
    future = book.site.date_of(timezone.now()).replace(day=1) + dt.timedelta(days=40)
    with pytest.raises(PeriodBlocked) as refused:
        book.reconcile(book.period(future))
    assert "cutoff" in tasks(refused)


def test_a_month_waits_for_the_one_before_it(ready):
    ready.count_all(dt.date(2025, 2, 28), 1300, 900)
    with pytest.raises(PeriodBlocked) as refused:
        ready.reconcile(ready.period(dt.date(2025, 2, 1)))
    assert tasks(refused) == ["previous"]
    assert "First reconcile 2025-01" in refused.value.remedy


def test_a_transfer_with_one_leg_is_an_error_and_not_a_variance(ready):
    first, second = ready.piles
    movements.record_transfer(
        first,
        second,
        quantity=40,
        moved_at=dt.datetime(2025, 1, 12, 8, tzinfo=dt.UTC),
        by=ready.company.manager,
    )
    total = sheet.live_sheet(ready.period()).total
    assert total.transfers_in_t == total.transfers_out_t == D(40)
    single = ready.move(first, "sale", 10, dt.date(2025, 1, 13))
    # Past every verb of ours: a leg without its other one.
    single.pk, single.kind, single.document = None, "transfer-out", ""
    single.save(force_insert=True)
    with pytest.raises(PeriodBlocked) as refused:
        ready.reconcile(ready.period())
    assert "leg" in tasks(refused)
    assert any(
        "no other leg" in p.message
        for p in ledger_checks.run(ledger_checks.Scope(ready.company.organization))
    )


def test_a_variance_outside_the_noise_is_explained_before_approval(ready):
    first, _ = ready.piles
    ready.count(first, LAST, 1800, supersedes=first.counts.current().get())
    period = ready.reconcile(ready.period())
    assert period.lines.get(pile=first).gate == "post"
    with pytest.raises(PeriodBlocked) as refused:
        ready.approve(period)
    assert tasks(refused) == ["unexplained"]
    assert "differs by +500 t" in refused.value.message
    ready.explain(period, first)
    assert ready.approve(period).state == "approved"


def test_what_comes_in_after_reconciling_is_told_and_reconciled_again(ready):
    first, _ = ready.piles
    period = ready.reconcile(ready.period())
    ready.move(first, "sale", 30, dt.date(2025, 1, 21))
    with pytest.raises(PeriodBlocked) as refused:
        ready.approve(period)
    assert tasks(refused) == ["changed"]
    assert "sales 200.000 → 230.000" in refused.value.message
    period = closing.reconcile_again(period, ready.company.accountant)
    assert ready.approve(period).state == "approved"


def test_a_proposal_or_an_unposted_adjustment_keeps_the_month_open(ready):
    first, _ = ready.piles
    period = ready.reconcile(ready.period())
    adjustment = ready.propose(period, first, -20)
    for word in ("proposed", "approved"):
        with pytest.raises(PeriodBlocked, match=f"is {word}") as refused:
            ready.approve(period)
        assert tasks(refused) == ["adjustment"]
        if word == "proposed":
            adjusting.approve_adjustment(adjustment, ready.company.controller)
    adjusting.post_adjustment(adjustment, ready.company.accountant)
    period = ready.approve(period)
    assert period.lines.get(pile=first).adjustment_t == D(-20)
    ready.lock(period)
    holds(ready)


def test_an_approved_month_takes_nothing_in(ready):
    first, _ = ready.piles
    period = ready.approve(ready.reconcile(ready.period()))
    with pytest.raises(PeriodClosed):
        ready.move(first, "sale", 1, LAST)
    with pytest.raises(PeriodNotThere):
        ready.propose(period, first, -1)
    with pytest.raises(PeriodNotThere):
        ready.explain(period, first)


def test_a_late_ticket_of_a_locked_month_counts_in_the_next_and_points_back(ready):
    first, _ = ready.piles
    january = ready.close(ready.period())
    late = ready.move(first, "sale", 27, dt.date(2025, 1, 30), accept_late=True)
    february = ready.period(dt.date(2025, 2, 1))
    assert (late.book_on, late.belongs_to) == (dt.date(2025, 2, 1), january)
    assert sheet.live_sheet(february).line_of(first).sales_t == D(27)
    holds(ready)


def test_steps_back_need_a_reason_and_stay_on_record(ready):
    company = ready.company
    period = closing.start_counting(ready.period(), company.manager)
    with pytest.raises(BadEntry):
        closing.stop_counting(period, company.manager, " ")
    period = closing.stop_counting(period, company.manager, "too early")
    period = ready.reconcile(period)
    period = closing.send_back(period, company.manager, "pile 2 looks wrong")
    period = closing.reconcile(period, company.accountant)
    period = closing.approve(period, company.manager)
    period = closing.take_approval_back(period, company.controller, "a ticket is missing")
    assert period.state == "reconciled"
    assert "too early" in period.steps.values_list("comment", flat=True)
    holds(ready)


def test_who_takes_an_approval_back_may_lock_what_is_approved_again(ready):
    """The controller who sent it back did not reconcile it."""
    company = ready.company
    period = ready.reconcile(ready.period())
    period = closing.approve(period, company.manager)
    period = closing.take_approval_back(period, company.controller, "a ticket may be missing")
    period = closing.approve(period, company.manager)
    assert closing.lock(period, company.controller).state == "locked"


def test_months_are_opened_without_a_gap(book):
    book.period(dt.date(2025, 4, 9))
    book.period(dt.date(2024, 11, 30))
    names = list(book.site.periods.order_by("starts_on").values_list("name", flat=True))
    assert names == ["2024-11", "2024-12", "2025-01", "2025-02", "2025-03", "2025-04"]
    with pytest.raises(BadEntry, match="lies 1201 months from"):
        book.period(dt.date(2525, 1, 1))


@pytest.mark.parametrize(
    ("zone", "day_end", "cutoff"),
    [
        ("America/Chicago", dt.time(0), "2025-02-01T06:00:00+00:00"),
        ("Europe/Vienna", dt.time(6), "2025-02-01T05:00:00+00:00"),
        ("UTC", dt.time(0), "2025-02-01T00:00:00+00:00"),
    ],
)
def test_the_cutoff_is_the_sites_day_end_in_the_sites_zone(company, zone, day_end, cutoff):
    site = company.site("FAR", timezone=zone, day_end=day_end)
    period = periods.open_period(site, dt.date(2025, 1, 15), company.accountant)
    assert period.cutoff_at.isoformat() == cutoff
    assert site.date_of(period.cutoff_at - dt.timedelta(microseconds=1)) == LAST
    assert site.date_of(period.cutoff_at) == period.ends_on


def test_nobody_of_another_organization_takes_a_step(cast, ready):
    with pytest.raises(NotAllowed):
        closing.start_counting(ready.period(), cast.outsider)


def test_the_opening_of_the_year_is_an_opening_balance(book):
    line = sheet.live_sheet(book.period(JANUARY)).lines[0]
    assert (line.opening_t, line.book_closing_t) == (D(1000), D(1000))
