"""Adjustments: the book moved towards what was measured, proposed by one person and approved by another.

Whether a change is an error or an estimate decides how it is told: an input that was wrong and could have
been right at the time is an error, new information is an estimate (IAS 8). Material that is gone is a loss,
an expense of the period in which it occurs (IAS 2.34). The reason drives the path; the accountant decides.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from types import MappingProxyType

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.book_days import day_starts_at
from inventory.crossing import decimal_entered
from inventory.errors import AdjustmentNotThere, BadEntry, NoValueInForce
from inventory.explaining import check_pile
from inventory.journals import journal_adjustment
from inventory.models import Adjustment, Period, Pile, StockCount, User
from inventory.movements import record_adjustment
from inventory.periods import TAKES_POSTINGS, State, held, require_state
from inventory.rights import require, require_other_person
from inventory.sheet import keep
from inventory.validity import required_text
from inventory.valuation import line_amount
from inventory.valuing import unit_cost_of

OVERRIDE, REVERSAL = "override", "reversal"
REASONS: Mapping[str, str] = MappingProxyType(
    {
        "set-to-measured": "set to measured",
        "year-end": "set to measured at year-end",
        "natural-loss": "natural loss within the allowance",
        "shrinkage": "shrinkage",
        "unticketed-loads": "loads without tickets",
        "belt-scale-drift": "belt scale drifted",
        "scale-over-reading": "scale read too high",
        "wrong-survey": "wrong survey",
        "density": "density revised",
        "base": "base moved",
        "unknown": "cause unknown",
        OVERRIDE: "override without a count, in two people's names",
        REVERSAL: "reversal of an earlier adjustment",
    }
)
"""Reason code → words. `inventory.journals` says which accounts each leads to."""
AS = Adjustment.State
TINY = dt.timedelta(microseconds=1)


@transaction.atomic
def propose_adjustment(
    period: Period,
    pile: Pile,
    *,
    tonnes: Decimal | int | str,
    nature: str,
    reason_code: str,
    reason: str,
    by: User,
    count: StockCount | None = None,
) -> Adjustment:
    """`tonnes` signed, positive into the book. `count` is the evidence; without one only as an `override`.

    Raises `NotAllowed`, `PeriodNotThere`, `BadEntry`.
    """
    period = held(period)
    require(by, period.site.organization, "propose_adjustment")
    check_pile(period, pile)
    if reason_code not in REASONS or reason_code == REVERSAL:
        known = [code for code in REASONS if code != REVERSAL]
        raise BadEntry(
            f"Reason “{reason_code}” is unknown. Nothing was changed.",
            where="reason_code",
            remedy=f"Choose one of: {', '.join(known)}.",
        )
    if (count is None) != (reason_code == OVERRIDE):
        raise BadEntry(
            "An adjustment names the count that it follows; an override names none. Nothing was changed.",
            where="count",
            remedy="Name the count, or give the reason “override” and say why no count is needed.",
        )
    if count is not None and (count.pile_id != pile.pk or count.superseded_at is not None):
        raise BadEntry(
            f"The count {count} is of another pile or left force. Nothing was changed.",
            where="count",
            remedy="Name the count that stands.",
        )
    return enter_proposal(period, pile, tonnes, nature, reason_code, reason, by, count)


@transaction.atomic
def approve_adjustment(adjustment: Adjustment, by: User) -> Adjustment:
    """A controller's name under a proposal of another person. `NotAllowed`, `SamePerson`, …"""
    adjustment = _held(adjustment)
    roles = require(by, adjustment.period.site.organization, "approve_adjustment")
    require_other_person(adjustment.proposed_by, by, _named(adjustment))
    _require(adjustment, [AS.PROPOSED], "approve")
    adjustment.state, adjustment.approved_by, adjustment.approved_at = AS.APPROVED, by, timezone.now()
    adjustment.save(update_fields=["state", "approved_by", "approved_at"])
    _record(adjustment, by, roles, "approve_adjustment")
    return adjustment


@transaction.atomic
def reject_adjustment(adjustment: Adjustment, by: User, reason: str) -> Adjustment:
    """A proposal, or an approval that nobody posted, refused with a reason; it stays on record."""
    adjustment = _held(adjustment)
    mine = by.pk == adjustment.proposed_by_id
    right = "propose_adjustment" if mine else "approve_adjustment"
    roles = require(by, adjustment.period.site.organization, right)
    _require(adjustment, [AS.PROPOSED, AS.APPROVED], "reject")
    adjustment.state, adjustment.rejected_reason = AS.REJECTED, required_text(reason, "reason")
    adjustment.save(update_fields=["state", "rejected_reason"])
    _record(adjustment, by, roles, "reject_adjustment")
    return adjustment


