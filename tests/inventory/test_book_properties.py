"""The book holds after any order of recording, reversing, counting, closing, locking and restating.

The machine acts as people would, at random; what the book refuses is refused in words and changes nothing.
After every step all invariants run, and what is locked says what it said when it was locked.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from inventory import adjusting, closing, explaining, ledger_checks, movements, restating, sheet
from inventory.errors import BookRefused
from inventory.models import Adjustment, Movement, Period, PeriodLine, Restatement
from tests.cast import found_cast
from tests.inventory.month_book import MonthBook

DAYS = st.dates(dt.date(2025, 1, 1), dt.date(2025, 3, 31))
QUANTITIES = st.decimals(Decimal("0.001"), 400, places=3)
PILES = st.integers(0, 1)
MONTHS = st.integers(1, 3)


DONE: set[str] = set()
"""Acts that succeeded in some run: a machine that never locks proves nothing about locks."""


class Books(RuleBasedStateMachine):
    """Two piles over three months."""

    def __init__(self) -> None:
        super().__init__()
        self.company = found_cast().a
        self.book = MonthBook(self.company)
        self.site = self.book.site
        self.book.period(dt.date(2025, 3, 1))
        self.locked: dict[int, list] = {}
        self.words: list[str] = []

    def attempt(self, name, act, *given, **named):
        """An act, or its refusal in words."""
        try:
            act(*given, **named)
        except BookRefused as refused:
            self.words.append(refused.message)
        else:
            DONE.add(name)

    def month(self, number):
        return Period.objects.get(site=self.site, starts_on=dt.date(2025, number, 1))

    @rule(
        pile=PILES,
        kind=st.sampled_from(["production", "purchase", "sale", "usage", "own-works"]),
        quantity=QUANTITIES,
        day=DAYS,
        late=st.booleans(),
    )
    def record(self, pile, kind, quantity, day, late):
        self.attempt("record", self.book.move, self.book.piles[pile], kind, quantity, day, accept_late=late)

    @rule(quantity=QUANTITIES, day=DAYS)
    def transfer(self, quantity, day):
        moved_at = dt.datetime.combine(day, dt.time(9), dt.UTC)
        self.attempt(
            "transfer",
            movements.record_transfer,
            *self.book.piles,
            quantity=quantity,
            moved_at=moved_at,
            by=self.company.manager,
        )

    @rule(which=st.integers(0, 50), late=st.booleans())
    def reverse(self, which, late):
        rows = Movement.objects.standing().exclude(kind__in=["opening", "adjustment"]).order_by("pk")
        if rows:
            movement = rows[which % len(rows)]
            self.attempt(
                "reverse",
                movements.reverse_movement,
                movement,
                by=self.company.manager,
                reason="typed twice",
                accept_late=late,
            )

    @rule(month=MONTHS, off=st.integers(-60, 60), back=st.integers(0, 3))
    def count(self, month, off, back):
        period = self.month(month)
        day = period.ends_on - dt.timedelta(days=1 + back)
        for pile in self.book.piles:
            standing = pile.counts.current().filter(counted_on=day).first()
            line = sheet.live_sheet(period, with_causes=False).line_of(pile)
            tonnes = max(1, int(line.book_before_t) + off)
            self.attempt("count", self.book.count, pile, day, tonnes, supersedes=standing)

    @rule(month=MONTHS, pile=PILES)
    def explain(self, month, pile):
        given = (self.month(month), self.book.piles[pile], "looked into", self.company.surveyor)
        self.attempt("explain", explaining.explain, *given)

    @rule(month=MONTHS, pile=PILES, tonnes=st.integers(-50, 50).filter(bool))
    def adjust(self, month, pile, tonnes):
        pile = self.book.piles[pile]
        if pile.counts.current().exists():
            self.attempt("propose", self.book.propose, self.month(month), pile, tonnes)

    @rule(post=st.booleans())
    def decide(self, post):
        for row in Adjustment.objects.filter(state="proposed"):
            self.attempt("approve adjustment", adjusting.approve_adjustment, row, self.company.controller)
        for row in Adjustment.objects.filter(state="approved"):
            if post:
                self.attempt("post", adjusting.post_adjustment, row, self.company.accountant)
            else:
                self.attempt("reject", adjusting.reject_adjustment, row, self.company.controller, "no")

    @rule(month=MONTHS)
    def reconcile(self, month):
        period = self.month(month)
        if period.state == "open":
            closing.start_counting(period, self.company.manager)
        again = closing.reconcile_again if period.state == "reconciled" else closing.reconcile
        self.attempt("reconcile", again, period, self.company.accountant)

    @rule(month=MONTHS)
    def step_back(self, month):
        period = self.month(month)
        back = closing.take_approval_back if period.state == "approved" else closing.send_back
        who = self.company.controller if period.state == "approved" else self.company.manager
        self.attempt("step back", back, period, who, "look again")

    @rule(month=MONTHS)
    def approve(self, month):
        self.attempt("approve", closing.approve, self.month(month), self.company.manager)

    @rule(month=MONTHS)
    def lock(self, month):
        self.attempt("lock", closing.lock, self.month(month), self.company.controller)

    @rule(month=MONTHS)
    def close_all_the_way(self, month):
        """What people usually do, so that the machine gets somewhere in a few steps."""
        for number in range(1, month + 1):
            if self.month(number).state not in ("locked", "restating"):
                self.count(number, 3, 0)
                for pile in (0, 1):
                    self.explain(number, pile)
                self.decide(True)
                self.reconcile(number)
                self.approve(number)
                self.step_back(number)
                self.approve(number)
                self.lock(number)

    @rule(month=MONTHS)
    def ask(self, month):
        self.attempt(
            "ask", restating.ask_restatement, self.month(month), self.company.lead_surveyor, "wrong pole"
        )

    @precondition(lambda self: Restatement.objects.filter(ended_at__isnull=True).exists())
    @rule(act=st.sampled_from(["agree", "reconcile", "end"]))
    def restate(self, act):
        self.restate_once(act)

    def restate_once(self, act):
        for row in Restatement.objects.filter(ended_at__isnull=True).order_by("-period__starts_on"):
            verb, who = {
                "agree": (restating.agree_restatement, self.company.controller),
                "reconcile": (restating.reconcile_restated, self.company.accountant),
                "end": (restating.end_restatement, self.company.controller),
            }[act]
            self.attempt(act, verb, row, who)

    @rule(month=MONTHS, quantity=QUANTITIES)
    def restate_all_the_way(self, month, quantity):
        self.close_all_the_way(month)
        self.ask(month)
        self.restate_once("agree")
        self.record(0, "sale", quantity, self.month(month).starts_on, False)
        self.explain(month, 0)
        self.explain(month, 1)
        self.restate_once("reconcile")
        self.restate_once("end")

    @invariant()
    def refusals_are_words(self):
        assert all(len(words.split()) > 3 for words in self.words)

    @invariant()
    def the_books_hold(self):
        assert ledger_checks.run(ledger_checks.Scope(self.company.organization)) == []

    @invariant()
    def what_is_locked_says_what_it_said(self):
        now = {}
        for period in Period.objects.filter(site=self.site, state="locked"):
            step = period.steps.filter(to_state="locked").count()
            lines = PeriodLine.objects.filter(period=period).order_by("pile__code")
            now[period.pk] = (
                step,
                list(lines.values_list("pile", "opening_t", "book_closing_t", "variance_t")),
            )
            before = self.locked.get(period.pk)
            assert before is None or before[0] != step or before[1] == now[period.pk][1]
        self.locked.update(now)

    @invariant()
    def every_tonne_of_the_book_is_in_a_movement(self):
        for period in Period.objects.filter(site=self.site):
            live = sheet.live_sheet(period, with_causes=False)
            held = sum(
                Movement.objects.filter(site=self.site, book_on__lt=period.ends_on).values_list(
                    "tonnes", flat=True
                ),
                Decimal(0),
            )
            assert live.total.book_closing_t == held


class RolledBack(Books):
    """Each run in a savepoint that is rolled back."""

    def __init__(self) -> None:
        self.run = transaction.atomic()
        self.run.__enter__()
        super().__init__()

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.run.__exit__(None, None, None)


def test_the_book_holds_in_any_order(db):
    scripted = RolledBack()
    scripted.record(0, "sale", Decimal(3), dt.date(2025, 1, 9), False)
    scripted.transfer(Decimal(2), dt.date(2025, 1, 10))
    scripted.reverse(0, False)
    scripted.close_all_the_way(1)
    scripted.restate_all_the_way(1, Decimal(5))
    scripted.the_books_hold()
    scripted.teardown()
    run_state_machine_as_test(
        RolledBack,
        settings=settings(
            max_examples=5,
            stateful_step_count=12,
            deadline=None,
            derandomize=True,
            # A run that fails is short enough to read as it is; shrinking it takes minutes.
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )
    assert {"record", "transfer", "reverse", "count", "propose", "reconcile", "approve"} <= DONE
    assert {"lock", "step back", "ask", "agree", "end"} <= DONE
