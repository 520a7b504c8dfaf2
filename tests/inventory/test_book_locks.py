"""A closed month attacked by plain SQL on whichever database the run uses, and by two people at once."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection

from inventory import closing, ledger_checks, sheet
from inventory.errors import BookRefused, PeriodClosed
from inventory.models import (
    Adjustment,
    AuditEvent,
    JournalEntry,
    JournalLine,
    Movement,
    Period,
    PeriodLine,
    PeriodStep,
)
from tests.cast import found_cast, person
from tests.inventory.month_book import MonthBook
from tests.inventory.test_races import together
from tests.inventory.test_write_once import execute, refused

LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    """January locked, with a posted adjustment and its journal."""
    book = MonthBook(company)
    book.count_all(LAST, 1300, 1000)
    period = book.period()
    book.explain(period, book.piles[0])
    period = book.reconcile(period)
    book.post(book.propose(period, book.piles[0], 300))
    book.lock(book.approve(period))
    return book


def copied(row, **changed):
    """An INSERT of a copy of the row with some columns changed, as plain SQL."""
    values = {field.column: field.attname for field in row._meta.concrete_fields if field.column != "id"}
    table = row._meta.db_table
    parts, given = [], []
    for column in values:
        if column in changed:
            parts.append("%s")
            given.append(changed[column])
        else:
            parts.append(column)
    statement = (
        f"INSERT INTO {table} ({', '.join(values)}) SELECT {', '.join(parts)} FROM {table} WHERE id = %s"
    )
    return statement, *given, row.pk


def test_no_movement_enters_a_locked_month(book):
    movement = Movement.objects.filter(kind="opening").first()
    document = {"source": "x", "document": "D-1", "tonnes": "5"}
    for day in ("2025-01-01", "2025-01-15", "2025-01-31"):
        assert "period of this movement is closed" in refused(*copied(movement, book_on=day, **document))
    assert execute(*copied(movement, book_on="2025-02-01", **document)) == 1


def test_no_movement_is_moved_out_of_or_into_it(book):
    movement = Movement.objects.filter(kind="opening").first()
    table = "inventory_movement"
    for column, value in (("book_on", "2025-02-01"), ("tonnes", "1"), ("pile_id", book.piles[1].pk)):
        assert "written once" in refused(
            f"UPDATE {table} SET {column} = %s WHERE id = %s", value, movement.pk
        )
    assert "never deleted" in refused(f"DELETE FROM {table} WHERE id = %s", movement.pk)


def test_its_lines_are_kept(book):
    line = PeriodLine.objects.first()
    table = "inventory_periodline"
    for column, value in (
        ("variance_t", "0"),
        ("gate", "quiet"),
        ("causes", "[]"),
        ("measured_closing_t", "1"),
    ):
        assert "are kept" in refused(f"UPDATE {table} SET {column} = %s WHERE id = %s", value, line.pk)
    assert "are kept" in refused(f"DELETE FROM {table} WHERE id = %s", line.pk)
    other = book.company.pile(book.site, book.material)
    assert "is closed" in refused(*copied(line, pile_id=other.pk))


def test_its_adjustments_are_kept(book):
    adjustment = Adjustment.objects.first()
    table = "inventory_adjustment"
    for column, value in (("tonnes", "1"), ("amount", "1"), ("reason", "x"), ("proposed_by_id", 1)):
        assert "keeps its values" in refused(
            f"UPDATE {table} SET {column} = %s WHERE id = %s", value, adjustment.pk
        )
    assert "cannot take that step" in refused(
        f"UPDATE {table} SET state = 'proposed' WHERE id = %s", adjustment.pk
    )
    assert "never deleted" in refused(f"DELETE FROM {table} WHERE id = %s", adjustment.pk)
    new = {"state": "proposed", "movement_id": None, "approved_by_id": None, "approved_at": None}
    assert "open period" in refused(*copied(adjustment, **new))


def test_its_journal_is_kept(book):
    entry = JournalEntry.objects.first()
    line = JournalLine.objects.first()
    assert "is kept" in refused("UPDATE inventory_journalentry SET text = 'x' WHERE id = %s", entry.pk)
    assert "never deleted" in refused("DELETE FROM inventory_journalentry WHERE id = %s", entry.pk)
    for statement in (
        "UPDATE inventory_journalline SET debit = 1, credit = 0 WHERE id = %s",
        "DELETE FROM inventory_journalline WHERE id = %s",
    ):
        assert "is kept" in refused(statement, line.pk)
    assert "is kept" in refused(*copied(line, line=99))
    assert "not locked" in refused(*copied(entry, number="N-1", posted_at=None))


def test_the_month_itself_keeps_its_days_its_sheet_and_its_state(book):
    period = Period.objects.get(state="locked")
    table = "inventory_period"
    for column, value in (("starts_on", "2024-12-31"), ("ends_on", "2025-02-02"), ("name", "x")):
        if getattr(period, column) == dt.date(2025, 2, 1):
            value = "2025-02-02"
        assert "keeps its days" in refused(
            f"UPDATE {table} SET {column} = %s WHERE id = %s", value, period.pk
        )
    assert "is kept" in refused(f"UPDATE {table} SET sheet_sha256 = 'x' WHERE id = %s", period.pk)
    for state in ("open", "counting", "reconciled", "approved"):
        assert "cannot take that step" in refused(
            f"UPDATE {table} SET state = %s WHERE id = %s", state, period.pk
        )
    assert "two people" in refused(f"UPDATE {table} SET state = 'restating' WHERE id = %s", period.pk)
    assert "never deleted" in refused(f"DELETE FROM {table} WHERE id = %s", period.pk)
    overlapping = {"name": "y", "starts_on": "2025-01-31", "ends_on": "2025-02-28", "state": "open"}
    assert "overlap" in refused(*copied(period, **overlapping))


@pytest.mark.parametrize("model", [PeriodStep, AuditEvent])
def test_who_did_what_is_written_once(book, model):
    row, table = model.objects.first(), model._meta.db_table
    for column in ("by_id", "roles"):
        value = book.company.surveyor.pk if column == "by_id" else "x"
        assert "written once" in refused(f"UPDATE {table} SET {column} = %s WHERE id = %s", value, row.pk)
    assert "never deleted" in refused(f"DELETE FROM {table} WHERE id = %s", row.pk)


def test_a_line_whose_sum_is_wrong_is_refused_even_in_an_open_month(book):
    last = dt.date(2025, 2, 28)
    book.count_all(last, 1300, 1000)
    book.reconcile(book.period(last))
    line = PeriodLine.objects.filter(period__state="reconciled").first()
    with pytest.raises(IntegrityError):
        PeriodLine.objects.filter(pk=line.pk).update(book_closing_t=Decimal(1))


def test_the_checks_see_what_gets_past_the_triggers(book):
    """Bulk changes with the triggers gone: each must be told by the invariant that it breaks."""
    scope = ledger_checks.Scope(book.company.organization)
    with connection.cursor() as cursor:
        for name, table in (
            ("movement_in_open_period", "movement"),
            ("line_kept_when_closed", "periodline"),
            ("adjustment_keeps_values", "adjustment"),
            ("entry_line_kept", "journalline"),
            ("step_written_once", "periodstep"),
        ):
            of_table = f" ON inventory_{table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER heapledger_{name}{of_table}")

    def broken():
        return {problem.check for problem in ledger_checks.run(scope)}

    assert broken() == set()
    execute("UPDATE inventory_periodline SET variance_t = variance_t + 1")
    assert broken() == {"variance_is_measured_less_book", "sheets_keep_their_hash"}
    execute("UPDATE inventory_periodline SET variance_t = variance_t - 1")
    execute("UPDATE inventory_periodline SET opening_t = opening_t + 7, book_closing_t = book_closing_t + 7")
    assert {"opening_is_closing_before", "sheets_keep_their_hash"} <= broken()
    execute("UPDATE inventory_periodline SET opening_t = opening_t - 7, book_closing_t = book_closing_t - 7")
    movement = Movement.objects.filter(kind="opening").first()
    execute("UPDATE inventory_adjustment SET count_id = NULL")
    assert broken() == {"adjustments_have_evidence"}
    execute("UPDATE inventory_journalline SET debit = debit + 1 WHERE debit > 0")
    assert "debits_are_credits" in broken()
    execute("UPDATE inventory_periodstep SET by_id = %s", book.company.manager.pk)
    assert "preparer_is_not_approver" in broken()
    execute(*copied(movement, book_on="2025-01-20", kind="adjustment", document="X", tonnes="9"))
    assert {"lines_are_their_movements", "adjustments_are_posted_as_approved"} <= broken()


# --- two at once ---------------------------------------------------------------------------------


@pytest.fixture
def counted(transactional_db):
    company = found_cast().a
    book = MonthBook(company)
    book.count_all(LAST, 1000, 1000)
    return book


@pytest.mark.postgres
def test_two_accountants_reconcile_one_month_at_once_and_one_gets_words(counted):
    book = counted
    second = person("accountant-2", book.company.organization, "accountant")
    period = closing.start_counting(book.period(), book.company.manager)
    outcomes = together(
        lambda: closing.reconcile(period, book.company.accountant),
        lambda: closing.reconcile(period, second),
    )
    (words,) = [outcome for outcome in outcomes if outcome is not None]
    assert isinstance(words, BookRefused)
    assert "2025-01 of QRY is reconciled. To reconcile it, it must be counting" in words.message
    assert period.steps.filter(to_state="reconciled").count() == 1
    assert PeriodLine.objects.filter(period=period).count() == 2
    assert ledger_checks.run(ledger_checks.Scope(book.company.organization)) == []


@pytest.mark.postgres
def test_two_controllers_lock_one_month_at_once_and_it_is_locked_once(counted):
    book = counted
    second = person("controller-2", book.company.organization, "controller")
    period = book.approve(book.reconcile(book.period()))
    outcomes = together(
        lambda: closing.lock(period, book.company.controller), lambda: closing.lock(period, second)
    )
    assert sum(outcome is None for outcome in outcomes) == 1
    assert period.steps.filter(to_state="locked").count() == 1


@pytest.mark.postgres
def test_a_ticket_and_the_approval_of_its_month_do_not_pass_each_other(counted):
    """Either the ticket came first and the approval says that something changed, or the month is closed to
    the ticket: never an approved month that holds a ticket its sheet does not know."""
    book = counted
    for _ in range(4):
        period = Period.objects.filter(site=book.site).first() or book.period()
        if period.state == "open":
            period = book.reconcile(period)
        outcomes = together(
            lambda: book.move(book.piles[0], "sale", 5, LAST),
            lambda period=period: closing.approve(period, book.company.manager),
        )
        assert any(outcome is not None for outcome in outcomes)
        assert ledger_checks.run(ledger_checks.Scope(book.company.organization)) == []
        period.refresh_from_db()
        if period.state == "approved":
            assert isinstance(outcomes[0], (PeriodClosed, IntegrityError))
            kept, live = sheet.kept_sheet(period), sheet.live_sheet(period)
            assert kept.total.book_closing_t == live.total.book_closing_t
            return
        closing.reconcile_again(period, book.company.accountant)


@pytest.mark.postgres
def test_many_acts_at_once_leave_one_chain(counted):
    book = counted
    acts = [
        lambda n=n: book.move(
            book.piles[n % 2], "sale", 1, dt.date(2025, 1, 10 + n), document=f"T{n}", source="w"
        )
        for n in range(6)
    ]
    assert together(*acts) == [None] * 6
    events = AuditEvent.objects.filter(organization=book.company.organization)
    assert list(events.values_list("seq", flat=True)) == list(range(1, events.count() + 1))
    assert ledger_checks.run(ledger_checks.Scope(book.company.organization)) == []
