"""Movements enter once, by their own time, in the unit they came in; a wrong one is reversed."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction

import pytest
from django.db import DatabaseError, connection, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import movements, owners, piles
from inventory.balances import book_balances, book_of
from inventory.errors import (
    AcrossOrganizations,
    AlreadyReversed,
    BadEntry,
    DocumentChanged,
    InTheFuture,
    NotAllowed,
    OwnersDiffer,
    PeriodClosed,
    PileNotOpen,
)
from inventory.models import AuditEvent, Movement
from inventory.weighing import weigh
from tests.inventory.yardbook import YardBook, at


@pytest.fixture
def book(company):
    return YardBook(company)


def test_a_sale_leaves_the_pile_with_what_the_ticket_said(book):
    sale = book.move(quantity="28.10", gross="44.92", tare="16.82", document="88213", source="weighbridge")
    sale.refresh_from_db()
    assert (sale.tonnes, sale.gross_t, sale.tare_t) == (
        Decimal("-28.100"),
        Decimal("44.92"),
        Decimal("16.82"),
    )
    assert sale.given == {"quantity": "28.10", "unit": "tonne", "gross": "44.92", "tare": "16.82"}
    assert (sale.book_on, sale.belongs_to) == (dt.date(2025, 8, 12), None)
    assert book.balance() == Decimal("-28.100")
    event = AuditEvent.objects.get(verb="record_movement")
    assert (event.by, event.detail["pile"], event.detail["tonnes"]) == (
        book.company.accountant,
        "DRV-05",
        "-28.100",
    )


def test_the_net_must_be_gross_less_tare(book):
    with pytest.raises(BadEntry, match=r"net 28.64 ≠ gross 44.92 − tare 16.82 = 28.10"):
        book.move(quantity="28.64", gross="44.92", tare="16.82")
    assert book.move(quantity=None, gross="44.92", tare="16.82").tonnes == Decimal("-28.10")


@pytest.mark.parametrize(
    ("quantity", "unit", "tonnes"),
    [
        ("28.1", "tonne", "28.100"),
        ("28100", "kilogram", "28.100"),
        # 1 lb = 0.45359237 kg exactly (NIST Handbook 44, Appendix C: from memory); 2000 of them a short ton.
        ("62000", "pound", "28.123"),
        ("31", "short-ton", "28.123"),
        ("31", "long-ton", "31.497"),
    ],
)
def test_units_are_converted_once_and_kept_as_given(quantity, unit, tonnes):
    weighed = weigh(quantity, unit)
    assert weighed.tonnes == Decimal(tonnes)
    assert weighed.given == {"quantity": quantity, "unit": unit}


@given(
    st.decimals("0.001", "99999999", places=3),
    st.sampled_from(["pound", "short-ton", "long-ton", "kilogram"]),
)
def test_conversion_is_exact_before_it_is_rounded_once(quantity, unit):
    from inventory.units import WEIGHED_IN_T

    exact = Fraction(quantity) * WEIGHED_IN_T[unit]
    if exact <= Fraction(1, 2000):
        return
    assert abs(Fraction(weigh(quantity, unit).tonnes) - exact) <= Fraction(1, 2000)


@pytest.mark.parametrize("quantity", ["0", "-3", "NaN", "0.0001", "", "28,1"])
def test_a_quantity_is_above_nothing(book, quantity):
    with pytest.raises(BadEntry):
        book.move(quantity=quantity)
    assert not Movement.objects.exists()


def test_the_same_document_twice_is_one_movement(book):
    first = book.move(document="88213", source="weighbridge")
    assert book.move(document="88213", source="weighbridge") == first
    assert Movement.objects.count() == 1
    assert AuditEvent.objects.filter(verb="record_movement").count() == 1


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"quantity": "28.64"}, "another tonnes"),
        ({"moved_at": "2025-08-12 09:31"}, "another moved_at"),
        ({"unit_price": "9.20"}, "another unit_price"),
    ],
)
def test_the_same_document_with_other_figures_is_refused(book, changed, named):
    book.move(document="88213", source="weighbridge")
    with pytest.raises(DocumentChanged, match=named):
        book.move(document="88213", source="weighbridge", **changed)
    with pytest.raises(DocumentChanged, match="another pile"):
        book.move(document="88213", source="weighbridge", pile=book.other)
    assert Movement.objects.get().tonnes == Decimal("-28.100")


def test_an_evening_there_is_the_next_day_in_utc_and_counts_there(book):
    """No. 23 of the input failures: 23:52 −05:00 on 31 August is 1 September in UTC."""
    sale = book.move(moved_at="2025-08-31 23:52")
    assert sale.moved_at.astimezone(dt.UTC).date() == dt.date(2025, 9, 1)
    assert sale.book_on == dt.date(2025, 8, 31)


def test_a_site_day_may_end_in_the_morning(company):
    book = YardBook(company)
    book.site.day_end = dt.time(6)
    book.site.save()
    book.pile.refresh_from_db()
    night = book.move(moved_at="2025-09-01 05:59", document="1")
    morning = book.move(moved_at="2025-09-01 06:00", document="2")
    assert [night.book_on, morning.book_on] == [dt.date(2025, 8, 31), dt.date(2025, 9, 1)]


def test_a_late_ticket_is_proposed_as_a_correction_never_made_one_in_silence(book):
    august = book.locked("2025-08")
    with pytest.raises(PeriodClosed) as refused:
        book.move(moved_at="2025-08-31 23:52", document="90017", source="ticket")
    said = refused.value
    for words in (
        "Ticket 90017 of 2025-08-31 23:52 -05:00 is 2025-09-01 in UTC",
        "ends at 24:00 local",
        "belongs to 2025-08-31",
        "in 2025-08, which is locked",
        "Nothing was recorded",
    ):
        assert words in said.message
    assert "correction on 2025-09-01 that points to 2025-08" in said.remedy
    assert not Movement.objects.exists()
    late = book.move(moved_at="2025-08-31 23:52", document="90017", source="ticket", accept_late=True)
    assert (late.book_on, late.belongs_to) == (dt.date(2025, 9, 1), august)
    assert late.moved_at == at("2025-08-31 23:52", book.site)


def test_late_goes_over_every_closed_month_to_the_next_open_one(book):
    book.locked("2025-08")
    book.period("2025-09", "counting", "reconciled", "approved")
    assert book.move(accept_late=True).book_on == dt.date(2025, 10, 1)


@pytest.mark.parametrize("states", [(), ("counting",), ("counting", "reconciled")])
def test_a_period_that_is_not_approved_takes_movements_in(book, states):
    book.period("2025-08", *states)
    assert book.move().belongs_to is None


def test_what_is_refused(book, cast):
    with pytest.raises(InTheFuture):
        movements.record_movement(
            book.pile,
            kind="sale",
            quantity=1,
            moved_at=timezone.now() + dt.timedelta(minutes=1),
            by=book.company.manager,
        )
    with pytest.raises(PileNotOpen, match="did not exist on 2024-12-31"):
        book.move(moved_at="2024-12-31 12:00")
    with pytest.raises(BadEntry, match="no time zone"):
        movements.record_movement(
            book.pile,
            kind="sale",
            quantity=1,
            moved_at=dt.datetime(2025, 8, 1),  # noqa: DTZ001  the zone is missing on purpose
            by=book.company.manager,
        )
    with pytest.raises(BadEntry, match="not a movement of one pile"):
        book.move(kind="transfer-out")
    with pytest.raises(NotAllowed):
        book.move(by=book.company.surveyor)
    with pytest.raises(NotAllowed):
        book.move(by=cast.outsider)
    with pytest.raises(BadEntry, match="longer than 60"):
        book.move(document="9" * 61)
    theirs = cast.b.pile(cast.b.site("BRN"), cast.b.material("B1"))
    with pytest.raises(AcrossOrganizations):
        movements.record_transfer(
            book.pile, theirs, quantity=1, moved_at=at("2025-08-12 10:00", book.site), by=book.company.manager
        )
    assert not Movement.objects.exists()


def test_nothing_moves_before_the_opening(book):
    movements.record_opening(book.pile, quantity="24500", on=dt.date(2025, 2, 1), by=book.company.accountant)
    with pytest.raises(BadEntry, match="before the opening balance of pile DRV-05"):
        book.move(moved_at="2025-01-31 23:59")
    with pytest.raises(BadEntry, match="has an opening balance already"):
        movements.record_opening(book.pile, quantity="1", on=dt.date(2025, 3, 1), by=book.company.accountant)
    book.move(moved_at="2025-02-01 00:00")
    assert book.balance() == Decimal("24471.900")
    book.move(pile=book.other, moved_at="2025-02-03 08:00")
    with pytest.raises(BadEntry, match="before its opening balance of 2025-03-01"):
        movements.record_opening(book.other, quantity="1", on=dt.date(2025, 3, 1), by=book.company.accountant)


# --- transfers and grades ---------------------------------------------------------------------------


def transfer(book, to_pile, quantity="100", **more):
    given = {"moved_at": at("2025-08-12 10:00", book.site), "by": book.company.manager, **more}
    return movements.record_transfer(book.pile, to_pile, quantity=quantity, **given)


def test_a_transfer_has_two_equal_legs_that_name_each_other(book):
    moved = transfer(book, book.other, document="T-7")
    assert (moved.out.tonnes, moved.into.tonnes, moved.loss) == (Decimal(-100), Decimal(100), None)
    assert moved.out.other_leg == moved.into
    assert moved.into.other_leg == moved.out
    again = transfer(book, book.other, document="T-7")
    assert (again.out, again.into) == (moved.out, moved.into)
    assert Movement.objects.count() == 2


def test_what_is_lost_on_the_way_is_a_row_of_its_own(book):
    moved = transfer(book, book.other, received="98.2", document="T-7")
    assert moved.out.tonnes + moved.into.tonnes == 0
    assert (moved.loss.kind, moved.loss.tonnes, moved.loss.note) == (
        "usage",
        Decimal("-1.8"),
        "lost in transit",
    )
    assert book.balance(book.other) == Decimal("98.2")
    with pytest.raises(BadEntry, match="more than"):
        transfer(book, book.other, received="100.1")
    movements.reverse_movement(moved.into, by=book.company.manager, reason="wrong pile")
    assert (book.balance(), book.balance(book.other)) == (0, 0)


def test_grades_change_by_reclassification_only(book):
    fines = book.company.pile(book.site, book.company.material("M1", "Crusher fines"), "DRV-01")
    with pytest.raises(BadEntry, match="holds M4, pile DRV-01 M1"):
        transfer(book, fines)
    given = {"quantity": 60, "moved_at": at("2025-08-12 10:00", book.site), "by": book.company.manager}
    with pytest.raises(BadEntry, match="same material"):
        movements.reclassify(book.pile, book.other, reason="screened again", **given)
    done = movements.reclassify(book.pile, fines, reason="screened again", **given)
    assert (done.out.kind, done.into.kind, done.out.note) == ("reclass-out", "reclass-in", "screened again")
    assert done.out.tonnes + done.into.tonnes == 0


def test_material_of_two_owners_never_mixes(book):
    customer = book.owner("A01")
    theirs = piles.open_pile(
        site=book.site,
        code="DRV-09",
        name="Held for A01",
        material=book.material,
        opened_on=dt.date(2025, 1, 1),
        by=book.company.manager,
        owner=customer,
    )
    with pytest.raises(OwnersDiffer, match="the company itself, pile DRV-09 of A01"):
        transfer(book, theirs)
    with pytest.raises(OwnersDiffer, match="holds material of A01, not of Z99"):
        book.move(pile=theirs, owner_code="Z99")
    with pytest.raises(OwnersDiffer):
        piles.merge_piles(
            [book.pile, theirs],
            code="DRV-10",
            name="Both",
            on=dt.date(2025, 7, 1),
            by=book.company.manager,
            reason="grew together",
        )
    book.move("production", "70", pile=theirs, owner_code="A01")
    book.move("production", "30", owner_code="")
    with pytest.raises(OwnersDiffer, match="has movements already"):
        owners.give_pile_to(book.pile, customer, by=book.company.manager)
    held = book_of(book.company.accountant)
    assert (held.everything.own_t, held.everything.of_others_t) == (30, 70)
    assert [(each.key, each.tonnes) for each in held.by_owner()] == [(None, 30), (customer, 70)]
    assert [(each.own_t, each.of_others_t) for each in held.by_material()] == [(30, 70)]
    assert owners.give_pile_to(book.other, customer, by=book.company.manager).owner == customer


# --- reversal ---------------------------------------------------------------------------------------


def test_a_reversal_answers_and_both_stay(book):
    wrong = book.move("production", "300", moved_at="2025-08-10 10:00", document="P-1")
    answer = movements.reverse_movement(wrong, by=book.company.manager, reason="typed twice")
    wrong.refresh_from_db()
    assert (answer.tonnes, answer.reverses, answer.note) == (Decimal(-300), wrong, "typed twice")
    assert (answer.book_on, answer.moved_at) == (wrong.book_on, wrong.moved_at)
    assert wrong.reversed_at is not None
    assert book.balance() == 0
    assert not Movement.objects.standing().exists()
    with pytest.raises(AlreadyReversed):
        movements.reverse_movement(wrong, by=book.company.manager, reason="again")
    with pytest.raises(BadEntry, match="a reversal itself"):
        movements.reverse_movement(answer, by=book.company.manager, reason="back")
    # The document is free for the right figures.
    assert book.move("production", "30", moved_at="2025-08-10 10:00", document="P-1").tonnes == 30


def test_a_reversal_needs_a_reason_and_the_right(book):
    wrong = book.move()
    with pytest.raises(BadEntry, match="reason"):
        movements.reverse_movement(wrong, by=book.company.manager, reason=" ")
    with pytest.raises(NotAllowed):
        movements.reverse_movement(wrong, by=book.company.lead_surveyor, reason="wrong")


def test_reversing_what_a_locked_month_holds_is_a_late_correction(book):
    wrong = book.move()
    august = book.locked("2025-08")
    with pytest.raises(PeriodClosed, match="Reversing"):
        movements.reverse_movement(wrong, by=book.company.manager, reason="wrong pile")
    answer = movements.reverse_movement(wrong, by=book.company.manager, reason="wrong pile", accept_late=True)
    assert (answer.book_on, answer.belongs_to) == (dt.date(2025, 9, 1), august)
    assert book.balance(on="2025-08-31") == Decimal("-28.1")
    assert book.balance(on="2025-09-01") == 0


def test_only_who_posts_adjustments_records_or_reverses_one(book):
    given = {"tonnes": Decimal("-700"), "moved_at": at("2025-08-31 23:59", book.site), "document": "A-1"}
    with pytest.raises(NotAllowed):
        movements.record_adjustment(book.pile, by=book.company.manager, note="belt scale", **given)
    posted = movements.record_adjustment(book.pile, by=book.company.accountant, note="belt scale", **given)
    with pytest.raises(NotAllowed):
        movements.reverse_movement(posted, by=book.company.manager, reason="wrong")
    assert book.balance() == Decimal(-700)


@pytest.mark.parametrize(
    "sql", ["UPDATE inventory_movement SET tonnes = 1", "DELETE FROM inventory_movement"]
)
def test_the_database_itself_keeps_movements(book, sql):
    book.move()
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)


# --- properties -------------------------------------------------------------------------------------

amounts = st.decimals("0.001", "9999", places=3)


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_order_of_recording_gives_the_same_book_and_reversing_all_empties_it(company, data):
    """Sums do not know the order; transfers net to zero by material, site and company; reversal restores."""
    sid = transaction.savepoint()
    try:
        _any_order(company, data)
    finally:
        transaction.savepoint_rollback(sid)


def _any_order(company, data):
    number = company.organization.sites.count()
    site = company.site(f"S{number}", timezone="America/Chicago")
    far = company.site(f"F{number}", timezone="Asia/Tokyo")
    material = company.material(f"M{number}x")
    heaps = [company.pile(site, material), company.pile(site, material), company.pile(far, material)]
    acts = data.draw(
        st.lists(
            st.tuples(
                st.sampled_from(["production", "sale", "usage", "transfer"]),
                st.integers(0, 2),
                st.integers(1, 2),
                amounts,
                st.integers(1, 360),
            ),
            min_size=1,
            max_size=6,
        )
    )
    expected = {heap.pk: Decimal(0) for heap in heaps}
    made = []
    for index, (kind, first, step, amount, moment) in data.draw(st.permutations(list(enumerate(acts)))):
        heap, other = heaps[first], heaps[(first + step) % 3]
        moment = dt.datetime(2025, 1, 1, tzinfo=dt.UTC) + dt.timedelta(days=moment)
        given = {"moved_at": moment, "by": company.manager, "document": f"D{index}"}
        if kind == "transfer":
            made.append(movements.record_transfer(heap, other, quantity=amount, **given).out)
            expected[heap.pk] -= amount
            expected[other.pk] += amount
        else:
            made.append(movements.record_movement(heap, kind=kind, quantity=amount, **given))
            expected[heap.pk] += amount if kind == "production" else -amount
    far_day = dt.date(2999, 1, 1)
    assert book_balances(heaps, on=far_day) == expected
    outside = sum((row.tonnes for row in made if row.other_leg_id is None), Decimal(0))
    book = book_of(company.accountant, on=dt.date(2026, 1, 1))
    for sums in (book.by_material(), book.by_owner(), book.by_site(), [book.everything]):
        assert sum(each.tonnes for each in sums) == outside
    for row in data.draw(st.permutations(made)):
        movements.reverse_movement(row, by=company.manager, reason="all of it")
    assert set(book_balances(heaps, on=far_day).values()) == {Decimal(0)}


# --- two doors at once --------------------------------------------------------------------------------


def test_a_period_that_closes_meanwhile_is_told_in_words(book, monkeypatch):
    """The calendar was read before the lock: the database refuses, and the refusal is the usual one."""
    book.locked("2025-08")
    monkeypatch.setattr("inventory.book_days.Calendar.closed_period", lambda self, day: None)
    with pytest.raises(PeriodClosed, match="closed meanwhile"):
        book.move()
    assert not Movement.objects.exists()


def test_a_document_that_comes_by_two_doors_at_once_is_one(book, monkeypatch):
    """The second has looked before the first had written: the database tells them apart."""
    first = book.move(document="88213")
    from inventory import entering

    real, looked = entering.same_in_book, []

    def too_early(movement):
        looked.append(movement)
        return None if len(looked) == 1 else real(movement)

    monkeypatch.setattr(entering, "same_in_book", too_early)
    assert book.move(document="88213") == first
    looked.clear()
    with pytest.raises(DocumentChanged):
        book.move(document="88213", quantity="27")
    assert Movement.objects.count() == 1


def test_a_transfer_again_with_another_loss_is_refused(book):
    transfer(book, book.other, received="98.2", document="T-7")
    again = transfer(book, book.other, received="98.2", document="T-7")
    assert again.loss.tonnes == Decimal("-1.8")
    with pytest.raises(DocumentChanged, match=r"with 1\.800 t lost on the way, not 0\.000 t"):
        transfer(book, book.other, document="T-7")
    assert Movement.objects.count() == 3