@transaction.atomic
def post_adjustment(adjustment: Adjustment, by: User) -> Adjustment:
    """The movement, the journal entry and, in a reconciled period, the new sheet: one transaction or nothing.

    Raises `NotAllowed`, `AdjustmentNotThere`, `PeriodNotThere`, and what movement and journal refuse.
    """
    period = held(adjustment.period)
    adjustment = _held(adjustment)
    roles = require(by, period.site.organization, "post_adjustment")
    _require(adjustment, [AS.APPROVED], "post")
    require_state(period, TAKES_POSTINGS, "post into")
    adjustment.movement = record_adjustment(
        adjustment.pile,
        tonnes=adjustment.tonnes,
        moved_at=_moment(adjustment),
        by=by,
        document=f"ADJ-{adjustment.pk}",
        note=adjustment.reason[:300],
    )
    if adjustment.reverses is not None:
        adjustment.reverses.state = AS.REVERSED
        adjustment.reverses.save(update_fields=["state"])
    adjustment.state = AS.POSTED
    adjustment.save(update_fields=["state", "movement"])
    if adjustment.amount is not None:
        journal_adjustment(adjustment, by)
    if period.state == State.RECONCILED:
        keep(period)
    _record(adjustment, by, roles, "post_adjustment")
    return adjustment


def enter_proposal(
    period: Period,
    pile: Pile,
    tonnes: Decimal | int | str,
    nature: str,
    reason_code: str,
    reason: str,
    by: User,
    count: StockCount | None,
    reverses: Adjustment | None = None,
) -> Adjustment:
    """The row of a proposal in a held period, for a verb that asked for the right. Raises as above."""
    require_state(period, TAKES_POSTINGS, "propose an adjustment in")
    amount_t = decimal_entered(tonnes, "tonnes", 3)
    if not amount_t:
        raise BadEntry(
            "An adjustment of nothing. Nothing was changed.", where="tonnes", remedy="Leave it out."
        )
    if nature not in Adjustment.Nature.values:
        raise BadEntry(
            f"nature: “{nature}” is unknown. Nothing was changed.",
            where="nature",
            remedy=f"Choose one of: {', '.join(Adjustment.Nature.values)}.",
        )
    unit_cost = reverses.unit_cost if reverses is not None else _unit_cost(pile, period)
    adjustment = Adjustment.objects.create(
        period=period,
        pile=pile,
        tonnes=amount_t,
        nature=nature,
        reason_code=reason_code,
        reason=required_text(reason, "reason"),
        count=count,
        unit_cost=unit_cost,
        amount=None if unit_cost is None else line_amount(amount_t, unit_cost),
        proposed_by=by,
        proposed_at=timezone.now(),
        reverses=reverses,
    )
    _record(adjustment, by, None, "propose_adjustment")
    return adjustment


def _unit_cost(pile: Pile, period: Period) -> Decimal | None:
    """What a tonne of the pile costs; empty for a customer's stock and where no cost is in force."""
    if pile.owner_id is not None:
        return None
    try:
        return unit_cost_of(pile, period)
    except NoValueInForce:
        return None


def _moment(adjustment: Adjustment) -> dt.datetime:
    """The last moment of the period, or of the pile where that ended before."""
    pile, ends = adjustment.pile, adjustment.period.cutoff_at
    if pile.closed_on is not None:
        ends = min(ends, day_starts_at(adjustment.period.site, pile.closed_on))
    return ends - TINY


def _held(adjustment: Adjustment) -> Adjustment:
    rows = Adjustment.objects.select_for_update(of=("self",), no_key=True).select_related(
        "period__site__organization", "pile__site", "proposed_by", "count", "reverses__movement"
    )
    return rows.get(pk=adjustment.pk)


def _named(adjustment: Adjustment) -> str:
    return f"The adjustment of {adjustment.tonnes:+,.3f} t at pile {adjustment.pile.code}"


def _require(adjustment: Adjustment, states: list[str], what: str) -> None:
    if adjustment.state not in states:
        raise AdjustmentNotThere(
            f"{_named(adjustment)} is {adjustment.get_state_display()}. To {what} it, it must be "
            f"{' or '.join(states)}. Nothing was changed.",
            where=_named(adjustment),
        )


def _record(adjustment: Adjustment, by: User, roles: frozenset[str] | None, verb: str) -> None:
    detail = {
        "period": adjustment.period.name,
        "pile": adjustment.pile.code,
        "tonnes": adjustment.tonnes,
        "amount": adjustment.amount,
        "nature": adjustment.nature,
        "reason_code": adjustment.reason_code,
        "reason": adjustment.rejected_reason or adjustment.reason,
        "state": adjustment.state,
        "reverses": adjustment.reverses_id,
    }
    organization = adjustment.period.site.organization
    record_event(organization, by=by, roles=roles, verb=verb, subject=adjustment, detail=detail)
