"""When evidence that moved the book is superseded: the posted adjustment is reversed in the next open month.

A locked month does not change by itself. The correction is proposed where something can still be posted, with
a pointer to what it corrects; the lead surveyor's approval of the new evidence is one name, a controller's
approval of the reversal the other.
"""

from __future__ import annotations

from django.db import transaction

from inventory.adjusting import AS, REVERSAL, enter_proposal
from inventory.audit import name_of
from inventory.models import Adjustment, JournalEntry, StockCount, User
from inventory.periods import held, next_open_period


def effects_of_superseding(count: StockCount) -> list[str]:
    """What correcting the count means for months that used it, in words; empty where none did. For the page
    on which somebody is about to approve the correction."""
    said = []
    for adjustment in _posted_on(count):
        period, pile = adjustment.period, adjustment.pile
        entries = [entry.number for entry in _entries(adjustment)]
        used = f", used in journal {' and '.join(entries)} ({period.get_state_display()})" if entries else ""
        named = count.certificate_no or count.evidence_ref
        version = count.certificate_version or 1
        amount = "" if adjustment.amount is None else f", {abs(adjustment.amount):,.2f}"
        said.append(
            f"You are correcting the approved {period.name} certificate {named} v{version} of pile "
            f"{pile.code}{used}. This makes v{version + 1} and supersedes v{version}; it does not change "
            f"{period.name}. Proposed: reversing entry in the next open month, "
            f"{abs(adjustment.tonnes):,.0f} t{amount}. Needs lead surveyor and controller."
        )
    return said


@transaction.atomic
def propose_reversals(
    old: StockCount, by: User, *, new: StockCount | None = None, reason: str = ""
) -> list[Adjustment]:
    """A reversing proposal for each posted adjustment that rested on `old`, in the next month that takes one.

    Called in the transaction that supersedes or withdraws the count; once for each adjustment.
    """
    proposals = []
    for adjustment in _posted_on(old):
        site = adjustment.period.site
        period = held(next_open_period(site, adjustment.period.starts_on, by))
        told = f"certificate {old.certificate_no or old.evidence_ref} of {old.counted_on} was superseded"
        words = f"Reverses the adjustment of {adjustment.period.name}: {told}. {reason}".strip()
        proposals.append(
            enter_proposal(
                period,
                adjustment.pile,
                -adjustment.tonnes,
                Adjustment.Nature.ERROR,
                REVERSAL,
                words,
                by,
                new,
                reverses=adjustment,
            )
        )
    return proposals


def _posted_on(count: StockCount) -> list[Adjustment]:
    rows = Adjustment.objects.filter(count=count, state=AS.POSTED, reversed_by__isnull=True)
    rows = rows.exclude(reason_code=REVERSAL)
    return list(rows.select_related("period__site__organization", "pile__site", "movement"))


def _entries(adjustment: Adjustment) -> list[JournalEntry]:
    return list(JournalEntry.objects.filter(period=adjustment.period, subject=name_of(adjustment)))
