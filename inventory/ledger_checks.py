"""Invariants of the book, each a function that tells what does not hold, in words; nothing when all is well.

They are run before every lock, by the tests after every step, and by the command `verify`. The database holds
most of them by itself; these look at what it holds with other eyes, so that a door somebody left open shows.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import F, Q, QuerySet, Sum

from inventory.audit import walk_chain
from inventory.crossing import LAST_PLACE
from inventory.lineage_book import CARRYING
from inventory.models import (
    Adjustment,
    AuditEvent,
    JournalEntry,
    Movement,
    Organization,
    Period,
    PeriodLine,
    PeriodStep,
    PileLineage,
    Restatement,
    Site,
)
from inventory.models.movements import PAIRED
from inventory.periods import CLOSED, HAS_LINES, State
from inventory.sheet_lines import INTO, OUT_OF, ZERO, hash_of_lines


@dataclass(frozen=True)
class Scope:
    """What is looked at: an organization, one of its sites, or one period of a site."""

    organization: Organization
    site: Site | None = None
    period: Period | None = None

    def periods(self) -> QuerySet[Period]:
        rows = Period.objects.filter(site__organization=self.organization).select_related("site")
        if self.site is not None:
            rows = rows.filter(site=self.site)
        return rows if self.period is None else rows.filter(pk=self.period.pk)

    def movements(self) -> QuerySet[Movement]:
        rows = Movement.objects.filter(site__organization=self.organization)
        if self.site is not None:
            rows = rows.filter(site=self.site)
        if self.period is not None:
            rows = rows.filter(book_on__gte=self.period.starts_on, book_on__lt=self.period.ends_on)
        return rows.order_by()

    def lines(self) -> QuerySet[PeriodLine]:
        kept = PeriodLine.objects.filter(period__in=self.periods(), period__state__in=HAS_LINES)
        return kept.select_related("period__site", "pile", "count")

    def adjustments(self) -> QuerySet[Adjustment]:
        rows = Adjustment.objects.filter(period__in=self.periods())
        return rows.select_related("period__site", "pile", "count", "movement", "reverses__movement")


@dataclass(frozen=True)
class Problem:
    """An invariant that does not hold: the function's name, and where and how in words."""

    check: str
    message: str


def identity_holds(scope: Scope) -> Iterator[str]:
    """Opening and what came in, less what went out, is the book closing, to the kilogram."""
    for line in scope.lines():
        into = sum((getattr(line, name) for name in INTO), ZERO)
        closing_t = into - sum((getattr(line, name) for name in OUT_OF), ZERO)
        if closing_t != line.book_closing_t:
            yield f"{line}: the terms give {closing_t} t, the book closes with {line.book_closing_t} t."


def variance_is_measured_less_book(scope: Scope) -> Iterator[str]:
    for line in scope.lines().filter(measured_closing_t__isnull=False):
        variance_t = line.measured_closing_t - (line.book_closing_t - line.adjustment_t)
        if variance_t != line.variance_t:
            yield f"{line}: measured less book is {variance_t} t, the line says {line.variance_t} t."


def measured_is_count_and_roll(scope: Scope) -> Iterator[str]:
    """What was measured at the cut-off is the count and what moved since (ISA 501.5; PCAOB AS 2510.12)."""
    for line in scope.lines().filter(count__isnull=False):
        measured_t = line.count.tonnes + line.rollforward_t
        if measured_t != line.measured_closing_t:
            yield f"{line}: count and roll give {measured_t} t, the line says {line.measured_closing_t} t."


def opening_is_closing_before(scope: Scope) -> Iterator[str]:
    """The book opens with what it closed with, or what moved before its first month, and what an opening
    balance added."""
    closed: dict[tuple[int, int, dt.date], Decimal] = {}
    organization = Scope(scope.organization, scope.site)
    for line in organization.lines():
        closed[line.period.site_id, line.pile_id, line.period.ends_on] = line.book_closing_t
    has_lines = {(site, ends_on) for site, _, ends_on in closed}
    begun: dict[tuple[int, dt.date], Decimal] = defaultdict(lambda: ZERO)
    for row in scope.movements().filter(kind=Movement.Kind.OPENING):
        begun[row.pile_id, row.book_on.replace(day=1)] += row.tonnes
    for line in scope.lines():
        site, starts_on = line.period.site_id, line.period.starts_on
        if (site, starts_on) not in has_lines:
            for pile_id, tonnes in _moved_before(site, starts_on):
                closed[site, pile_id, starts_on] = tonnes
            has_lines.add((site, starts_on))
        before_t = closed.get((site, line.pile_id, starts_on), ZERO) + begun[line.pile_id, starts_on]
        if line.opening_t != before_t:
            yield f"{line}: opens with {line.opening_t} t, the month before closed with {before_t} t."


