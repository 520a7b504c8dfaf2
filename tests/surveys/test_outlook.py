"""The outlook of a yard from its book and its surveys: rates, cover, what is rolled, what grew."""

from __future__ import annotations

import datetime as dt
import math
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Period
from inventory.stock import stock_now
from surveys.letter import letter_of
from surveys.outlook_flows import flows_of
from surveys.outlook_sheet import change_u95_t, outlook_of
from tests.inventory.month_book import MonthBook, at

pytestmark = pytest.mark.django_db
AFTER = dt.date(2025, 9, 15)


def last_of(month: int) -> dt.date:
    return dt.date(2025, month + 1, 1) - dt.timedelta(days=1)


@pytest.fixture
def book(company: Any) -> MonthBook:
    """Eight months: 500 t made and 400 t shipped each, counted at each month's end as the book has it."""
    book = MonthBook(company, piles_n=1)
    (pile,) = book.piles
    for month in range(1, 9):
        for day in (5, 20):
            book.move(pile, "production", 250, dt.date(2025, month, day))
            book.move(pile, "sale", 200, dt.date(2025, month, day))
        book.count(pile, last_of(month), 1000 + 100 * month)
    return book


def test_cover_is_stock_over_the_rate(book: MonthBook) -> None:
    stock = stock_now(book.company.manager, on=AFTER)
    (row,) = outlook_of(stock, AFTER).piles
    assert row.ahead.months == 8
    assert row.ahead.use is not None
    assert row.ahead.use.monthly == (400.0,) * 12
    assert row.ahead.use.back_test.mean_abs_error == 0.0
    assert row.ahead.cover is not None
    assert row.ahead.cover.days == pytest.approx(1800.0 / 400.0 * 365.25 / 12)
    assert row.ahead.reckoned_from == dt.date(2025, 8, 20)
    # Every month leaves 100 t more than it found: nothing runs out.
    assert row.ahead.run_out is not None
    assert row.ahead.run_out.days is None


def test_measured_and_rolled_stand_apart(book: MonthBook) -> None:
    book.move(book.piles[0], "sale", 120, dt.date(2025, 9, 10))
    (row,) = outlook_of(stock_now(book.company.manager, on=AFTER), AFTER).piles
    assert row.total.tonnes == Decimal(1800)
    assert row.rolled_t == Decimal(1680)
    # The month that runs is no month of rate yet.
    assert row.ahead.months == 8


def test_growth_is_the_difference_of_two_surveys_with_its_doubt(book: MonthBook) -> None:
    (row,) = outlook_of(stock_now(book.company.manager, on=AFTER), AFTER).piles
    assert row.change is not None
    assert row.change.tonnes == Decimal(100)
    assert row.change.since == last_of(7)
    last, before = book.piles[0].counts.order_by("-counted_on")[:2]
    parts = [float(each.volume_u95_m3) * 1.6 for each in (last, before)]
    percent = float(last.density.standard_uncertainty_percent)
    assert row.change.u95_t == pytest.approx(math.hypot(*parts, 2 * percent / 100 * 100.0))
    assert change_u95_t(last, before) == row.change.u95_t


def test_under_six_months_there_is_a_refusal_in_words(company: Any) -> None:
    book = MonthBook(company, piles_n=1)
    for month in range(1, 6):
        book.move(book.piles[0], "sale", 10, dt.date(2025, month, 5))
    (row,) = outlook_of(stock_now(company.manager, on=AFTER), AFTER).piles
    assert row.ahead.cover is None
    assert row.ahead.refused == "5 months are known; a forecast needs 6. None is given before that."


def test_months_nobody_entered_are_not_months_without_use(book: MonthBook) -> None:
    much_later = dt.date(2026, 6, 1)
    flows = flows_of(book.piles, [book.site], much_later)
    assert len(flows.use(book.piles)) == 8
    assert flows.recorded_to[book.site.pk] == dt.date(2025, 8, 20)


def test_what_is_handed_from_pile_to_pile_is_no_use_of_the_material(company: Any) -> None:
    from inventory import movements

    book = MonthBook(company, piles_n=2)
    first, second = book.piles
    movements.record_transfer(
        first, second, quantity=300, moved_at=at(dt.date(2025, 1, 9)), by=company.manager
    )
    book.move(second, "sale", 50, dt.date(2025, 1, 10))
    flows = flows_of(book.piles, [book.site], dt.date(2025, 2, 1))
    assert flows.use([first]) == [300.0]
    assert flows.use([second]) == [50.0]
    assert flows.use(book.piles) == [50.0]
    assert flows.net(book.piles) == [-50.0]


def test_queries_do_not_grow_with_months_or_piles(book: MonthBook) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            outlook_of(stock_now(book.company.manager, on=AFTER), AFTER)
        return len(captured)

    one = queries()
    pile = book.company.pile(book.site, book.material)
    book.move(pile, "production", 500, dt.date(2025, 8, 7))
    book.count(pile, last_of(8), 500)
    assert queries() == one


def test_nobody_else_sees_it(book: MonthBook, cast: Any) -> None:
    assert outlook_of(stock_now(cast.outsider, on=AFTER), AFTER).piles == ()


def test_the_letter_tells_what_the_records_say_and_nothing_else(book: MonthBook) -> None:
    period = book.period()
    letter = letter_of(book.company.manager, period)
    text = letter.as_text()
    assert letter.heading == "Site QRY, Jan 2025"
    assert "The month is open: not signed, and the figures can still move." in text
    assert "QRY-01, Crushed stone 4/10: 1,100 t ± " in text
    assert "(survey of 31 Jan 2025)" in text
    assert (
        "Crushed stone 4/10: made 500 t, shipped 400 t (movements of the month, no ± of their own)." in text
    )
    assert "On 1 of 1 counted pile book and yard agree within the ±." in text
    # One month is no rate, and there is no limit: both sections are left out whole.
    assert "How long it lasts" not in text
    assert "Limits" not in text
    assert "None" not in text
    assert "–" not in text


def test_the_letter_of_a_later_month_knows_a_rate_and_what_grew(book: MonthBook) -> None:
    book.period(dt.date(2025, 8, 1))
    period = Period.objects.get(name="2025-08")
    text = letter_of(book.company.manager, period).as_text()
    assert "Crushed stone 4/10: lasts 137 days (" in text
    assert "Tried on 4 months, the rate was off by 0 % on the mean." in text
    assert "QRY-01: no change beyond the ± of" in text or "QRY-01 grew by 100 t ± " in text
