"""Who may do what: a table, and the few functions that read it.

Rights come from roles in an organization, and from nothing else. An administrator keeps people and
their roles and cannot touch a business record; who prepared something never approves it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from inventory.errors import NotAllowed, SamePerson
from inventory.models import Organization, Role, User
from inventory.scope import memberships_in_force, organizations_of

__all__ = [
    "ACTIONS",
    "Standing",
    "can",
    "membership_of",
    "organizations_of",
    "require",
    "require_other_person",
    "roles_of",
]

_SURVEYORS = frozenset({Role.SURVEYOR, Role.LEAD_SURVEYOR})
_LEAD = frozenset({Role.LEAD_SURVEYOR})
_LEAD_AND_MANAGER = frozenset({Role.LEAD_SURVEYOR, Role.MANAGER})
_BOOKKEEPERS = frozenset({Role.MANAGER, Role.ACCOUNTANT})
_LEDGER = frozenset({Role.ACCOUNTANT, Role.CONTROLLER})
_CONTROLLER = frozenset({Role.CONTROLLER})
_MONEY_READERS = _LEDGER | {Role.AUDITOR, Role.MANAGER}

ACTIONS: dict[str, frozenset[str]] = {
    "see": frozenset(Role),
    "upload_survey": _SURVEYORS,
    "reduce_book": _SURVEYORS,
    "accept_reduction": _LEAD,
    "compute_measurement": _SURVEYORS,
    "submit_measurement": _SURVEYORS,
    "withdraw_measurement": _SURVEYORS,
    "review_measurement": _LEAD,
    "approve_measurement": _LEAD,
    "send_back_measurement": _LEAD,
    "accept_finding": _LEAD,
    "propose_density": _SURVEYORS | {Role.MANAGER},
    "approve_density": _LEAD_AND_MANAGER,
    "propose_base": _SURVEYORS,
    "approve_base": _LEAD,
    "propose_control": _SURVEYORS,
    "approve_control": _LEAD,
    "keep_sites": _LEAD_AND_MANAGER,
    "keep_materials": _LEAD_AND_MANAGER,
    "keep_piles": _LEAD_AND_MANAGER,
    "record_hazards": _SURVEYORS | _BOOKKEEPERS,
    "propose_limit": _SURVEYORS | {Role.MANAGER},
    "approve_limit": _LEAD_AND_MANAGER,
    "own_alert": frozenset(Role) - {Role.AUDITOR, Role.ADMINISTRATOR},
    "accept_alert": _LEAD_AND_MANAGER | _LEDGER,
    "record_movement": _BOOKKEEPERS,
    "import_movements": _BOOKKEEPERS,
    "keep_scales": frozenset({Role.MANAGER}),
    "explain_variance": frozenset(Role) - {Role.AUDITOR, Role.ADMINISTRATOR},
    "reconcile_period": frozenset({Role.ACCOUNTANT}),
    "approve_period": frozenset({Role.MANAGER}),
    "lock_period": _CONTROLLER,
    "ask_restatement": _LEDGER | {Role.LEAD_SURVEYOR},
    "agree_restatement": frozenset({Role.CONTROLLER, Role.MANAGER}),
    "propose_adjustment": _BOOKKEEPERS,
    "approve_adjustment": _CONTROLLER,
    "post_adjustment": _LEDGER,
    "see_money": _MONEY_READERS,
    "see_audit_trail": _MONEY_READERS,
    "propose_value": frozenset({Role.ACCOUNTANT}),
    "approve_value": _CONTROLLER,
    "keep_accounts": _LEDGER,
    "post_journal": _LEDGER,
    "export_period": _MONEY_READERS,
    "set_policy": _CONTROLLER,
    "verify": frozenset({Role.AUDITOR, Role.CONTROLLER, Role.LEAD_SURVEYOR, Role.ADMINISTRATOR}),
    "take_evidence": frozenset({Role.AUDITOR, Role.CONTROLLER}),
    "export_stock": frozenset(Role) - {Role.ADMINISTRATOR},
    "recompute": _SURVEYORS | {Role.AUDITOR},
    "keep_people": frozenset({Role.ADMINISTRATOR}),
}
"""Action → roles that carry it."""

_IN_WORDS: dict[str, str] = {
    "see": "Seeing the stock",
    "upload_survey": "Uploading a survey",
    "reduce_book": "Reducing a field book",
    "accept_reduction": "Accepting or sending back a reduction",
    "compute_measurement": "Measuring a pile",
    "submit_measurement": "Submitting a measurement",
    "withdraw_measurement": "Withdrawing a measurement",
    "review_measurement": "Reviewing a measurement",
    "approve_measurement": "Approving a measurement",
    "send_back_measurement": "Sending a measurement back",
    "accept_finding": "Accepting a finding",
    "propose_density": "Proposing a density",
    "approve_density": "Approving a density",
    "propose_base": "Proposing a base",
    "approve_base": "Approving a base",
    "propose_control": "Proposing a control point",
    "approve_control": "Approving a control point",
    "keep_sites": "Keeping sites",
    "keep_materials": "Keeping materials",
    "keep_piles": "Keeping piles",
    "record_hazards": "Recording hazards",
    "propose_limit": "Proposing a limit",
    "approve_limit": "Approving a limit",
    "own_alert": "Taking on what needs somebody",
    "accept_alert": "Accepting an alert for a while",
    "record_movement": "Recording a movement",
    "import_movements": "Importing movements",
    "keep_scales": "Keeping scales",
    "explain_variance": "Explaining a variance",
    "reconcile_period": "Reconciling a period",
    "approve_period": "Approving a period",
    "lock_period": "Locking a period",
    "ask_restatement": "Asking for a restatement",
    "agree_restatement": "Agreeing to a restatement",
    "propose_adjustment": "Proposing an adjustment",
    "approve_adjustment": "Approving an adjustment",
    "post_adjustment": "Posting an adjustment",
    "see_money": "Seeing costs and values",
    "see_audit_trail": "Seeing the audit trail",
    "propose_value": "Proposing a cost or a value",
    "approve_value": "Approving a cost or a value",
    "keep_accounts": "Keeping the accounts",
    "post_journal": "Posting a journal entry",
    "export_period": "Exporting a period",
    "set_policy": "Setting a policy",
    "verify": "Verifying the records",
    "take_evidence": "Taking a year's evidence",
    "export_stock": "Exporting the stock",
    "recompute": "Recomputing a measurement",
    "keep_people": "Keeping people and their roles",
}


@dataclass(frozen=True)
class Standing:
    """A person in one organization today, with the roles they have there."""

    user: User
    organization: Organization
    roles: frozenset[str]

    def can(self, action: str) -> bool:
        return not self.roles.isdisjoint(ACTIONS[action])

    def require(self, action: str) -> None:
        """`NotAllowed` unless one of the roles carries the action."""
        if not self.can(action):
            raise _refusal(action, self.roles)


def roles_of(user: Any, organization: Organization) -> frozenset[str]:
    """The user's roles in the organization today; empty for an outsider. One query."""
    return frozenset(
        memberships_in_force(user).filter(organization=organization).values_list("role", flat=True)
    )