def _moved_before(site_id: int, day: dt.date) -> Iterator[tuple[int, Decimal]]:
    rows = Movement.objects.filter(site=site_id, book_on__lt=day).order_by().values_list("pile_id")
    for pile_id, tonnes in rows.annotate(t=Sum("tonnes")):
        yield pile_id, tonnes.quantize(LAST_PLACE)


def lines_are_their_movements(scope: Scope) -> Iterator[str]:
    """An approved or locked line closes with what its opening and the movements booked in it give."""
    sums: dict[tuple[int, int], Decimal] = defaultdict(lambda: ZERO)
    for period in scope.periods().filter(state__in=CLOSED):
        rows = Movement.objects.filter(
            site=period.site_id, book_on__gte=period.starts_on, book_on__lt=period.ends_on
        )
        for pile_id, kind, tonnes in rows.order_by().values_list("pile_id", "kind").annotate(t=Sum("tonnes")):
            opening = kind == Movement.Kind.OPENING
            sums[period.pk, pile_id] += ZERO if opening else tonnes.quantize(LAST_PLACE)
    for line in scope.lines().filter(period__state__in=CLOSED):
        moved_t = sums.pop((line.period_id, line.pile_id), ZERO)
        if line.opening_t + moved_t != line.book_closing_t:
            yield (
                f"{line}: its movements give {line.opening_t + moved_t} t, it closed with "
                f"{line.book_closing_t} t. Something entered or left a closed period."
            )
    for (period_id, pile_id), tonnes in sums.items():
        if tonnes:
            yield f"Period {period_id} holds {tonnes} t of pile {pile_id}, which has no line in it."


def pairs_net_to_zero(scope: Scope) -> Iterator[str]:
    """A transfer, a reclassification and what goes over to another pile have two legs of one quantity."""
    legs = Scope(scope.organization, scope.site, scope.period).movements().filter(kind__in=PAIRED)
    for leg in legs.filter(other_leg__isnull=True).select_related("pile"):
        yield f"{leg} on {leg.book_on} has no other leg."
    for leg in legs.filter(other_leg__isnull=False).exclude(tonnes=-F("other_leg__tonnes")):
        yield f"{leg} on {leg.book_on} and its other leg are not of one quantity."


def lineage_carries_everything(scope: Scope) -> Iterator[str]:
    """A pile that went over into another one holds nothing any more: no tonne is lost or found by it."""
    links = PileLineage.objects.filter(from_pile__site__organization=scope.organization, kind__in=CARRYING)
    if scope.site is not None:
        links = links.filter(from_pile__site=scope.site)
    gone = {link.from_pile_id: link for link in links.select_related("from_pile", "to_pile")}
    sums = Movement.objects.filter(pile__in=list(gone)).order_by().values_list("pile_id")
    for pile_id, tonnes in sums.annotate(t=Sum("tonnes")):
        left_t = tonnes.quantize(LAST_PLACE)
        if left_t:
            yield f"{gone[pile_id]}: {left_t} t stayed behind."


def reversals_are_opposite(scope: Scope) -> Iterator[str]:
    rows = scope.movements().filter(reverses__isnull=False)
    wrong = (
        ~Q(tonnes=-F("reverses__tonnes"))
        | ~Q(pile=F("reverses__pile"))
        | Q(reverses__reversed_at__isnull=True)
    )
    for row in rows.filter(wrong).select_related("pile"):
        yield f"{row} on {row.book_on} does not undo what it reverses."


def late_ones_point_to_what_they_correct(scope: Scope) -> Iterator[str]:
    late = scope.movements().filter(belongs_to__isnull=False, book_on__lt=F("belongs_to__ends_on"))
    for row in late.select_related("pile", "belongs_to"):
        yield f"{row} points to {row.belongs_to}, but is booked in it or before it."


def adjustments_have_evidence(scope: Scope) -> Iterator[str]:
    """Every adjustment names a count, or is an override that two people put their names to."""
    for row in (
        scope.adjustments().filter(count__isnull=True, reverses__isnull=True).exclude(reason_code="override")
    ):
        yield f"Adjustment {row} has no evidence."
    for row in scope.adjustments().filter(count__isnull=False):
        if row.count.pile_id != row.pile_id:
            yield f"Adjustment {row} names the count of another pile."


def adjustments_are_posted_as_approved(scope: Scope) -> Iterator[str]:
    for row in scope.adjustments().filter(movement__isnull=False):
        in_period = row.period.starts_on <= row.movement.book_on < row.period.ends_on
        if row.movement.tonnes != row.tonnes or row.movement.pile_id != row.pile_id or not in_period:
            yield f"Adjustment {row} was posted otherwise than approved: {row.movement}."
    posted = scope.movements().filter(kind=Movement.Kind.ADJUSTMENT, adjustment__isnull=True)
    for row in posted.select_related("pile"):
        yield f"{row} on {row.book_on} changes the book without an adjustment."


