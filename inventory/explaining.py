"""What people say about a variance: a cause from a list, in their own words. Nothing said is taken back."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.causes import CODES
from inventory.errors import BadEntry
from inventory.models import Explanation, Period, Pile, User
from inventory.periods import State, held, require_state
from inventory.rights import require
from inventory.validity import required_text

CAUSES: Mapping[str, str] = {**CODES, "not-counted": "not counted this month", "other": "another cause"}
"""Code → words: those that the service can test, and two that only people know."""
TAKES_WORDS = (State.OPEN, State.COUNTING, State.RECONCILED, State.RESTATING)


@transaction.atomic
def explain(period: Period, pile: Pile, text: str, by: User, cause_code: str = "other") -> Explanation:
    """Say why a pile differs, or why it was not counted; a later word stands beside it.

    Raises `NotAllowed`, `PeriodNotThere` for a closed period, `BadEntry`.
    """
    period = held(period)
    roles = require(by, period.site.organization, "explain_variance")
    require_state(period, TAKES_WORDS, "explain a variance of")
    check_pile(period, pile)
    if cause_code not in CAUSES:
        raise BadEntry(
            f"Cause “{cause_code}” is unknown. Nothing was changed.",
            where="cause_code",
            remedy=f"Choose one of: {', '.join(CAUSES)}.",
        )
    explanation = Explanation.objects.create(
        period=period,
        pile=pile,
        cause_code=cause_code,
        text=required_text(text, "text"),
        by=by,
        at=timezone.now(),
    )
    detail = {"period": period.name, "pile": pile.code, "cause": cause_code, "text": explanation.text}
    record_event(
        period.site.organization, by=by, roles=roles, verb="explain", subject=explanation, detail=detail
    )
    return explanation


def check_pile(period: Period, pile: Pile) -> None:
    """`BadEntry` for a pile of another site than the period's."""
    if pile.site_id != period.site_id:
        raise BadEntry(
            f"Pile {pile.code} is not of site {period.site.code}. Nothing was changed.",
            where="pile",
            remedy="Choose a pile of the same site.",
        )
