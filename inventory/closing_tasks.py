"""What stands between a period and its next step, told as tasks: what is missing, where, and who does what.

Tests of records alone do not suffice without counts and tests of the movements between (PCAOB AS 2510.12), so
that a pile nobody counted, or a variance nobody explained, stops a month as surely as a sum that is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from django.utils import timezone

from inventory import gates
from inventory.models import Adjustment, JournalEntry, Movement, Period
from inventory.models.movements import PAIRED
from inventory.periods import CLOSED, HAS_LINES, previous_of
from inventory.sheet import Sheet, live_sheet
from inventory.sheet_lines import Line, hash_of_lines, said

RECONCILE, APPROVE, LOCK = "reconcile", "approve", "lock"
State = Period.State


@dataclass(frozen=True)
class Task:
    """One thing to do before the next step. `subject` names a row (`pile:7`) that the page can link to."""

    code: str
    message: str
    remedy: str
    subject: str = ""

    def as_dict(self) -> dict[str, str]:
        return {"field": self.code, "message": self.message, "remedy": self.remedy}


MORE_TASKS: list[Callable[[Period], Iterable[Task]]] = []
"""What other rooms know of a period that keeps it from being reconciled: they append a function at start."""


def tasks_before(step: str, period: Period, sheet: Sheet) -> list[Task]:
    """Everything that keeps `period` from the step `reconcile`, `approve` or `lock`; empty where nothing."""
    found = {RECONCILE: _before_reconciling, APPROVE: _before_approving, LOCK: _before_locking}[step]
    return list(found(period, sheet))


def _before_reconciling(period: Period, sheet: Sheet) -> Iterator[Task]:
    if timezone.now() < period.cutoff_at:
        yield Task(
            "cutoff",
            f"The cut-off of {period.name} is still to come ({period.cutoff_at:%Y-%m-%d %H:%M} UTC).",
            "Wait for it: what moves until then belongs into the month.",
        )
    yield from _previous(period, HAS_LINES, "reconcile")
    yield from _openings(period, sheet)
    yield from _legs(period)
    yield from _uncounted(period, sheet)
    for more in MORE_TASKS:
        yield from more(period)


def _before_approving(period: Period, sheet: Sheet) -> Iterator[Task]:
    yield from _previous(period, CLOSED, "approve")
    yield from _openings(period, sheet)
    yield from _changed_since(period, sheet)
    yield from _unexplained(period, sheet)
    yield from _adjustments(period)


def _before_locking(period: Period, sheet: Sheet) -> Iterator[Task]:
    yield from _previous(period, (State.LOCKED,), "lock")
    yield from _openings(period, sheet)
    yield from _adjustments(period)
    yield from _journals(period)


def _previous(period: Period, states: Iterable[str], verb: str) -> Iterator[Task]:
    before = previous_of(period)
    if before is not None and before.state not in states:
        yield Task(
            "previous",
            f"{before.name} is {before.get_state_display()}: {period.name} begins where it ends.",
            f"First {verb} {before.name}.",
            f"period:{before.pk}",
        )


def _openings(period: Period, sheet: Sheet) -> Iterator[Task]:
    """Opening is the closing of the month before, and what an opening balance added in the month."""
    before = previous_of(period)
    if before is None or before.state not in HAS_LINES:
        return
    closing_t = dict(before.lines.values_list("pile_id", "book_closing_t"))
    begun = Movement.objects.filter(
        site=period.site_id,
        kind=Movement.Kind.OPENING,
        book_on__gte=period.starts_on,
        book_on__lt=period.ends_on,
    )
    added_t: dict[int, Decimal] = {}
    for pile_id, tonnes in begun.values_list("pile_id", "tonnes"):
        added_t[pile_id] = added_t.get(pile_id, Decimal(0)) + tonnes
    for line in sheet.lines:
        wanted_t = closing_t.get(line.pile.pk, Decimal(0)) + added_t.get(line.pile.pk, Decimal(0))
        if line.opening_t != wanted_t:
            yield Task(
                "opening",
                f"Pile {line.pile.code} opens with {line.opening_t:,.3f} t; {before.name} closed with "
                f"{wanted_t:,.3f} t, a difference of {line.opening_t - wanted_t:+,.3f} t.",
                f"Reconcile {before.name} again, so that both speak of the same movements.",
                f"pile:{line.pile.pk}",
            )


def _legs(period: Period) -> Iterator[Task]:
    """A transfer with one leg missing is an error, not a variance."""
    single = Movement.objects.standing().filter(
        site=period.site_id,
        kind__in=PAIRED,
        other_leg__isnull=True,
        book_on__gte=period.starts_on,
        book_on__lt=period.ends_on,
    )
    for leg in single.select_related("pile").order_by("moved_at", "pk"):
        yield Task(
            "leg",
            f"{leg.get_kind_display().capitalize()} of {abs(leg.tonnes):,.3f} t at pile {leg.pile.code} on "
            f"{leg.book_on} has no other leg.",
            "Reverse it and record the transfer with both piles.",
            f"movement:{leg.pk}",
        )


def _uncounted(period: Period, sheet: Sheet) -> Iterator[Task]:
    explained = set(period.explanations.values_list("pile_id", flat=True))
    for line in sheet.lines:
        if line.measured_closing_t is None and line.pile.pk not in explained:
            yield Task(
                "uncounted",
                f"Pile {line.pile.code} has {line.basis}.",
                "Survey it, or explain why it is not counted this month.",
                f"pile:{line.pile.pk}",
            )


def _changed_since(period: Period, sheet: Sheet) -> Iterator[Task]:
    now = live_sheet(period, with_causes=False)
    if hash_of_lines(now.lines) == hash_of_lines(sheet.lines):
        return
    kept = {line.pile.pk: said(line) for line in sheet.lines}
    for line in now.lines:
        changed = _differing(kept.get(line.pile.pk), line)
        if changed:
            yield Task(
                "changed",
                f"Pile {line.pile.code} has changed since it was reconciled: {', '.join(changed)}.",
                "Reconcile the period again.",
                f"pile:{line.pile.pk}",
            )


def _differing(kept: dict[str, str] | None, line: Line) -> list[str]:
    if kept is None:
        return ["it is new"]
    now = said(line)
    return [
        f"{name.removesuffix('_t').replace('_', ' ')} {kept[name] or 'none'} → {now[name] or 'none'}"
        for name in now
        if now[name] != kept[name]
    ]


def _unexplained(period: Period, sheet: Sheet) -> Iterator[Task]:
    explained = set(period.explanations.values_list("pile_id", flat=True))
    for line in sheet.lines:
        if line.gate in gates.STOPS and line.pile.pk not in explained:
            told = "was not counted" if line.variance_t is None else f"differs by {line.variance_t:+,.0f} t"
            yield Task(
                "unexplained",
                f"Pile {line.pile.code} {told} ({gates.WORDS[line.gate]}) and nobody has said why.",
                "Explain it.",
                f"pile:{line.pile.pk}",
            )


def _adjustments(period: Period) -> Iterator[Task]:
    waiting = period.adjustments.filter(
        state__in=[Adjustment.State.PROPOSED, Adjustment.State.APPROVED]
    ).select_related("pile")
    for adjustment in waiting:
        is_proposed = adjustment.state == Adjustment.State.PROPOSED
        yield Task(
            "adjustment",
            f"The adjustment of {adjustment.tonnes:+,.3f} t at pile {adjustment.pile.code} is "
            f"{adjustment.get_state_display()}.",
            "A controller approves or rejects it." if is_proposed else "Post it.",
            f"adjustment:{adjustment.pk}",
        )


def _journals(period: Period) -> Iterator[Task]:
    entries = JournalEntry.objects.filter(period=period, posted_at__isnull=True)
    for entry in entries:
        yield Task(
            "journal",
            f"Journal entry {entry.number} ({entry.text}) is not posted.",
            "Another person than who prepared it posts it.",
            f"journalentry:{entry.pk}",
        )
