"""The steps of a month: counted, reconciled, approved, locked, each by who may and never twice by one person.

    open → counting → reconciled → approved → locked

The accountant reconciles, a manager approves what the accountant reconciled, a controller locks what the two
did. Each step is refused with everything that stands in its way, at once. A locked month opens again only by
a restatement (`inventory.restating`).
"""

from __future__ import annotations

from django.db import transaction

from inventory import ledger_checks
from inventory.closing_tasks import APPROVE, LOCK, RECONCILE, Task, tasks_before
from inventory.errors import PeriodBlocked, SamePerson
from inventory.models import Period, PeriodStep, User
from inventory.periods import State, held, let_movements_finish, require_state, take_step
from inventory.rights import require
from inventory.sheet import Sheet, keep, kept_sheet, live_sheet
from inventory.sheet_lines import hash_of_lines
from inventory.validity import required_text


@transaction.atomic
def start_counting(period: Period, by: User, comment: str = "") -> Period:
    """The month is over or nearly so; counts and late tickets come in. `NotAllowed`, `PeriodNotThere`."""
    period = held(period)
    roles = require(by, period.site.organization, "record_movement")
    require_state(period, [State.OPEN], "start counting")
    take_step(period, State.COUNTING, by=by, roles=roles, verb="count", comment=comment)
    return period


@transaction.atomic
def stop_counting(period: Period, by: User, reason: str) -> Period:
    """Back to an ordinary open month. `NotAllowed`, `PeriodNotThere`, `BadEntry` without a reason."""
    period = held(period)
    roles = require(by, period.site.organization, "record_movement")
    require_state(period, [State.COUNTING], "reopen")
    comment = required_text(reason, "reason")
    take_step(period, State.OPEN, by=by, roles=roles, verb="reopen", comment=comment)
    return period


@transaction.atomic
def reconcile(period: Period, by: User, comment: str = "") -> Period:
    """Keep the sheet as it stands now. Raises `NotAllowed`, `PeriodNotThere`, `PeriodBlocked`."""
    return _reconcile(period, by, comment, State.COUNTING, "reconcile")


@transaction.atomic
def reconcile_again(period: Period, by: User, comment: str = "") -> Period:
    """Keep the sheet anew after something changed since. Raises as `reconcile`."""
    return _reconcile(period, by, comment, State.RECONCILED, "reconcile_again")


@transaction.atomic
def send_back(period: Period, by: User, reason: str) -> Period:
    """A reconciled month goes back to counting, with a reason, by who would approve or who reconciled."""
    period = held(period)
    last = last_step(period, State.RECONCILED)
    mine = last is not None and last.by_id == by.pk
    roles = require(by, period.site.organization, "reconcile_period" if mine else "approve_period")
    require_state(period, [State.RECONCILED], "send back")
    comment = required_text(reason, "reason")
    take_step(period, State.COUNTING, by=by, roles=roles, verb="send_back", comment=comment)
    return period


@transaction.atomic
def approve(period: Period, by: User, comment: str = "") -> Period:
    """Stand for the month's figures; its sheet is hashed and no movement enters any more.

    Raises `NotAllowed`, `SamePerson` for who reconciled it, `PeriodNotThere`, `PeriodBlocked`.
    """
    let_movements_finish(period.site_id)
    period = held(period)
    roles = require(by, period.site.organization, "approve_period")
    require_state(period, [State.RECONCILED], "approve")
    require_another(period, by, "reconciled it", State.RECONCILED)
    sheet = kept_sheet(period)
    _refuse_blocked(period, APPROVE, sheet)
    sha256 = hash_of_lines(sheet.lines)
    take_step(
        period, State.APPROVED, by=by, roles=roles, verb="approve", comment=comment, sheet_sha256=sha256
    )
    return period


