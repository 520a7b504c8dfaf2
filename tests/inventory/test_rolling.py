"""From the survey to the cut-off by what moved between, as ISA 501.5 and PCAOB AS 2510.12 ask to be shown."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import movements
from inventory.models import Movement
from inventory.policy import Thresholds
from inventory.rolling import _rolled, roll, roll_counts
from tests.inventory.yardbook import YardBook, at


@pytest.fixture
def book(company):
    return YardBook(company)


def rolled(book, survey, cutoff="2025-09-01 00:00", **more):
    return roll(book.pile, at(survey, book.site), at(cutoff, book.site), **more)


def test_forward_adds_what_moved_after_the_survey(book):
    """ISA 501.5: changes between the count date and the statement date must be properly recorded."""
    book.move("production", 500, "2025-08-29 15:59")
    first = book.move("production", 300, "2025-08-29 16:00")
    second = book.move("sale", "120.5", "2025-08-31 23:59")
    book.move("sale", 90, "2025-09-01 00:00")
    found = rolled(book, "2025-08-29 16:00", measured_t=Decimal(25188))
    assert found.movements == (first, second)
    assert (found.sum_t, found.moved_t) == (Decimal("179.5"), Decimal("420.5"))
    assert found.rolled_t == Decimal("25367.5")
    assert (found.share_percent, found.days, found.warnings) == (Decimal("0.7"), Decimal("2.3"), ())


def test_back_takes_away_what_moved_after_the_cutoff(book):
    """PCAOB AS 2510.12: intervening transactions are tested; here they are the list itself."""
    book.move("sale", 40, "2025-08-31 23:59")
    back = book.move("sale", 90, "2025-09-01 00:00")
    found = rolled(book, "2025-09-02 09:00", measured_t=Decimal(1000))
    assert found.movements == (back,)
    assert (found.sum_t, found.rolled_t, found.is_forward) == (90, 1090, False)


def test_forward_and_back_between_two_moments_are_opposite(book):
    book.move("production", 300, "2025-08-30 10:00")
    ahead = rolled(book, "2025-08-29 16:00", "2025-09-01 00:00")
    behind = rolled(book, "2025-09-01 00:00", "2025-08-29 16:00")
    assert ahead.sum_t == -behind.sum_t == 300


def test_late_tickets_roll_in_their_own_time(book):
    book.locked("2025-08")
    late = book.move("sale", 28, "2025-08-31 10:00", accept_late=True)
    assert late.book_on == dt.date(2025, 9, 1)
    assert rolled(book, "2025-08-30 09:00").sum_t == -28


def test_what_changes_the_book_and_not_the_heap_is_left_out(book):
    movements.record_opening(book.pile, quantity=900, on=dt.date(2025, 8, 1), by=book.company.accountant)
    movements.record_adjustment(
        book.pile, tonnes=Decimal(-7), moved_at=at("2025-08-30 10:00", book.site), by=book.company.accountant,
        document="A-1", note="shrinkage",
    )  # fmt: skip
    wrong = book.move("sale", 50, "2025-08-30 11:00")
    movements.reverse_movement(wrong, by=book.company.manager, reason="void")
    assert rolled(book, "2025-07-30 09:00").movements == ()


def test_warnings_above_five_per_cent_and_three_days(book):
    book.move("sale", 51, "2025-08-30 10:00")
    warned = rolled(book, "2025-08-28 12:00", measured_t=Decimal(1000)).warnings
    assert [word in text for word, text in zip(("5.1 %", "3.5 days"), warned, strict=True)] == [True, True]
    assert rolled(book, "2025-08-29 00:00", measured_t=Decimal(1020)).warnings == ()
    strict = Thresholds(roll_warning_percent=Decimal(1), roll_warning_days=1)
    assert len(rolled(book, "2025-08-29 00:00", measured_t=Decimal(1020), thresholds=strict).warnings) == 2


def test_what_moved_during_the_survey_is_doubt_told_apart(book):
    book.move("production", 80, "2025-08-29 12:30")
    meanwhile = book.move("sale", 30, "2025-08-29 14:00")
    during = (at("2025-08-29 13:00", book.site), at("2025-08-29 16:00", book.site))
    found = rolled(book, "2025-08-29 16:00", measured_t=Decimal(1000), during=during)
    assert (found.during, found.doubt_t, found.sum_t) == ((meanwhile,), 30, 0)
    assert "1 movement of 30.000 t took place while the survey was made" in found.warnings[0]


def test_many_counts_roll_in_one_query(book, django_assert_num_queries):
    density = book.company.density(book.material, "1.85")
    counts = [
        book.company.count(pile, dt.date(2025, 8, 29), "1000", record=density)
        for pile in (book.pile, book.other)
    ]
    book.move("sale", 28, "2025-08-30 10:00")
    book.move("production", 50, "2025-08-30 10:00", pile=book.other)
    for count in counts:
        count.pile.site = book.site
    with django_assert_num_queries(1):
        found = roll_counts(counts, at("2025-09-01 00:00", book.site), thresholds=Thresholds())
    assert [found[count.pk].sum_t for count in counts] == [-28, 50]
    assert [found[count.pk].rolled_t for count in counts] == [1822, 1900]
    assert roll_counts([], at("2025-09-01 00:00", book.site)) == {}


moments = st.integers(0, 10_000)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    rows=st.lists(st.tuples(moments, st.decimals("-500", "500", places=3)), max_size=20),
    ends=st.tuples(moments, moments, moments),
)
def test_rolling_in_two_steps_is_rolling_in_one(rows, ends):
    """Sums over [a, b) and [b, c) make the one over [a, c), whatever their order in time."""
    start = dt.datetime(2025, 8, 1, tzinfo=dt.UTC)
    made = sorted(
        (Movement(tonnes=tonnes, moved_at=start + dt.timedelta(minutes=minute)) for minute, tonnes in rows),
        key=lambda row: row.moved_at,
    )
    a, b, c = (start + dt.timedelta(minutes=minute) for minute in ends)

    def total(one, two):
        return _rolled(made, one, two, None, None, Thresholds()).sum_t

    assert total(a, b) + total(b, c) == total(a, c)
    assert total(a, b) == -total(b, a)
