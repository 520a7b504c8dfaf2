"""What the book refuses, as one tree.

Each error has a stable `code` and says what was found and where, why it matters, what to do, and what
was done meanwhile. Errors survive pickling, so that a worker's refusal reaches the page unchanged.
The calculator has a tree of its own of the same form; the book does not import it.
"""

from __future__ import annotations

from typing import Any


class BookRefused(Exception):
    """Base of everything the book refuses. Subclasses set `code` and usually `remedy`."""

    code = "book-refused"
    remedy = ""

    def __init__(self, message: str, *, where: str = "", remedy: str | None = None) -> None:
        self.message = message
        self.where = where
        if remedy is not None:
            self.remedy = remedy
        super().__init__(message)

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), self.message, self.where, self.remedy)

    def as_dict(self) -> dict[str, str]:
        return {"code": self.code, "message": self.message, "where": self.where, "remedy": self.remedy}


def _rebuild(kind: type[BookRefused], message: str, where: str, remedy: str) -> BookRefused:
    return kind(message, where=where, remedy=remedy)


# --- who may -------------------------------------------------------------------------------------


class NotAllowed(BookRefused):
    """The person's roles in this organization do not carry the action. Nothing was changed."""

    code = "not-allowed"
    remedy = "Ask somebody who has the role, or an administrator to give it."


class SamePerson(NotAllowed):
    """Who prepared something may not approve it, and two approvals need two people."""

    code = "same-person"
    remedy = "Ask another person with the role."


class LastAdministrator(BookRefused):
    code = "last-administrator"
    remedy = "Give the role to another person first."


class InvitationNotValid(BookRefused):
    code = "invitation-not-valid"
    remedy = "Ask an administrator for a new invitation."


# --- what was given ------------------------------------------------------------------------------


class BadEntry(BookRefused):
    """A value is missing or outside what is allowed."""

    code = "bad-entry"


class NameTaken(BookRefused):
    code = "name-taken"
    remedy = "Choose another one."


class AcrossOrganizations(BookRefused):
    """Two records of different organizations were brought together."""

    code = "across-organizations"
    remedy = "Use records of the same organization."


class BadOutline(BookRefused):
    code = "bad-outline"
    remedy = "Draw one ring of at least three corners that does not cross itself."


class OutlinesOverlap(BookRefused):
    """Two piles may not claim the same ground on the same day: a yard file could not be divided."""

    code = "outlines-overlap"
    remedy = "Redraw one of the outlines, or record a merge."


class PileNotOpen(BookRefused):
    code = "pile-not-open"
    remedy = "Check the date and the pile."


class NumberNotFinite(BookRefused):
    """A float that is no number, or too large for the book, was about to enter it."""

    code = "book-number-not-finite"
    remedy = "Measure again; the book takes finite quantities only."


# --- densities and bases -------------------------------------------------------------------------


class NotProposed(BookRefused):
    """Only a proposal can be approved or withdrawn."""

    code = "not-proposed"
    remedy = "Propose a new record."


class ValidityOverlap(BookRefused):
    code = "validity-overlap"
    remedy = "Choose dates that replace one record to its end."


class NoDensityInForce(BookRefused):
    code = "no-density-in-force"


class DensityStateMismatch(BookRefused):
    """The density is of another state than the stocked volume that was measured."""

    code = "density-state-mismatch"
    remedy = "Choose a stocked density, or convert with an approved factor."


class NoBaseInForce(BookRefused):
    code = "no-base-in-force"


class BaseNotInForce(BookRefused):
    """The base given is not the one in force on the survey's day."""

    code = "base-not-in-force"


# --- counts --------------------------------------------------------------------------------------


class CountStands(BookRefused):
    """Another count of the same pile and day stands."""

    code = "count-stands"
    remedy = "Approve the correction as a new version that supersedes the one that stands."


class CountNotCurrent(BookRefused):
    code = "count-not-current"
    remedy = "Supersede the count that stands."


class EvidenceChanged(BookRefused):
    """The same evidence came again with other figures. The first count stands untouched."""

    code = "evidence-changed"
    remedy = "Record the correction as new evidence that supersedes the old."


class TonnesDoNotFollow(BookRefused):
    code = "tonnes-do-not-follow"
    remedy = "Measure again with the density in force."


# --- movements -----------------------------------------------------------------------------------


class PeriodClosed(BookRefused):
    """The day lies in an approved or locked period. A correction in the next open one may be proposed."""

    code = "period-closed"


class InTheFuture(BookRefused):
    code = "in-the-future"
    remedy = "Correct the time or its zone; what has not happened cannot be booked."


class DocumentChanged(BookRefused):
    """The same document came again with other figures. The first movement stands untouched."""

    code = "document-changed"
    remedy = "Reverse the movement that stands with a reason, then record the right one."


class OwnersDiffer(BookRefused):
    """Material of two owners, or of an unknown one, was brought together."""

    code = "owners-differ"
    remedy = "Record what left one owner as a sale and what the other received as a purchase."


class AlreadyReversed(BookRefused):
    code = "already-reversed"
    remedy = "Load the page again to see what happened meanwhile."


class TotaliserBackwards(BookRefused):
    """A belt totaliser shows less than before; it only counts up."""

    code = "totaliser-backwards"


class TicketsRefused(BookRefused):
    """A file of movements with problems. All of them are told at once; nothing of the file is posted."""

    code = "tickets-refused"
    remedy = "Correct the lines named in the file, or choose its columns again, and send it once more."

    def __init__(self, message: str, *, problems: tuple[dict[str, Any], ...] = (), **named: Any) -> None:
        super().__init__(message, **named)
        self.problems = problems

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild_tickets, (self.message, self.problems, self.where, self.remedy)

    def as_dict(self) -> dict[str, Any]:
        return {**super().as_dict(), "problems": list(self.problems)}


def _rebuild_tickets(message: str, problems: Any, where: str, remedy: str) -> TicketsRefused:
    return TicketsRefused(message, problems=problems, where=where, remedy=remedy)


# --- money ---------------------------------------------------------------------------------------


class NoValueInForce(BookRefused):
    """No cost, net realisable value or price holds on the day; an amount without one would be invented."""

    code = "no-value-in-force"


class JournalRefused(BookRefused):
    """A journal entry that does not balance, or that the state of its period or its papers keeps out."""

    code = "journal-refused"


class PeriodNotReady(BookRefused):
    """The period has no lines yet that could be valued or exported."""

    code = "period-not-ready"
    remedy = "Reconcile the period first."


# --- month end -----------------------------------------------------------------------------------


class PeriodNotThere(BookRefused):
    """A period in another state than the step starts from, or none at all."""

    code = "period-state"
    remedy = "Load the page again to see what happened meanwhile."


class PeriodBlocked(BookRefused):
    """Tasks stand between a period and its next step. All of them are told at once."""

    code = "period-blocked"

    def __init__(self, message: str, *, problems: tuple[dict[str, Any], ...] = (), **named: Any) -> None:
        super().__init__(message, **named)
        self.problems = problems

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild_blocked, (self.message, self.problems, self.where, self.remedy)

    def as_dict(self) -> dict[str, Any]:
        return {**super().as_dict(), "problems": list(self.problems)}


def _rebuild_blocked(message: str, problems: Any, where: str, remedy: str) -> PeriodBlocked:
    return PeriodBlocked(message, problems=problems, where=where, remedy=remedy)


class AdjustmentNotThere(BookRefused):
    """An adjustment in another state than the step starts from."""

    code = "adjustment-state"
    remedy = "Load the page again to see what happened meanwhile."
