"""Adjustments by two people, posted with their movement and journal, and reversed when evidence falls."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from inventory import adjusting, counting, ledger_checks, owners, sheet, superseding
from inventory.errors import AdjustmentNotThere, BadEntry, NotAllowed, SamePerson
from inventory.models import Adjustment, AuditEvent, JournalEntry, Membership, Movement
from tests.inventory.month_book import JANUARY, MonthBook

D = Decimal
LAST = dt.date(2025, 1, 31)
FEBRUARY = dt.date(2025, 2, 1)


@pytest.fixture
def book(company):
    book = MonthBook(company)
    book.count_all(LAST, 1300, 1000)
    return book


@pytest.fixture
def period(book):
    period = book.period()
    book.explain(period, book.piles[0])
    return book.reconcile(period)


def holds(book):
    assert ledger_checks.run(ledger_checks.Scope(book.company.organization)) == []


def test_an_adjustment_is_proposed_approved_and_posted(book, period):
    pile = book.piles[0]
    adjustment = book.propose(period, pile, 300, nature="estimate", reason_code="set-to-measured")
    assert (adjustment.state, adjustment.unit_cost, adjustment.amount) == ("proposed", D(5), D(1500))
    adjustment = book.post(adjustment)
    assert adjustment.state == "posted"
    movement = adjustment.movement
    assert (movement.kind, movement.tonnes, movement.book_on) == ("adjustment", D(300), LAST)
    line = sheet.sheet_of(period).line_of(pile)
    # Variance stays measured less the book before; what is carried on is nothing.
    assert (line.variance_t, line.adjustment_t, line.unposted_t) == (D(300), D(300), D(0))
    entry = JournalEntry.objects.get()
    assert {(each.debit, each.credit) for each in entry.lines.all()} == {(D(1500), 0), (0, D(1500))}
    book.lock(book.approve(period))
    holds(book)


def test_who_proposed_never_approves(book, period):
    company = book.company
    Membership.objects.create(user=company.accountant, organization=company.organization, role="controller")
    adjustment = book.propose(period, book.piles[0], 300)
    with pytest.raises(SamePerson):
        adjusting.approve_adjustment(adjustment, company.accountant)
    # And the database says so too, past every verb.
    with pytest.raises(IntegrityError), transaction.atomic():
        Adjustment.objects.filter(pk=adjustment.pk).update(
            state="approved", approved_by=company.accountant, approved_at=adjustment.proposed_at
        )


@pytest.mark.parametrize(
    ("act", "may"),
    [
        ("propose", {"manager", "accountant"}),
        ("approve", {"controller"}),
        ("post", {"accountant", "controller"}),
    ],
)
def test_each_act_is_for_its_roles(book, period, act, may):
    pile, controller = book.piles[0], book.company.controller
    for role in set(book.company.people) - may:
        person = book.company.people[role]
        adjustment = book.propose(period, pile, 1)
        if act == "post":
            adjusting.approve_adjustment(adjustment, controller)
        verb = {
            "propose": lambda _, by: book.propose(period, pile, 1, by=by),
            "approve": adjusting.approve_adjustment,
            "post": adjusting.post_adjustment,
        }[act]
        with pytest.raises(NotAllowed):
            verb(adjustment, person)


def test_nothing_is_posted_that_was_not_approved_and_nothing_twice(book, period):
    adjustment = book.propose(period, book.piles[0], 300)
    with pytest.raises(AdjustmentNotThere, match="is proposed"):
        adjusting.post_adjustment(adjustment, book.company.accountant)
    book.post(adjustment)
    with pytest.raises(AdjustmentNotThere, match="is posted"):
        adjusting.post_adjustment(adjustment, book.company.accountant)
    assert Movement.objects.filter(kind="adjustment").count() == 1


def test_a_rejection_keeps_its_reason(book, period):
    adjustment = book.propose(period, book.piles[0], 300)
    adjustment = adjusting.reject_adjustment(adjustment, book.company.controller, "survey first")
    assert (adjustment.state, adjustment.rejected_reason) == ("rejected", "survey first")
    with pytest.raises(AdjustmentNotThere):
        adjusting.approve_adjustment(adjustment, book.company.controller)
    assert AuditEvent.objects.filter(verb="reject_adjustment").count() == 1


@pytest.mark.parametrize(
    "wrong",
    [
        {"tonnes": 0},
        {"tonnes": "1.0001"},
        {"nature": "guess"},
        {"reason_code": "because"},
        {"reason_code": "reversal"},
        {"reason": " "},
        {"count": None},
        {"reason_code": "override"},
    ],
)
def test_what_cannot_be_proposed_is_refused(book, period, wrong):
    given = {"tonnes": 10, **wrong}
    with pytest.raises(BadEntry):
        book.propose(period, book.piles[0], given.pop("tonnes"), **given)


def test_the_evidence_is_a_standing_count_of_the_pile_or_an_override(book, period):
    first, second = book.piles
    with pytest.raises(BadEntry, match="of another pile"):
        book.propose(period, first, 10, count=second.counts.get())
    override = book.propose(period, first, 10, count=None, reason_code="override", reason="poured away")
    book.post(override)
    holds(book)


def test_a_customers_stock_moves_in_tonnes_and_not_in_money(book):
    company = book.company
    customer = owners.add_owner(company.organization, code="A01", name="Customer A01", by=company.manager)
    pile = company.pile(book.site, book.material)
    pile = owners.give_pile_to(pile, customer, by=company.manager)
    book.count(pile, LAST, 300)
    adjustment = book.post(book.propose(book.period(), pile, 300))
    assert adjustment.amount is None
    assert not JournalEntry.objects.exists()


def test_a_superseded_survey_proposes_the_reversal_in_the_next_open_month(book, period):
    """A wrong survey under an approved period: a new version supersedes the old one and does not change the
    closed month; the adjustment that rested on it is reversed where something can still be posted."""
    company, pile = book.company, book.piles[0]
    old = pile.counts.get()
    posted = book.post(book.propose(period, pile, 300, nature="estimate", reason_code="set-to-measured"))
    january = book.lock(book.approve(period))
    (told,) = superseding.effects_of_superseding(old)
    assert "You are correcting the approved 2025-01 certificate" in told
    assert "used in journal QRY-2025-01-" in told
    assert "it does not change 2025-01" in told
    assert "300 t, 1,500.00. Needs lead surveyor and controller." in told
    new = book.count(pile, LAST, 1010, supersedes=old)
    reversal = Adjustment.objects.get(reverses=posted)
    february = reversal.period
    assert (february.name, reversal.tonnes, reversal.amount) == ("2025-02", D(-300), D(-1500))
    assert (reversal.count, reversal.nature, reversal.proposed_by) == (new, "error", company.lead_surveyor)
    assert january.lines.get(pile=pile).book_closing_t == D(1300)
    book.post(reversal)
    posted.refresh_from_db()
    assert posted.state == "reversed"
    assert sheet.live_sheet(february).line_of(pile).book_closing_t == D(1000)
    entries = [
        {(line.account, line.debit, line.credit) for line in entry.lines.all()}
        for entry in JournalEntry.objects.order_by("pk")
    ]
    mirrored = {(account, credit, debit) for account, debit, credit in entries[0]}
    assert entries[1] == mirrored
    assert superseding.effects_of_superseding(new) == []
    holds(book)


def test_a_withdrawn_survey_proposes_it_too_and_only_once(book, period):
    pile = book.piles[0]
    count = pile.counts.get()
    book.post(book.propose(period, pile, 300))
    for _ in range(2):
        counting.withdraw_stock_count(count.evidence_ref, by=book.company.lead_surveyor, reason="wrong pole")
    reversal = Adjustment.objects.get(reason_code="reversal")
    # January takes postings still, and so it is reversed in January itself.
    assert reversal.period.name == "2025-01"
    assert "wrong pole" in reversal.reason


def test_an_unposted_proposal_is_not_reversed(book, period):
    pile = book.piles[0]
    book.propose(period, pile, 300)
    book.count(pile, LAST, 1010, supersedes=pile.counts.get())
    assert not Adjustment.objects.filter(reason_code="reversal").exists()


def test_the_cutoff_moment_of_a_posting_lies_in_its_month(book, period):
    movement = book.post(book.propose(period, book.piles[0], 300)).movement
    assert book.site.date_of(movement.moved_at) == LAST
    assert sheet.live_sheet(book.period(FEBRUARY)).line_of(book.piles[0]).opening_t == D(1300)
    assert book.period(JANUARY).pk == period.pk