def can(user: Any, organization: Organization, action: str) -> bool:
    """Whether the user may do `action` there today. `KeyError` for an action that does not exist."""
    carriers = ACTIONS[action]
    return not roles_of(user, organization).isdisjoint(carriers)


def require(user: Any, organization: Organization, action: str) -> frozenset[str]:
    """The user's roles, or `NotAllowed`; `KeyError` for an action that does not exist."""
    carriers = ACTIONS[action]
    roles = roles_of(user, organization)
    if roles.isdisjoint(carriers):
        raise _refusal(action, roles)
    return roles


def require_other_person(preparer: User, approver: User, what: str) -> None:
    """`SamePerson` when who prepared `what` is about to approve it."""
    if preparer.pk == approver.pk:
        raise SamePerson(
            f"{what} was prepared by you. A figure that moves money is approved by a second person. "
            "Nothing was changed.",
            where=what,
        )


def membership_of(request: Any, organization_slug: str | None = None) -> Standing | None:
    """The standing of who is signed in: in the organization named, else the one chosen in the session
    (`organization`), else the first by name. `None` for nobody, or without a membership in force.

    One query a request: the answer is kept on the request.
    """
    standings = _standings(request)
    wanted = organization_slug or request.session.get("organization")
    for standing in standings:
        if standing.organization.slug == wanted:
            return standing
    if organization_slug is not None or not standings:
        return None
    return standings[0]


def _standings(request: Any) -> tuple[Standing, ...]:
    kept = getattr(request, "_heapledger_standings", None)
    if kept is not None and kept[0] == request.user.pk:
        return kept[1]
    rows = memberships_in_force(request.user).select_related("organization")
    found: dict[Organization, set[str]] = {}
    for row in rows.order_by("organization__name", "organization_id"):
        found.setdefault(row.organization, set()).add(row.role)
    standings = tuple(
        Standing(request.user, organization, frozenset(roles)) for organization, roles in found.items()
    )
    request._heapledger_standings = (request.user.pk, standings)
    return standings


def _refusal(action: str, roles: Iterable[str]) -> NotAllowed:
    have = _words(roles)
    you_are = f"your role here is {have}" if have else "you have no role here"
    return NotAllowed(
        f"{_IN_WORDS[action]} is for {_words(ACTIONS[action])}; {you_are}. Nothing was changed.",
        where=action,
        remedy=f"Ask a person who is {_words(ACTIONS[action])}, or an administrator for the role.",
    )


def _words(roles: Iterable[str]) -> str:
    """Roles as words in the table's order: `surveyor or lead surveyor`."""
    given = set(roles)
    return " or ".join(role.label for role in Role if role in given)
