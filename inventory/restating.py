"""A locked month opened again, by two people of two roles and with a reason, and the bridge it leaves.

Months are chained: what one closes with, the next opens with. So the latest locked month is opened first, and
locked again last: old certificate → new certificate → effect by month, in tonnes and in money.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory import bridging
from inventory.audit import in_order, record_event
from inventory.closing import last_step, refuse, refuse_broken_books
from inventory.closing_tasks import APPROVE, LOCK, RECONCILE, tasks_before
from inventory.errors import PeriodNotThere, SamePerson
from inventory.models import Period, Restatement, Role, User
from inventory.periods import (
    CLOSED,
    State,
    held,
    let_movements_finish,
    next_of,
    require_state,
    take_step,
)
from inventory.rights import ACTIONS, require, require_other_person
from inventory.sheet import keep, kept_sheet, live_sheet, unit_costs
from inventory.sheet_lines import hash_of_lines
from inventory.validity import required_text


@transaction.atomic
def ask_restatement(period: Period, by: User, reason: str) -> Restatement:
    """Ask to open a locked month again. Nothing opens until a person of another role agrees.

    Raises `NotAllowed`, `PeriodNotThere`, `BadEntry` without a reason.
    """
    period = held(period)
    roles = require(by, period.site.organization, "ask_restatement")
    require_state(period, [State.LOCKED], "ask to restate")
    if period.restatements.filter(ended_at__isnull=True).exists():
        raise PeriodNotThere(
            f"A restatement of {period.name} was asked for already. Nothing was changed.",
            where=f"{period.site.code} {period.name}",
        )
    restatement = Restatement.objects.create(
        period=period,
        reason=required_text(reason, "reason"),
        asked_by=by,
        asked_role=_acting(roles, "ask_restatement"),
        asked_at=timezone.now(),
    )
    _record(restatement, by, roles, "ask_restatement")
    return restatement


@transaction.atomic
def agree_restatement(restatement: Restatement, by: User) -> Restatement:
    """The second name, of another person in another role; the month opens with what it said kept aside.

    Raises `NotAllowed`, `SamePerson`, `PeriodNotThere` where a later month is closed upon this one.
    """
    period, restatement = _held(restatement)
    roles = require(by, period.site.organization, "agree_restatement")
    require_state(period, [State.LOCKED], "restate")
    require_other_person(restatement.asked_by, by, f"the restatement of {period.name}")
    others = roles - {restatement.asked_role}
    if others.isdisjoint(ACTIONS["agree_restatement"]):
        raise SamePerson(
            f"A {Role(restatement.asked_role).label} asked to restate {period.name}; it takes a person of "
            "another role to agree. Nothing was changed.",
            where=period.name,
        )
    after = next_of(period)
    if after is not None and after.state in CLOSED:
        raise PeriodNotThere(
            f"{after.name} is {after.get_state_display()} and opens with what {period.name} closes with. "
            "Nothing was changed.",
            where=f"{period.site.code} {period.name}",
            remedy=f"Open {after.name} first, and lock it again after {period.name}.",
        )
    restatement.agreed_by, restatement.agreed_at = by, timezone.now()
    restatement.agreed_role = _acting(others, "agree_restatement")
    restatement.before = _snapshot(period)
    restatement.save(update_fields=["agreed_by", "agreed_at", "agreed_role", "before"])
    detail = {"reason": restatement.reason, "asked_by": restatement.asked_by_id}
    take_step(
        period, State.RESTATING, by=by, roles=roles, verb="restate", comment=restatement.reason, detail=detail
    )
    return restatement


@transaction.atomic
def reconcile_restated(restatement: Restatement, by: User, comment: str = "") -> Restatement:
    """Keep the sheet of the opened month anew. Raises `NotAllowed`, `PeriodNotThere`, `PeriodBlocked`."""
    period, restatement = _held(restatement)
    roles = require(by, period.site.organization, "reconcile_period")
    require_state(period, [State.RESTATING], "reconcile")
    refuse(period, RECONCILE, tasks_before(RECONCILE, period, live_sheet(period, with_causes=False)))
    sheet, sha256 = keep(period)
    detail = {"lines_n": len(sheet.lines), "lines_sha256": sha256}
    take_step(
        period, State.RESTATING, by=by, roles=roles, verb="reconcile_restated", comment=comment, detail=detail
    )
    return restatement


@transaction.atomic
def end_restatement(restatement: Restatement, by: User, comment: str = "") -> Restatement:
    """Lock the month again with its bridge, by a controller who did not reconcile it.

    Raises `NotAllowed`, `SamePerson`, `PeriodNotThere`, `PeriodBlocked`.
    """
    let_movements_finish(restatement.period.site_id)
    period, restatement = _held(restatement)
    roles = require(by, period.site.organization, "lock_period")
    require_state(period, [State.RESTATING], "lock")
    reconciled = last_step(period, State.RESTATING)
    if reconciled is not None and reconciled.by_id == by.pk and reconciled.from_state == State.RESTATING:
        raise SamePerson(
            f"You reconciled {period.name}: another controller locks it. Nothing was changed.",
            where=f"{period.site.code} {period.name}",
        )
    sheet = kept_sheet(period)
    tasks = [*tasks_before(APPROVE, period, sheet), *tasks_before(LOCK, period, sheet)]
    refuse(period, LOCK, list(dict.fromkeys(tasks)))
    restatement.bridge = bridging.restatement_bridge(restatement.before, _snapshot(period))
    restatement.ended_at = timezone.now()
    restatement.save(update_fields=["bridge", "ended_at"])
    sha256 = hash_of_lines(sheet.lines)
    detail = {"effect_t": restatement.bridge["effect_t"], "reason": restatement.reason}
    take_step(
        period,
        State.LOCKED,
        by=by,
        roles=roles,
        verb="end_restatement",
        comment=comment,
        sheet_sha256=sha256,
        detail=detail,
    )
    refuse_broken_books(period)
    return restatement


def bridge_over(periods: Iterable[Period]) -> dict[str, Any]:
    """The bridges of several months as one: effect by month and in all, in tonnes and in money."""
    rows = Restatement.objects.filter(period__in=list(periods), ended_at__isnull=False)
    months = [
        {
            "period": row.period.name,
            "effect_t": row.bridge["effect_t"],
            "effect_amount": row.bridge["effect_amount"],
            "reason": row.reason,
        }
        for row in rows.select_related("period").order_by("period__starts_on", "pk")
    ]
    return {
        "months": months,
        "effect_t": f"{sum((Decimal(row['effect_t']) for row in months), Decimal(0)):.3f}",
    }


def _snapshot(period: Period) -> dict[str, Any]:
    """What the month says: each line with its count, and what a tonne costs."""
    sheet = kept_sheet(period)
    costs = unit_costs(period, [line.pile for line in sheet.lines])
    return {
        "period": period.name,
        "sheet_sha256": period.sheet_sha256,
        "lines": [bridging.line_said(line, costs.get(line.pile.pk)) for line in sheet.lines],
        "adjustments": [
            {"pile": row.pile.code, "tonnes": f"{row.tonnes:.3f}", "nature": row.nature, "id": row.pk}
            for row in period.adjustments.filter(movement__isnull=False).select_related("pile")
        ],
    }


def _held(restatement: Restatement) -> tuple[Period, Restatement]:
    period = held(restatement.period)
    rows = Restatement.objects.select_for_update(of=("self",), no_key=True).select_related("asked_by")
    restatement = rows.get(pk=restatement.pk)
    if restatement.ended_at is not None:
        raise PeriodNotThere(
            f"This restatement of {period.name} ended already. Nothing was changed.", where=period.name
        )
    return period, restatement


def _acting(roles: frozenset[str], action: str) -> str:
    """The role under which a person acts: of those that carry the action, the first in the book's order."""
    return in_order(roles & ACTIONS[action]).partition(",")[0]


def _record(restatement: Restatement, by: User, roles: frozenset[str], verb: str) -> None:
    period = restatement.period
    detail = {"site": period.site.code, "period": period.name, "reason": restatement.reason}
    record_event(period.site.organization, by=by, roles=roles, verb=verb, subject=restatement, detail=detail)
