"""The sheet of a month: which count, which roll, which ±, and that every sum agrees."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import closing, movements, owners, piles, sheet
from inventory.models import Movement, Period, PeriodLine, Scale
from inventory.policy import set_policy
from inventory.sheet_lines import AMOUNTS, hash_of_lines
from tests.cast import person
from tests.inventory.month_book import JANUARY, MonthBook, at

D = Decimal
LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    return MonthBook(company)


def line_of(book, pile, day=JANUARY):
    return sheet.live_sheet(book.period(day)).line_of(pile)


def test_the_count_nearest_to_the_cutoff_is_taken_and_named(book):
    pile = book.piles[0]
    for day, tonnes in ((5, 900), (30, 950)):
        book.count(pile, dt.date(2025, 1, day), tonnes)
    line = line_of(book, pile)
    assert (line.measured_closing_t, line.count.counted_on) == (D(950), dt.date(2025, 1, 30))
    assert "counted on 2025-01-30" in line.basis
    # One day after the cut-off is nearer than two days before it, and is rolled back.
    book.count(pile, dt.date(2025, 2, 1), 940)
    book.move(pile, "sale", 25, dt.date(2025, 2, 1), moved_at=at(dt.date(2025, 2, 1), 8))
    line = line_of(book, pile)
    assert (line.count.counted_on, line.rollforward_t) == (dt.date(2025, 2, 1), D(25))
    assert line.measured_closing_t == D(965)


def test_a_count_too_long_after_the_cutoff_is_none(book):
    pile = book.piles[0]
    book.count(pile, dt.date(2025, 2, 7), 940)
    line = line_of(book, pile)
    assert line.measured_closing_t is None
    assert line.gate == "not-counted"
    assert "no count that stands between 2025-01-01 and 5 days after the cut-off" in line.basis


def test_movements_between_count_and_cutoff_are_rolled_by_their_own_time(book):
    """Changes between the count date and the date of the statement are properly recorded (ISA 501.5;
    PCAOB AS 2510.12): what moved before the count is in it already, what moved after is added."""
    pile = book.piles[0]
    book.move(pile, "sale", 100, dt.date(2025, 1, 20))
    book.count(pile, dt.date(2025, 1, 29), 900)
    book.move(pile, "production", 60, dt.date(2025, 1, 30))
    book.move(pile, "sale", 10, dt.date(2025, 2, 1))
    line = line_of(book, pile)
    assert (line.rollforward_t, line.measured_closing_t) == (D(60), D(960))
    assert (line.book_closing_t, line.variance_t) == (D(960), D(0))
    assert line.gates["roll"]["movements_n"] == 1
    assert any("%" in warning for warning in line.gates["roll"]["warnings"])


def test_a_ticket_that_came_late_rolls_by_when_it_moved_and_books_where_it_was_booked(book):
    first, _ = book.piles
    book.count_all(dt.date(2025, 1, 30), 1000, 1000)
    january = book.close(book.period())
    book.move(first, "sale", 27, dt.date(2025, 1, 29), accept_late=True)
    book.count_all(dt.date(2025, 2, 28), 973, 1000)
    february = line_of(book, first, dt.date(2025, 2, 1))
    assert (february.sales_t, february.variance_t) == (D(27), D(0))
    assert january.lines.get(pile=first).book_closing_t == D(1000)


def test_the_uncertainty_is_that_of_the_count_and_of_what_was_weighed_since_the_last_posting(book):
    pile = book.piles[0]
    scale = Scale.objects.create(
        site=book.site, code="WB", name="gate", kind="weighbridge", standard_uncertainty_percent=D(1)
    )
    book.move(pile, "production", 3000, dt.date(2025, 1, 5), scale=scale)
    book.move(pile, "sale", 2000, dt.date(2025, 1, 6), scale=scale)
    book.count(pile, LAST, 2000)
    line = line_of(book, pile)
    # The same scale in and out: 1 % of the difference, k = 2, beside the count's own ±.
    assert [each.u95_t for each in line.scales] == [D(20)]
    assert line.u95_t == (line.count.tonnes_u95_t**2 + D(20) ** 2).sqrt().quantize(D("0.001"))
    book.count(book.piles[1], LAST, 1000)
    period = book.reconcile(book.period())
    book.post(book.propose(period, pile, 1))
    book.lock(book.approve(period))
    february = dt.date(2025, 2, 1)
    book.count(pile, dt.date(2025, 2, 27), 1990)
    line = line_of(book, pile, february)
    assert line.u95_t == line.count.tonnes_u95_t


def test_the_increment_is_the_variance_less_what_was_carried(book):
    first, _ = book.piles
    book.count_all(LAST, 1030, 1000)
    book.close(book.period())
    book.count_all(dt.date(2025, 2, 28), 1045, 1000)
    line = line_of(book, first, dt.date(2025, 2, 1))
    assert (line.variance_t, line.increment_t) == (D(45), D(15))


def test_a_posted_variance_is_not_carried(book):
    first, _ = book.piles
    book.count_all(LAST, 1030, 1000)
    period = book.reconcile(book.period())
    book.post(book.propose(period, first, 30, nature="estimate", reason_code="set-to-measured"))
    book.lock(book.approve(period))
    book.count_all(dt.date(2025, 2, 28), 1045, 1000)
    line = line_of(book, first, dt.date(2025, 2, 1))
    assert (line.opening_t, line.variance_t, line.increment_t) == (D(1030), D(15), D(15))


def test_piles_that_ran_together_carry_their_tonnes_and_their_unposted_variance(book):
    book.count_all(LAST, 1030, 980)
    book.close(book.period())
    merged = piles.merge_piles(
        book.piles,
        code="QRY-09",
        name="Both",
        on=dt.date(2025, 2, 10),
        by=book.company.manager,
        reason="ran together",
    )
    book.count(merged, dt.date(2025, 2, 28), 2015)
    period = book.period(dt.date(2025, 2, 1))
    live = sheet.live_sheet(period)
    assert live.line_of(merged).transfers_in_t == D(2000)
    assert live.line_of(merged).increment_t == D(5)
    for pile in book.piles:
        line = live.line_of(pile)
        assert (line.transfers_out_t, line.book_closing_t, line.measured_closing_t) == (D(1000), 0, 0)
        assert "nothing is left of it" in line.basis
    # No profit effect: the site holds what it held.
    assert live.total.book_closing_t == D(2000)
    assert book.close(period).state == "locked"


def test_every_sum_agrees_and_customers_stock_stands_apart(book):
    company = book.company
    other = company.material("M9", "Washed sand 0/4")
    consigned = company.pile(book.site, other)
    customer = owners.add_owner(company.organization, code="A01", name="Customer A01", by=company.manager)
    owners.give_pile_to(consigned, customer, by=company.manager)
    book.move(consigned, "production", 70, dt.date(2025, 1, 4))
    first, second = book.piles
    movements.record_transfer(
        first, second, quantity="12.345", moved_at=at(dt.date(2025, 1, 9)), by=company.manager
    )
    book.count_all(LAST, 990, 1010)
    live = sheet.live_sheet(book.period())
    total = live.total
    for groups in (live.by_material(), live.by_owner()):
        for name in (*AMOUNTS, "book_closing_t", "measured_closing_t", "variance_t"):
            values = [getattr(group, name) for group in groups if getattr(group, name) is not None]
            assert sum(values) == getattr(total, name), name
    assert total.transfers_in_t == total.transfers_out_t == D("12.345")
    assert [group.key for group in live.by_owner()] == [sheet.OWN, customer]
    own = live.by_owner()[0]
    assert own.book_closing_t == D(2000)
    assert (total.measured_n, total.lines_n, total.is_complete) == (2, 3, False)


def test_the_total_is_more_certain_than_the_sum_of_its_doubts(book):
    book.count_all(LAST, 1000, 1000)
    total = sheet.live_sheet(book.period()).total
    parts = [line.u95_t for line in total.lines]
    assert max(parts) < total.u95_t < sum(parts)


def test_kept_lines_say_what_the_live_ones_said(book):
    book.move(book.piles[0], "sale", 40, dt.date(2025, 1, 9))
    book.count_all(LAST, 950, 1000)
    period = book.period()
    live = sheet.live_sheet(period)
    period = book.reconcile(period)
    kept = sheet.sheet_of(period)
    assert kept.is_kept
    assert hash_of_lines(kept.lines) == hash_of_lines(live.lines)
    assert kept.total.u95_t == live.total.u95_t


def test_a_policy_of_the_site_moves_the_gates(book):
    book.count_all(LAST, 1300, 1000)
    assert line_of(book, book.piles[0]).gate == "post"
    set_policy(
        book.company.organization,
        {"materiality": 5000},
        valid_from=JANUARY,
        by=book.company.controller,
        reason="board",
        site=book.site,
    )
    assert line_of(book, book.piles[0]).gate == "note"


def years_of_months(book, months_n):
    """`months_n` locked months before the one that is asked for, written past the verbs for speed."""
    by = book.company.accountant
    for n in range(months_n):
        month = 2025 * 12 - months_n + n
        first = dt.date(month // 12, month % 12 + 1, 1)
        ends = (first + dt.timedelta(days=32)).replace(day=1)
        period = Period.objects.create(
            site=book.site, name=f"{first:%Y-%m}", starts_on=first, ends_on=ends, cutoff_at=at(ends, 0)
        )
        for pile in book.piles:
            Movement.objects.create(
                site=book.site,
                pile=pile,
                kind="production",
                tonnes=10,
                moved_at=at(first),
                book_on=first,
                recorded_by=by,
                recorded_at=at(first),
            )
        held = {"opening_t": 10 * n, "production_t": 10, "book_closing_t": 10 * (n + 1)}
        nothing = {name: 0 for name in AMOUNTS if name not in held}
        PeriodLine.objects.bulk_create(
            PeriodLine(period=period, pile=pile, **held, **nothing) for pile in book.piles
        )
        for state in ("counting", "reconciled", "approved", "locked"):
            Period.objects.filter(pk=period.pk).update(state=state)


def queries_of(act, *given):
    with CaptureQueriesContext(connection) as captured:
        act(*given)
    return len(captured)


def queries_after(company, piles_n, months_n, what):
    for role in ("accountant", "controller"):
        if role not in company.people:
            company.people[role] = person(f"other-{role}", company.organization, role)
    book = MonthBook(company, piles_n=piles_n)
    years_of_months(book, months_n)
    book.count_all(LAST, *[1000 + 10 * months_n] * piles_n)
    period = book.period()
    if what == "live":
        return queries_of(lambda: sheet.live_sheet(period).by_material())
    if what == "kept":
        return queries_of(lambda of: sheet.sheet_of(of).by_owner(), book.reconcile(period))
    counting = closing.start_counting(period, company.manager)
    return queries_of(closing.reconcile, counting, company.accountant)


@pytest.mark.parametrize(("what", "at_most"), [("live", 16), ("kept", 3), ("reconcile", 60)])
def test_a_sheet_opens_in_as_many_queries_after_ten_years_of_forty_piles_as_after_a_month(
    cast, what, at_most
):
    few = queries_after(cast.a, 2, 1, what)
    assert queries_after(cast.b, 40, 120, what) == few <= at_most