def preparer_is_not_approver(scope: Scope) -> Iterator[str]:
    for row in scope.adjustments().filter(approved_by=F("proposed_by")):
        yield f"Adjustment {row} was proposed and approved by one person."
    for entry in JournalEntry.objects.filter(period__in=scope.periods(), approved_by=F("prepared_by")):
        yield f"Journal entry {entry} was prepared and approved by one person."
    for row in Restatement.objects.filter(period__in=scope.periods(), agreed_by=F("asked_by")):
        yield f"{row} was asked for and agreed to by one person."
    steps: dict[int, dict[str, int]] = defaultdict(dict)
    for step in PeriodStep.objects.filter(period__in=scope.periods()).order_by("pk"):
        prepared = steps[step.period_id].get(State.RESTATING)
        if step.from_state == State.RESTATING and step.to_state == State.LOCKED and prepared == step.by_id:
            yield f"{step.period}: who reconciled it again locked it again."
        # Who takes an approval back leaves the month reconciled, but did not reconcile it.
        if step.from_state != State.APPROVED or step.to_state != State.RECONCILED:
            steps[step.period_id][step.to_state] = step.by_id
    for period in scope.periods().filter(state__in=CLOSED):
        by = steps[period.pk]
        signed = [State.RECONCILED, State.APPROVED] + [State.LOCKED] * (period.state == State.LOCKED)
        people = [by.get(state) for state in signed]
        if None in people or len(set(people)) < len(people):
            yield f"{period}: one person took two of the steps {', '.join(signed)}, or one is missing."


def sheets_keep_their_hash(scope: Scope) -> Iterator[str]:
    lines: dict[int, list[PeriodLine]] = defaultdict(list)
    for line in scope.lines().filter(period__state__in=CLOSED):
        lines[line.period_id].append(line)
    for period in scope.periods().filter(state__in=CLOSED):
        if hash_of_lines(lines[period.pk]) != period.sheet_sha256:
            yield f"{period}: its lines say something else than when it was approved."


def debits_are_credits(scope: Scope) -> Iterator[str]:
    entries = JournalEntry.objects.filter(period__in=scope.periods(), posted_at__isnull=False)
    for entry in entries.annotate(debit=Sum("lines__debit"), credit=Sum("lines__credit")):
        debit, credit = (entry.debit or ZERO, entry.credit or ZERO)
        if round(debit, 2) != round(credit, 2) or not debit:
            yield f"Journal entry {entry}: debits {debit:.2f}, credits {credit:.2f}."


def states_follow_steps(scope: Scope) -> Iterator[str]:
    """Each period stands where its last step led, and each step began where the one before ended."""
    last: dict[int, str] = {}
    for step in PeriodStep.objects.filter(period__in=scope.periods()).order_by("pk"):
        before = last.get(step.period_id)
        if before is not None and step.from_state != before:
            yield f"{step}: the step before it ended in {before}."
        last[step.period_id] = step.to_state
    for period in scope.periods():
        if last.get(period.pk, State.OPEN) != period.state:
            yield f"{period} is {period.state} without a step that led there."


def counts_referenced_are_of_the_pile(scope: Scope) -> Iterator[str]:
    for line in scope.lines().filter(count__isnull=False).exclude(count__pile=F("pile")):
        yield f"{line} names the count of another pile."


def chain_holds(scope: Scope) -> Iterator[str]:
    """The organization's audit events, each with the hash of the one before it.

    Before a lock only those since the last lock are walked: a company's events are counted in millions after
    some years, and every lock walked to its own. The whole chain is walked by `manage.py verify`.
    """
    after = None
    if scope.period is not None:
        locks = AuditEvent.objects.filter(organization=scope.organization, verb="lock_period")
        after = locks.order_by("-seq").first()
    for problem in walk_chain(scope.organization, after):
        yield f"{problem}."


LEDGER_CHECKS: tuple[Callable[[Scope], Iterator[str]], ...] = (
    identity_holds,
    variance_is_measured_less_book,
    measured_is_count_and_roll,
    opening_is_closing_before,
    lines_are_their_movements,
    pairs_net_to_zero,
    lineage_carries_everything,
    reversals_are_opposite,
    late_ones_point_to_what_they_correct,
    adjustments_have_evidence,
    adjustments_are_posted_as_approved,
    preparer_is_not_approver,
    sheets_keep_their_hash,
    debits_are_credits,
    states_follow_steps,
    counts_referenced_are_of_the_pile,
    chain_holds,
)


def run(scope: Scope) -> list[Problem]:
    """Every problem of every check, in the order of the list; empty when the books hold."""
    return [Problem(check.__name__, message) for check in LEDGER_CHECKS for message in check(scope)]
