"""The life of a measurement: its states, the steps between them as data, and the record of each step.

    draft → computed → reviewed → approved → superseded
    draft, computed, reviewed, approved → withdrawn;  computed, reviewed → rejected (sent back)

There is no way back: a correction is a new version, which starts as a draft of its own.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785
from django.utils import timezone

from inventory.audit import record_event
from inventory.models import Role
from inventory.rights import ACTIONS
from surveys.errors import WrongState
from surveys.models import Measurement, State, Transition


@dataclass(frozen=True)
class Step:
    """One step. `right` is an action of the book's table of rights, empty where the service itself moves.

    `by_another`: the preparer may not take it. `reason`: it needs words.
    """

    from_states: tuple[str, ...]
    to_state: str
    right: str = ""
    by_another: bool = False
    reason: bool = False


STEPS: Mapping[str, Step] = {
    "compute": Step((State.DRAFT,), State.COMPUTED),
    "review": Step((State.COMPUTED,), State.REVIEWED, right="review_measurement", by_another=True),
    "approve": Step((State.REVIEWED,), State.APPROVED, right="approve_measurement", by_another=True),
    "send_back": Step(
        (State.COMPUTED, State.REVIEWED),
        State.REJECTED,
        right="send_back_measurement",
        by_another=True,
        reason=True,
    ),
    "withdraw": Step(
        (State.DRAFT, State.COMPUTED, State.REVIEWED),
        State.WITHDRAWN,
        right="withdraw_measurement",
        reason=True,
    ),
    "revoke": Step(
        (State.APPROVED,), State.WITHDRAWN, right="approve_measurement", by_another=True, reason=True
    ),
    "supersede": Step((State.APPROVED,), State.SUPERSEDED),
}

NOT_FINAL = (State.DRAFT, State.COMPUTED, State.REVIEWED)

HASHED = (
    "version",
    "state",
    "surveyed_on",
    "digest",
    "net_m3",
    "above_m3",
    "below_m3",
    "u95_m3",
    "tonnes",
    "u95_t",
    "prepared_by_id",
    "reviewed_by_id",
    "approved_by_id",
    "supersedes_id",
    "correction_reason",
    "sent_back_reason",
)


def acting_role(roles: frozenset[str], action: str) -> str:
    """The role under which a person acts: of those that carry the action, the first in the book's order."""
    return next(role for role in Role.values if role in roles and role in ACTIONS[action])


def state_hash(measurement: Measurement) -> str:
    """SHA-256 over the canonical JSON (RFC 8785) of what the measurement says."""
    said = {name: getattr(measurement, name) for name in HASHED}
    plain = {name: None if value is None else str(value) for name, value in said.items()}
    return hashlib.sha256(rfc8785.dumps({"uuid": str(measurement.uuid), **plain})).hexdigest()


def born(measurement: Measurement, by: Any, role: str, comment: str) -> Transition:
    """Record that a version was asked for."""
    return _record(
        measurement,
        "ask_for",
        to_state=measurement.state,
        by=by,
        role=role,
        comment=comment,
        hash_after=state_hash(measurement),
    )


def move(
    measurement: Measurement,
    verb: str,
    *,
    by: Any = None,
    role: str = "",
    comment: str = "",
    only_if: Mapping[str, Any] | None = None,
    **changes: Any,
) -> Transition:
    """Take one step by compare-and-set, with its changes and its record. Call inside a transaction.

    `only_if` are further conditions on the row. Raises `WrongState` when the row is not, or no longer,
    where the step starts; nothing is written then. `measurement` is refreshed.
    """
    step = STEPS[verb]
    before = Measurement.objects.get(pk=measurement.pk)
    moved = Measurement.objects.filter(
        pk=measurement.pk, state=before.state, state__in=step.from_states, **(only_if or {})
    ).update(state=step.to_state, **changes)
    if not moved:
        raise wrong_state(before, verb)
    measurement.refresh_from_db()
    return _record(
        measurement,
        verb,
        from_state=before.state,
        to_state=step.to_state,
        by=by,
        role=role,
        comment=comment,
        hash_before=state_hash(before),
        hash_after=state_hash(measurement),
    )


def _record(measurement: Measurement, verb: str, **step: Any) -> Transition:
    """The step as a row of its own, and as an event of the organization's chain."""
    transition = Transition.objects.create(measurement=measurement, at=timezone.now(), **step)
    detail = {
        "evidence_ref": measurement.evidence_ref,
        "from_state": transition.from_state,
        "to_state": transition.to_state,
        "comment": transition.comment,
    }
    record_event(
        measurement.survey.site.organization,
        by=transition.by,
        roles=[transition.role],
        verb=f"{verb}_measurement",
        subject=measurement,
        detail=detail,
        before_sha256=transition.hash_before,
        after_sha256=transition.hash_after,
    )
    return transition


def wrong_state(measurement: Measurement, verb: str) -> WrongState:
    allowed = " or ".join(STEPS[verb].from_states)
    return WrongState(
        f"Version {measurement.version} of {measurement.pile} on {measurement.surveyed_on} is "
        f"{measurement.state}. To {verb.replace('_', ' ')} it, it must be {allowed}. Nothing was changed.",
        where=measurement.evidence_ref,
    )
