"""Journal entries of a period: which parts of the ledger each case debits and credits, and their posting.

An entry is prepared, balanced, and posted by another person; from then on the database keeps it. It gets
its number when it is posted, so that the numbers of a period have no gap. Gain and loss follow ordinary
book-to-physical practice: a shortage debits cost of goods and credits inventory, a surplus the reverse
(common practice, no source); losses are an expense of the period in which they occur (IAS 2.34).
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from inventory.accounts import PARTS, Account, accounts_on
from inventory.audit import record_event
from inventory.errors import JournalRefused
from inventory.models import Adjustment, JournalEntry, JournalLine, Period, Pile, Site, User
from inventory.rights import require, require_other_person
from inventory.valuation import NOTHING, line_amount


@dataclass(frozen=True)
class Case:
    """One kind of entry: its words, and the parts on its two sides."""

    words: str
    debit: tuple[str, ...]
    credit: tuple[str, ...]


CASES: dict[str, Case] = {
    "gain": Case("More measured than booked", ("inventory",), ("adjustment",)),
    "shortage": Case("Less measured than booked", ("adjustment",), ("inventory",)),
    "reversal": Case("An earlier entry taken back", (), ()),
    "scale-over-reading": Case("The scale over-read production", ("production-cost",), ("inventory",)),
    "scale-under-reading": Case("The scale under-read production", ("inventory",), ("production-cost",)),
    "shrinkage": Case("Shrinkage, cause unknown", ("shrinkage",), ("inventory",)),
    "late-sale": Case(
        "Sold, tickets late: accrued",
        ("unbilled-receivable", "cost-of-goods-sold"),
        ("revenue", "inventory"),
    ),
    "natural-loss": Case("Natural loss", ("storage-loss",), ("inventory",)),
    "nrv-write-down": Case("Written down to net realisable value", ("write-down",), ("allowance",)),
    "nrv-reversal": Case("Write-down reversed", ("allowance",), ("write-down",)),
    "transfer": Case("Transfer at cost, plus haul", ("inventory",), ("inventory", "haulage-clearing")),
    "reclassification": Case("Reclassified at cost", ("inventory",), ("inventory",)),
    "merge": Case("Piles merged, split or moved: no profit effect", ("inventory",), ("inventory",)),
    "own-works": Case("Material consumed in own works", ("job-cost",), ("inventory",)),
}
"""Case → its words and accounts. A reversal mirrors the entry that it reverses."""

LOSS_CASE_OF_REASON: dict[str, str] = {
    "scale-over-reading": "scale-over-reading",
    "belt-scale": "scale-over-reading",
    "belt-scale-drift": "scale-over-reading",
    "natural-loss": "natural-loss",
    "loss-with-age": "natural-loss",
    "shrinkage": "shrinkage",
    "unknown": "shrinkage",
    "unticketed-loads": "shrinkage",
}
"""Reason of an adjustment below zero → its case. Any other reason is a `shortage`, or a `shrinkage` where
the adjustment is by its nature a loss."""

SCALE_REASONS = frozenset(
    reason for reason, case in LOSS_CASE_OF_REASON.items() if case == "scale-over-reading"
)


@dataclass(frozen=True)
class Line:
    """One side of an entry that is being made: `debit` or `credit`, never both."""

    part: str
    debit: Decimal = NOTHING
    credit: Decimal = NOTHING
    pile: Pile | None = None
    tonnes: Decimal | None = None
    unit_amount: Decimal | None = None
    site: Site | None = None

    @property
    def is_empty(self) -> bool:
        return not self.debit and not self.credit


def two_sided(
    debit: str,
    credit: str,
    amount: Decimal,
    pile: Pile,
    tonnes: Decimal | None = None,
    unit_amount: Decimal | None = None,
) -> tuple[Line, Line]:
    """A debit and a credit of one amount, both about one pile."""
    about = {"pile": pile, "tonnes": tonnes, "unit_amount": unit_amount}
    return Line(debit, debit=amount, **about), Line(credit, credit=amount, **about)


def case_of(adjustment: Adjustment) -> str:
    """The case of an adjustment by its reason, its nature and its sign."""
    if adjustment.reverses_id is not None:
        return "reversal"
    if adjustment.tonnes > 0:
        return "scale-under-reading" if adjustment.reason_code in SCALE_REASONS else "gain"
    otherwise = "shrinkage" if adjustment.nature == Adjustment.Nature.LOSS else "shortage"
    return LOSS_CASE_OF_REASON.get(adjustment.reason_code, otherwise)


@transaction.atomic
def journal_adjustment(adjustment: Adjustment, by: User) -> JournalEntry | None:
    """Post the entry of an approved adjustment; the same adjustment again gives the same entry.

    Prepared by who proposed it, approved by who approved it. One that reverses another mirrors the entry
    of that one line by line, so that the two cancel to the cent. `None` where the amount is less than half
    a cent. Raises `NotAllowed`, `JournalRefused`.
    """
    period = (
        Period.objects.select_for_update(of=("self",))
        .select_related("site__organization")
        .get(pk=adjustment.period_id)
    )
    require(by, period.site.organization, "post_journal")
    subject = f"adjustment:{adjustment.pk}"
    posted = JournalEntry.objects.filter(period__site=period.site_id, subject=subject).first()
    if posted is not None:
        return posted
    if adjustment.approved_by is None:
        raise JournalRefused(
            f"The adjustment of {adjustment.pile.code} is {adjustment.get_state_display()}. "
            "Nothing was posted.",
            where=adjustment.pile.code,
            remedy="Have it approved first.",
        )
    case = case_of(adjustment)
    reverses = _entry_of(adjustment.reverses) if adjustment.reverses is not None else None
    lines = mirrored(reverses) if reverses is not None else _lines_of(adjustment, case)
    text = f"{adjustment.pile.code} {adjustment.tonnes:+f} t: {adjustment.reason}"
    entry = prepare_entry(
        period, case, text, lines, by=adjustment.proposed_by, subject=subject, reverses=reverses
    )
    return entry and _post(entry, approved_by=adjustment.approved_by, posted_by=by)


def _entry_of(adjustment: Adjustment) -> JournalEntry | None:
    return JournalEntry.objects.filter(
        period__site=adjustment.period.site_id, subject=f"adjustment:{adjustment.pk}"
    ).first()


def _lines_of(adjustment: Adjustment, case: str) -> Sequence[Line]:
    """The two lines of an adjustment. Its amount carries its sign or none; the case knows the side."""
    if adjustment.unit_cost is None and adjustment.amount is None:
        raise JournalRefused(
            f"The adjustment of {adjustment.pile.code} has no unit cost, so that it has no amount. "
            "Nothing was posted.",
            where=adjustment.pile.code,
            remedy="Have a cost of the material approved, then propose the adjustment again.",
        )
    amount = adjustment.amount
    if amount is None:
        amount = line_amount(adjustment.tonnes, adjustment.unit_cost)
    # What is reversed was never journalised here: its own direction decides.
    sides = CASES[("gain" if adjustment.tonnes > 0 else "shortage") if case == "reversal" else case]
    return two_sided(
        sides.debit[0], sides.credit[0], abs(amount), adjustment.pile, adjustment.tonnes, adjustment.unit_cost
    )


def mirrored(entry: JournalEntry) -> list[Line]:
    """The lines of an entry with debit and credit exchanged."""
    return [
        Line(
            line.part,
            debit=line.credit,
            credit=line.debit,
            pile=line.pile,
            tonnes=None if line.tonnes is None else -line.tonnes,
            unit_amount=line.unit_amount,
            site=line.pile.site if line.pile is not None else None,
        )
        for line in entry.lines.select_related("pile__site").order_by("line")
    ]


def prepare_entry(
    period: Period,
    case: str,
    text: str,
    lines: Iterable[Line],
    *,
    by: User,
    subject: str,
    reverses: JournalEntry | None = None,
) -> JournalEntry | None:
    """An entry that waits for its posting; `None` where nothing of it is left after rounding.

    Raises `JournalRefused` where its sides differ.
    """
    kept = [line for line in lines if not line.is_empty]
    if not kept:
        return None
    check_balance(kept, f"{CASES[case].words}: {text}")
    posting_on = period.ends_on - dt.timedelta(days=1)
    accounts = {
        site.pk: accounts_on(site, posting_on) for site in {line.site or period.site for line in kept}
    }
    entry = JournalEntry.objects.create(
        period=period,
        number=f"prepared-{uuid.uuid4().hex[:12]}",
        posting_on=posting_on,
        case_code=case,
        text=text[:300],
        subject=subject[:120],
        prepared_by=by,
        reverses=reverses,
    )
    JournalLine.objects.bulk_create(
        _row(entry, number, line, accounts[(line.site or period.site).pk][line.part])
        for number, line in enumerate(kept, start=1)
    )
    return entry


def _row(entry: JournalEntry, number: int, line: Line, account: Account) -> JournalLine:
    return JournalLine(
        entry=entry,
        line=number,
        part=line.part,
        account=account.account,
        cost_centre=account.cost_centre,
        pile=line.pile,
        tonnes=line.tonnes,
        unit_amount=line.unit_amount,
        debit=line.debit,
        credit=line.credit,
    )


def check_balance(lines: Iterable[Line], what: str) -> None:
    """`JournalRefused` unless debits equal credits, and no line stands on both sides or below zero."""
    debit = credit = NOTHING
    for line in lines:
        if line.part not in PARTS or min(line.debit, line.credit) != 0 or max(line.debit, line.credit) <= 0:
            raise JournalRefused(
                f"{what}: a line of {line.part} with debit {line.debit} and credit {line.credit}. "
                "Nothing was posted.",
                where=line.part,
                remedy="A line stands on one side, above zero.",
            )
        debit, credit = debit + line.debit, credit + line.credit
    if debit != credit:
        raise JournalRefused(
            f"{what}: debits are {debit}, credits {credit}, apart by {debit - credit}. Nothing was posted.",
            where=what,
            remedy="Correct the lines until both sides agree.",
        )


@transaction.atomic
def post_journals(period: Period, by: User) -> list[JournalEntry]:
    """Post everything that was prepared in the period, in order, by another person than who prepared it.

    Raises `NotAllowed`, `SamePerson`, and `JournalRefused` for a locked period.
    """
    period = (
        Period.objects.select_for_update(of=("self",)).select_related("site__organization").get(pk=period.pk)
    )
    require(by, period.site.organization, "post_journal")
    refuse_locked(period)
    entries = list(unposted_journals(period).select_related("prepared_by"))
    for entry in entries:
        require_other_person(entry.prepared_by, by, f"The entry “{entry.text}”")
    return [_post(entry, approved_by=by, posted_by=by) for entry in entries]


def unposted_journals(period: Period) -> QuerySet[JournalEntry]:
    """Entries that were prepared and wait for another person to post them, in the order of preparing."""
    return JournalEntry.objects.filter(period=period, posted_at__isnull=True).order_by("pk")


def refuse_locked(period: Period) -> None:
    if period.state == Period.State.LOCKED:
        raise JournalRefused(
            f"{period} is locked; its journal is kept as it is. Nothing was posted.",
            where=str(period),
            remedy="Post the correction in the next open period, or have a restatement agreed.",
        )


def _post(entry: JournalEntry, *, approved_by: User, posted_by: User) -> JournalEntry:
    entry.number = _next_number(entry.period)
    entry.approved_by = approved_by
    entry.posted_at = timezone.now()
    entry.save(update_fields=["number", "approved_by", "posted_at"])
    detail = {
        "number": entry.number,
        "case": entry.case_code,
        "subject": entry.subject,
        "text": entry.text,
        "lines": [[line.account, line.debit, line.credit] for line in entry.lines.order_by("line")],
    }
    organization = entry.period.site.organization
    record_event(organization, by=posted_by, verb="post_journal", subject=entry, detail=detail)
    return entry


def _next_number(period: Period) -> str:
    posted = JournalEntry.objects.filter(period=period, posted_at__isnull=False).count()
    return f"{period.site.code}-{period.name}-{posted + 1:04d}"
