"""Balances by day and by moment, from locked lines where possible; what a closed pile held goes on."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory import belts, movements, piles
from inventory.balances import balances_at, book_balances, book_of, flows
from inventory.errors import BadEntry, DocumentChanged, PeriodClosed, TotaliserBackwards
from inventory.models import Movement, PeriodLine, Restatement
from inventory.stock import stock_now
from tests.inventory.yardbook import YardBook, at


@pytest.fixture
def book(company):
    return YardBook(company)


def line(period, pile, closing, **more):
    """The frozen line of a pile; where nothing else is said, all of it is opening."""
    issues = ["production", "purchases", "transfers_in", "sales", "transfers_out", "usage", "reclass"]
    zero = dict.fromkeys((f"{name}_t" for name in [*issues, "adjustment"]), Decimal(0))
    given = {**zero, "opening_t": closing, "book_closing_t": closing, **more}
    return PeriodLine.objects.create(period=period, pile=pile, **given)


def test_a_day_holds_all_that_was_booked_until_its_end(book):
    movements.record_opening(book.pile, quantity=1000, on=dt.date(2025, 8, 1), by=book.company.accountant)
    book.move("production", 50, "2025-08-01 23:59")
    book.move("sale", 20, "2025-08-02 00:00")
    days = [book.balance(on=f"2025-{day}") for day in ("07-31", "08-01", "08-02")]
    assert days == [0, 1050, 1030]


def test_a_moment_holds_what_had_moved_before_it(book):
    book.locked("2025-08")
    book.move("production", 50, "2025-08-31 10:00", accept_late=True)
    at_cutoff = balances_at([book.pile], at=at("2025-09-01 00:00", book.site))
    assert at_cutoff == {book.pile.pk: 50}, "a late ticket lies in its own time"
    assert book.balance(on="2025-08-31") == 0, "and counts later"
    assert balances_at([book.pile], at=at("2025-08-31 10:00", book.site)) == {book.pile.pk: 0}


def test_flows_by_kind_keep_their_sign(book):
    book.move("production", 50, "2025-08-01 10:00")
    book.move("sale", 20, "2025-08-31 23:59")
    book.move("sale", 7, "2025-09-01 00:00")
    found = flows([book.pile, book.other], since=dt.date(2025, 8, 1), until=dt.date(2025, 9, 1))
    assert found == {book.pile.pk: {"production": 50, "sale": -20}, book.other.pk: {}}


def test_a_balance_starts_from_the_last_locked_line(book, django_assert_num_queries):
    book.move("production", 50, "2025-08-10 10:00")
    august = book.period("2025-08", "counting")
    line(
        august,
        book.pile,
        Decimal(0),
        production_t=Decimal(50),
        opening_t=Decimal(0),
        book_closing_t=Decimal(50),
    )
    book.take(august, "reconciled", "approved", "locked")
    book.move("sale", 8, "2025-09-03 10:00")
    book.move("production", 3, "2025-09-03 10:00", pile=book.other)
    with django_assert_num_queries(2) as seen:
        found = book_balances([book.pile, book.other], on=dt.date(2025, 9, 30))
    assert found == {book.pile.pk: 42, book.other.pk: 3}
    assert "inventory_periodline" in seen.captured_queries[0]["sql"]
    assert book.balance(on="2025-08-31") == 50
    assert book.balance(on="2025-08-15") == 50, "inside the month it is summed up from the movements"


def test_a_period_opened_again_is_no_ground_for_later_ones(book):
    """The line of September still says what it said before August was restated."""
    book.move("production", 50, "2025-08-10 10:00")
    august, september = book.period("2025-08", "counting"), book.period("2025-09", "counting")
    for period in (august, september):
        line(period, book.pile, Decimal(50))
        book.take(period, "reconciled", "approved", "locked")
    now = timezone.now()
    Restatement.objects.create(
        period=august, reason="wrong pile", asked_by=book.company.accountant, asked_role="accountant",
        asked_at=now,
        agreed_by=book.company.controller, agreed_role="controller", agreed_at=now,
    )  # fmt: skip
    book.take(august, "restating")
    book.move("production", 5, "2025-08-11 10:00")
    assert book.balance(on="2025-10-01") == 55


def test_queries_are_constant_in_piles_and_history(book, django_assert_num_queries):
    heaps = [book.company.pile(book.site, book.material, f"X-{n}") for n in range(12)]
    for n, heap in enumerate(heaps):
        book.move("production", n + 1, f"2025-08-{n + 1:02d} 10:00", pile=heap)
    with django_assert_num_queries(2):
        found = book_balances(heaps, on=dt.date(2025, 12, 31))
    assert [found[heap.pk] for heap in heaps] == list(range(1, 13))
    with django_assert_num_queries(3):
        assert book_of(book.company.accountant).everything.tonnes == 78


def test_nobody_sees_the_book_of_others(book, cast):
    book.move("production", 5)
    assert book_of(cast.outsider).rows == ()


# --- lineage ------------------------------------------------------------------------------------------


def merged(book, on=dt.date(2025, 7, 1)):
    return piles.merge_piles(
        [book.pile, book.other], code="DRV-07", name="Two lobes", on=on, by=book.company.manager,
        reason="grew together",
    )  # fmt: skip


def test_a_merge_carries_what_both_held_with_no_other_effect(book):
    """Domain example: 6,327 t and 17,335 t merge into 23,662 t on 1 July."""
    book.move("production", 6327, "2025-06-10 10:00")
    book.move("production", 17335, "2025-06-10 10:00", pile=book.other)
    successor = merged(book)
    days = {
        day: [book.balance(p, day) for p in (book.pile, book.other, successor)]
        for day in ("2025-06-30", "2025-07-01")
    }
    assert days == {"2025-06-30": [6327, 17335, 0], "2025-07-01": [0, 0, 23662]}
    legs = Movement.objects.filter(kind__in=["lineage-in", "lineage-out"])
    assert sum(leg.tonnes for leg in legs) == 0
    assert all(leg.other_leg.tonnes == -leg.tonnes for leg in legs)
    assert book_of(book.company.accountant).everything.tonnes == 23662
    (july,) = {leg.moved_at for leg in legs}
    assert july == at("2025-07-01 00:00", book.site)
    with pytest.raises(BadEntry, match="goes back only with the pile"):
        movements.reverse_movement(legs[0], by=book.company.manager, reason="no")


def test_what_comes_late_for_a_merged_pile_follows_it(book):
    book.move("production", 100, "2025-06-10 10:00")
    sale = book.move("sale", 10, "2025-06-12 10:00")
    successor = merged(book)
    book.move("sale", 28, "2025-06-20 10:00")
    assert [book.balance(p) for p in (book.pile, successor)] == [0, 62]
    movements.reverse_movement(sale, by=book.company.manager, reason="void ticket")
    assert [book.balance(p) for p in (book.pile, successor)] == [0, 72]
    third = piles.move_pile(
        successor, site=book.company.site("TUL"), code="TUL-09", name="Moved", on=dt.date(2025, 9, 1),
        by=book.company.manager, reason="berth cleared",
    )  # fmt: skip
    book.move("sale", 2, "2025-06-21 10:00")
    assert [book.balance(p) for p in (book.pile, successor, third)] == [0, 0, 70]


def test_a_whole_pile_becomes_another_grade(book):
    book.move("production", 100, "2025-06-10 10:00")
    fines = book.company.material("M1", "Crusher fines 0/4")
    became = piles.reclassify_pile(
        book.pile, material=fines, code="DRV-11", name="Fines", on=dt.date(2025, 7, 1),
        by=book.company.manager, reason="degraded",
    )  # fmt: skip
    assert [book.balance(p) for p in (book.pile, became)] == [0, 100]
    assert sorted(became.movements.values_list("kind", flat=True)) == ["reclass-in"]
    by_material = {each.key.code: each.tonnes for each in book_of(book.company.accountant).by_material()}
    assert by_material == {"M1": 100, "M4": 0}
    assert any(each.pile == became for each in stock_now(book.company.manager).piles)


def test_a_split_takes_a_stated_part(book):
    book.move("production", 100, "2025-06-10 10:00")
    given = {
        "name": "Part",
        "on": dt.date(2025, 7, 1),
        "by": book.company.manager,
        "reason": "ramp cut through",
    }
    part = piles.split_pile(book.pile, code="DRV-21", tonnes=Decimal(30), **given)
    rest = piles.split_pile(book.pile, code="DRV-22", **given)
    assert [book.balance(p) for p in (book.pile, part, rest)] == [70, 30, 0]
    with pytest.raises(BadEntry, match=r"holds 70\.000 t, and 71 t cannot leave it"):
        piles.split_pile(book.pile, code="DRV-23", tonnes=Decimal(71), **given)


def test_a_pile_that_holds_tonnes_or_moved_later_does_not_end(book):
    book.move("production", 100, "2025-06-10 10:00")
    with pytest.raises(BadEntry, match=r"still holds 100.000 t"):
        piles.close_pile(book.pile, dt.date(2025, 7, 1), by=book.company.manager)
    with pytest.raises(BadEntry, match="it cannot end on 2025-06-01"):
        merged(book, on=dt.date(2025, 6, 1))
    book.locked("2025-07")
    with pytest.raises(PeriodClosed):
        merged(book)


# --- belts ----------------------------------------------------------------------------------------------


def read(book, scale, moment, totaliser, **more):
    given = {"by": book.company.accountant, **more}
    return belts.record_reading(scale, book.pile, read_at=at(moment, book.site), totaliser=totaliser, **given)


def test_a_belt_between_two_readings_is_production_that_ends_with_the_day(book):
    scale = book.scale()
    assert read(book, scale, "2025-08-01 00:00", "1000").production is None
    made = read(book, scale, "2025-09-01 00:00", "8143.5").production
    assert (made.tonnes, made.kind, made.book_on) == (Decimal("7143.5"), "production", dt.date(2025, 8, 31))
    assert read(book, scale, "2025-09-01 00:00", "8143.5").production == made
    assert Movement.objects.count() == 1
    with pytest.raises(DocumentChanged):
        read(book, scale, "2025-09-01 00:00", "8143.6")


def test_a_totaliser_only_counts_up_and_readings_come_in_order(book):
    scale = book.scale()
    read(book, scale, "2025-08-01 06:00", "1000")
    with pytest.raises(TotaliserBackwards, match=r"showed 1000\.000 t at 2025-08-01 06:00 and 999\.900 t"):
        read(book, scale, "2025-08-02 06:00", "999.9")
    with pytest.raises(BadEntry, match="was read at 2025-08-01 06:00 already"):
        read(book, scale, "2025-07-31 06:00", "900")
    assert read(book, scale, "2025-08-02 06:00", "1000").production is None
    with pytest.raises(BadEntry, match="no belt scale"):
        read(book, book.scale("weighbridge", "W1"), "2025-08-03 06:00", "1")
    assert not Movement.objects.exists()