@transaction.atomic
def take_approval_back(period: Period, by: User, reason: str) -> Period:
    """An approved month that is not locked yet goes back to reconciled, by a controller with a reason."""
    period = held(period)
    roles = require(by, period.site.organization, "lock_period")
    require_state(period, [State.APPROVED], "take back the approval of")
    comment = required_text(reason, "reason")
    take_step(period, State.RECONCILED, by=by, roles=roles, verb="take_back", comment=comment)
    return period


@transaction.atomic
def lock(period: Period, by: User, comment: str = "") -> Period:
    """Close the month for ever. The invariants of the book are run first; one that fails stops the lock.

    Raises `NotAllowed`, `SamePerson` for who reconciled or approved it, `PeriodNotThere`, `PeriodBlocked`.
    """
    period = held(period)
    roles = require(by, period.site.organization, "lock_period")
    require_state(period, [State.APPROVED], "lock")
    require_another(period, by, "reconciled it", State.RECONCILED)
    require_another(period, by, "approved it", State.APPROVED)
    _refuse_blocked(period, LOCK, kept_sheet(period))
    refuse_broken_books(period)
    take_step(period, State.LOCKED, by=by, roles=roles, verb="lock", comment=comment)
    return period


def last_step(period: Period, to_state: str) -> PeriodStep | None:
    """The newest step into a state by who prepared it, with its person. Who takes an approval back leaves the
    month reconciled, but did not reconcile it."""
    taken_back = {"from_state": State.APPROVED, "to_state": State.RECONCILED}
    forward = period.steps.filter(to_state=to_state).exclude(**taken_back)
    return forward.select_related("by").order_by("-pk").first()


def require_another(period: Period, by: User, did: str, to_state: str) -> None:
    """`SamePerson` where `by` took the last step into the state: who prepared never approves."""
    step = last_step(period, to_state)
    if step is not None and step.by_id == by.pk:
        raise SamePerson(
            f"You {did}: {period.name} of {period.site.code} needs another person now. Nothing was changed.",
            where=f"{period.site.code} {period.name}",
        )


def refuse_broken_books(period: Period) -> None:
    """`PeriodBlocked` with every invariant of the book that does not hold for the period."""
    broken = ledger_checks.run(ledger_checks.Scope(period.site.organization, period.site, period))
    if broken:
        raise PeriodBlocked(
            f"The books of {period.name} of {period.site.code} do not hold: "
            f"{' '.join(problem.message for problem in broken)} Nothing was changed.",
            where=f"{period.site.code} {period.name}",
            remedy="Send this message to who keeps the service: the database was changed past its verbs.",
            problems=tuple({"field": each.check, "message": each.message} for each in broken),
        )


def refuse(period: Period, step: str, tasks: list[Task]) -> None:
    """`PeriodBlocked` with all tasks, where there are any."""
    if not tasks:
        return
    count = f"{len(tasks)} thing{'s stand' if len(tasks) > 1 else ' stands'}"
    raise PeriodBlocked(
        f"{count} between {period.name} of {period.site.code} and the step {step}. "
        f"{' '.join(task.message for task in tasks)} Nothing was changed.",
        where=f"{period.site.code} {period.name}",
        remedy=" ".join(dict.fromkeys(task.remedy for task in tasks)),
        problems=tuple(task.as_dict() for task in tasks),
    )


def _refuse_blocked(period: Period, step: str, sheet: Sheet) -> None:
    refuse(period, step, tasks_before(step, period, sheet))


def _reconcile(period: Period, by: User, comment: str, from_state: str, verb: str) -> Period:
    period = held(period)
    roles = require(by, period.site.organization, "reconcile_period")
    require_state(period, [from_state], verb.replace("_", " "))
    _refuse_blocked(period, RECONCILE, live_sheet(period, with_causes=False))
    sheet, sha256 = keep(period)
    detail = {"lines_n": len(sheet.lines), "lines_sha256": sha256}
    take_step(period, State.RECONCILED, by=by, roles=roles, verb=verb, comment=comment, detail=detail)
    return period
