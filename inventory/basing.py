"""Base versions by effective date: what a pile's volume is measured against on a day."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Max

from inventory import validity
from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import BadEntry, BaseNotInForce, NoBaseInForce
from inventory.models import BaseVersion, Pile, Status, User
from inventory.rights import require, require_other_person

SHA256_LETTERS = frozenset("0123456789abcdef")


@transaction.atomic
def propose_base(
    *,
    pile: Pile,
    kind: str,
    valid_from: dt.date,
    height_uncertainty_m: Decimal | int | str,
    reason: str,
    by: User,
    valid_to: dt.date | None = None,
    level_m: Decimal | int | str | None = None,
    evidence_sha256: str = "",
    evidence_name: str = "",
    evidence_read: dict[str, Any] | None = None,
) -> BaseVersion:
    """The pile's next base version, waiting for approval.

    A `surface` names its file by the SHA-256 of its bytes (64 hexadecimal digits, lower case); a `level`
    gives `level_m` in the site frame. `height_uncertainty_m` is one standard deviation.
    Raises `NotAllowed`, `BadEntry`, `ValidityOverlap`.
    """
    require(by, pile.site.organization, "propose_base")
    validity.check_dates(valid_from, valid_to)
    _check_kind(kind, level_m, evidence_sha256)
    uncertainty_m = decimal_entered(height_uncertainty_m, "height_uncertainty_m", 4)
    if uncertainty_m < 0:
        raise BadEntry(
            "An uncertainty below zero. Nothing was changed.",
            where="height_uncertainty_m",
            remedy="Correct it.",
        )
    # The pile's row is the queue for its version numbers.
    Pile.objects.select_for_update().get(pk=pile.pk)
    newest = pile.bases.aggregate(newest=Max("version"))["newest"] or 0
    base = BaseVersion.objects.create(
        pile=pile,
        version=newest + 1,
        kind=kind,
        level_m=None if level_m is None else decimal_entered(level_m, "level_m", 4),
        evidence_sha256=evidence_sha256,
        evidence_name=evidence_name,
        evidence_read=evidence_read or {},
        height_uncertainty_m=uncertainty_m,
        valid_from=valid_from,
        valid_to=valid_to,
        reason=validity.required_text(reason, "reason"),
        proposed_by=by,
        supersedes=validity.predecessor(pile.bases.all(), valid_from, valid_to),
    )
    _record(base, by, "propose_base", base.reason)
    return base


@transaction.atomic
def approve_base(base: BaseVersion, by: User) -> BaseVersion:
    """Bring a base into force; the one it replaces is closed on its first day.

    Raises `NotAllowed`, `SamePerson`, `NotProposed`, `ValidityOverlap`.
    """
    Pile.objects.select_for_update().get(pk=base.pile_id)
    base = BaseVersion.objects.select_related("pile__site__organization", "proposed_by").get(pk=base.pk)
    require(by, base.pile.site.organization, "approve_base")
    validity.check_proposed(base, base.label)
    require_other_person(base.proposed_by, by, base.label)
    others = base.pile.bases.exclude(pk=base.pk)
    validity.make_room(base, validity.predecessor(others, base.valid_from, base.valid_to))
    validity.mark_approved(base, by)
    _record(base, by, "approve_base")
    return base


@transaction.atomic
def withdraw_base(base: BaseVersion, by: User, reason: str) -> BaseVersion:
    """Take a proposal back, by who proposed it or by somebody who may approve it."""
    Pile.objects.select_for_update().get(pk=base.pile_id)
    base = BaseVersion.objects.select_related("pile__site__organization").get(pk=base.pk)
    action = "propose_base" if by.pk == base.proposed_by_id else "approve_base"
    require(by, base.pile.site.organization, action)
    validity.check_proposed(base, base.label)
    validity.withdraw(base, by, reason)
    _record(base, by, "withdraw_base", reason)
    return base


def base_in_force(pile: Pile, on: dt.date) -> BaseVersion:
    """The pile's base on the day `on`; `NoBaseInForce` where there is none. One query where there is one."""
    found = pile.bases.filter(validity.on_day(on), status=Status.APPROVED).first()
    if found is not None:
        return found
    raise _none_in_force(pile, on)


def require_base_in_force(base: BaseVersion, on: dt.date) -> None:
    """`BaseNotInForce` unless `base` is the one in force on the day `on`, naming the one that is."""
    right = base_in_force(base.pile, on)
    if right.pk == base.pk:
        return
    raise BaseNotInForce(
        f"Base “{base.label}” is {_standing(base)}; the survey is of {on}. “{right.label}” ({right.reason}) "
        "is in force. Against another base the volume would be of another heap. Nothing was recorded.",
        where=f"pile {base.pile.code}",
        remedy=f"Switch to {right.label}.",
    )


def _record(base: BaseVersion, by: User, verb: str, reason: str = "") -> None:
    detail = {
        "label": base.label,
        "kind": base.kind,
        "status": base.status,
        "valid_from": base.valid_from,
        "evidence_sha256": base.evidence_sha256,
        "reason": reason,
    }
    record_event(base.pile.site.organization, by=by, verb=verb, subject=base, detail=detail)


def _standing(base: BaseVersion) -> str:
    if base.status == Status.APPROVED:
        return f"valid {validity.in_words(base)}"
    return str(base.get_status_display())


def _none_in_force(pile: Pile, on: dt.date) -> NoBaseInForce:
    records = list(pile.bases.select_related("pile").filter(status__in=[Status.APPROVED, Status.PROPOSED]))
    told = [f"“{r.label}” is valid {validity.in_words(r)}" for r in records if r.status == Status.APPROVED]
    waiting = [r for r in records if r.status == Status.PROPOSED and r.covers(on)]
    history = "; ".join(told) if told else "no base of this pile was ever approved"
    remedy = f"Approve a base that holds on {on}."
    if waiting:
        remedy = f"“{waiting[0].label}”, proposed from {waiting[0].valid_from}, waits for approval. " + remedy
    return NoBaseInForce(
        f"Pile {pile.code} has no base in force on {on}: {history}. A volume needs the ground of its own "
        "day. Nothing was measured.",
        where=f"pile {pile.code}",
        remedy=remedy,
    )


def _check_kind(kind: str, level_m: object, evidence_sha256: str) -> None:
    if kind not in BaseVersion.Kind.values:
        raise BadEntry(
            f"kind: “{kind}” is unknown. Nothing was changed.",
            where="kind",
            remedy=f"Choose one of: {', '.join(BaseVersion.Kind.values)}.",
        )
    if (kind == BaseVersion.Kind.LEVEL) != (level_m is not None):
        raise BadEntry(
            "A height goes with a fixed level, and with nothing else. Nothing was changed.",
            where="level_m",
            remedy="Give level_m for a fixed level only.",
        )
    is_hash = len(evidence_sha256) == 64 and SHA256_LETTERS.issuperset(evidence_sha256)
    wants_hash = kind == BaseVersion.Kind.SURFACE
    if (wants_hash and not is_hash) or (not wants_hash and evidence_sha256):
        raise BadEntry(
            "A surveyed ground is named by the SHA-256 of its file, other bases by none. "
            "Nothing was changed.",
            where="evidence_sha256",
            remedy="Receive the ground's file first, then propose the base with its hash.",
        )
