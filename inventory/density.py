"""Densities by effective date: proposed by one, approved by a lead surveyor and a manager, looked up
by the day of the survey, narrowest scope first."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory import validity
from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import (
    AcrossOrganizations,
    BadEntry,
    DensityStateMismatch,
    NoDensityInForce,
    SamePerson,
)
from inventory.models import DensityApproval, DensityRecord, Material, Pile, Role, Site, Status, User
from inventory.rights import require, require_other_person

UNCERTAINTY_BY_GRADE_PERCENT: dict[str, Decimal] = {
    "A": Decimal("1.5"),
    "B": Decimal("3"),
    "C": Decimal("5"),
    "D": Decimal("7"),
}
"""Standard uncertainty taken where none was determined. Common practice, no source: the cautious end of
1–1.5 % for a back-calculated density, 2–3 % for a laboratory one, 4–5 % for a borrowed one, 7 % or
more for a book value."""

SIGNERS: tuple[Role, ...] = (Role.LEAD_SURVEYOR, Role.MANAGER)
"""Both must approve, and be two people."""

_SCOPES = ("pile", "site", "company")


@transaction.atomic
def propose_density(
    *,
    material: Material,
    t_per_m3: Decimal | int | str,
    grade: str,
    method: str,
    reason: str,
    valid_from: dt.date,
    by: User,
    valid_to: dt.date | None = None,
    site: Site | None = None,
    pile: Pile | None = None,
    state: str = DensityRecord.State.STOCKED,
    moisture_basis: str = DensityRecord.MoistureBasis.AS_RECEIVED,
    moisture_percent: Decimal | int | str | None = None,
    moisture_percent_of: str = "",
    standard_uncertainty_percent: Decimal | int | str | None = None,
    tests_n: int | None = None,
) -> DensityRecord:
    """A density that waits for its two approvals. Scope: the pile, else the site, else the organization.

    Raises `NotAllowed`, `BadEntry`, `AcrossOrganizations`, and `ValidityOverlap` where its dates
    could never come into force beside those in force now.
    """
    require(by, material.organization, "propose_density")
    _check_scope(material, site, pile)
    validity.check_dates(valid_from, valid_to)
    record = DensityRecord(
        organization=material.organization,
        material=material,
        site=site,
        pile=pile,
        t_per_m3=decimal_entered(t_per_m3, "t_per_m3", 4),
        state=_known(state, DensityRecord.State, "state"),
        moisture_basis=_known(moisture_basis, DensityRecord.MoistureBasis, "moisture_basis"),
        grade=_known(grade, DensityRecord.Grade, "grade"),
        tests_n=tests_n,
        method=validity.required_text(method, "method"),
        reason=validity.required_text(reason, "reason"),
        valid_from=valid_from,
        valid_to=valid_to,
        proposed_by=by,
    )
    record.standard_uncertainty_percent = (
        UNCERTAINTY_BY_GRADE_PERCENT[record.grade]
        if standard_uncertainty_percent is None
        else decimal_entered(standard_uncertainty_percent, "standard_uncertainty_percent", 2)
    )
    _set_moisture(record, moisture_percent, moisture_percent_of)
    _check_values(record)
    record.supersedes = validity.predecessor(_of_scope(record), valid_from, valid_to)
    record.save()
    _record(record, by, "propose_density", record.reason)
    return record


@transaction.atomic
def approve_density(record: DensityRecord, by: User) -> DensityRecord:
    """One signature. With the second one the record is approved and its predecessor makes room.

    Raises `NotAllowed`, `SamePerson`, `NotProposed`, `ValidityOverlap`.
    """
    # Two approvals of one material stand in line, so that neither misses what the other closes.
    Material.objects.select_for_update().get(pk=record.material_id)
    record = DensityRecord.objects.select_related("organization", "material", "proposed_by").get(pk=record.pk)
    roles = require(by, record.organization, "approve_density")
    validity.check_proposed(record, record.label)
    require_other_person(record.proposed_by, by, record.label)
    given = list(record.approvals.all())
    DensityApproval.objects.create(
        density=record, role=_signs_as(record, by, roles, given), by=by, at=timezone.now()
    )
    if len(given) + 1 == len(SIGNERS):
        old = validity.predecessor(_of_scope(record), record.valid_from, record.valid_to)
        validity.make_room(record, old)
        validity.mark_approved(record, by)
    _record(record, by, "approve_density")
    return record


@transaction.atomic
def withdraw_density(record: DensityRecord, by: User, reason: str) -> DensityRecord:
    """Take a proposal back, by who proposed it or by somebody who may approve it."""
    record = (
        DensityRecord.objects.select_for_update(of=("self",)).select_related("organization").get(pk=record.pk)
    )
    require(
        by, record.organization, "propose_density" if by.pk == record.proposed_by_id else "approve_density"
    )
    validity.check_proposed(record, record.label)
    validity.withdraw(record, by, reason)
    _record(record, by, "withdraw_density", reason)
    return record


def signatures_missing(record: DensityRecord) -> tuple[Role, ...]:
    """Roles whose approval a proposal still waits for; empty once approved."""
    if record.status != Status.PROPOSED:
        return ()
    given = {approval.role for approval in record.approvals.all()}
    return tuple(role for role in SIGNERS if role not in given)


def density_in_force(pile: Pile, on: dt.date) -> DensityRecord:
    """The density for a survey of `pile` on the day `on`: the pile's own, else the site's, else the
    company's. Exactly one, in the stocked state.

    Raises `NoDensityInForce`, or `DensityStateMismatch` for a density of another state. One query where
    there is one.
    """
    hits = {
        record.scope: record
        for record in _candidates(pile).filter(validity.on_day(on), status=Status.APPROVED)
    }
    for scope in _SCOPES:
        if scope in hits:
            return _stocked(hits[scope], pile)
    raise _none_in_force(pile, on)


def _record(record: DensityRecord, by: User, verb: str, reason: str = "") -> None:
    detail = {
        "label": record.label,
        "status": record.status,
        "t_per_m3": record.t_per_m3,
        "valid_from": record.valid_from,
        "reason": reason,
    }
    record_event(record.organization, by=by, verb=verb, subject=record, detail=detail)


def _stocked(record: DensityRecord, pile: Pile) -> DensityRecord:
    if record.state == DensityRecord.State.STOCKED:
        return record
    raise DensityStateMismatch(
        f"Volume is “stocked”, density record {record.label} is “{record.state}” ({record.method}). "
        f"A cubic metre {_WEIGHS[record.state]} does not weigh what a stocked one weighs, so the tonnes "
        "would be wrong. Tonnes not computed; the volume stands.",
        where=f"pile {pile.code}",
    )


_WEIGHS = {
    DensityRecord.State.COMPACTED: "compacted in a layer",
    DensityRecord.State.BANK: "in place before digging",
    DensityRecord.State.TRUCK: "on a truck",
}


def _none_in_force(pile: Pile, on: dt.date) -> NoDensityInForce:
    records = list(_candidates(pile).filter(status__in=[Status.APPROVED, Status.PROPOSED]))
    approved = [record for record in records if record.status == Status.APPROVED]
    ended = [record.valid_to for record in approved if record.valid_to is not None and record.valid_to <= on]
    begins = [record.valid_from for record in approved if record.valid_from > on]
    waiting = [r for r in records if r.status == Status.PROPOSED and r.covers(on)]
    if ended:
        history = f" (last ended {max(ended) - dt.timedelta(days=1)})"
    elif begins:
        history = f" (the first begins {min(begins)})"
    else:
        history = " (none was ever approved)"
    start = max(ended) if ended else on
    remedy = f"Approve a record from {start} on."
    if waiting:
        remedy = f"{waiting[0].label}, proposed from {waiting[0].valid_from}, waits for approval. " + remedy
    return NoDensityInForce(
        f"Material {pile.material.code} at site {pile.site.code} has no approved density on {on}{history}. "
        "Tonnes not computed; the volume stands.",
        where=f"pile {pile.code}",
        remedy=remedy,
    )


def _candidates(pile: Pile) -> QuerySet[Any]:
    reaches = Q(pile=pile) | Q(pile__isnull=True, site=pile.site_id) | Q(pile__isnull=True, site__isnull=True)
    return DensityRecord.objects.filter(reaches, material=pile.material_id)


def _of_scope(record: DensityRecord) -> QuerySet[Any]:
    return DensityRecord.objects.filter(
        organization=record.organization_id,
        material=record.material_id,
        site=record.site_id,
        pile=record.pile_id,
    ).exclude(pk=record.pk)


def _signs_as(record: DensityRecord, by: User, roles: frozenset[str], given: list[DensityApproval]) -> Role:
    taken = {approval.role for approval in given}
    if any(approval.by_id == by.pk for approval in given):
        raise SamePerson(
            f"{record.label} has your approval already; the second one must come from another person. "
            "Nothing was changed.",
            where=record.label,
        )
    for role in SIGNERS:
        if role in roles and role not in taken:
            return role
    missing = next(role for role in SIGNERS if role not in taken)
    raise SamePerson(
        f"{record.label} has the approval of your role already; it waits for a {missing.label}. "
        "Nothing was changed.",
        where=record.label,
        remedy=f"Ask a {missing.label}.",
    )


def _check_scope(material: Material, site: Site | None, pile: Pile | None) -> None:
    if site is not None and pile is not None:
        raise BadEntry(
            "A density is for a site or for one pile, not for both. Nothing was changed.",
            where="scope",
            remedy="Name the pile only; its site is known.",
        )
    place = pile.site if pile is not None else site
    if place is not None and place.organization_id != material.organization_id:
        raise AcrossOrganizations(
            "The material and the place belong to different organizations.", where="scope"
        )
    if pile is not None and pile.material_id != material.pk:
        raise BadEntry(
            f"Pile {pile.code} holds {pile.material.code}, not {material.code}. Nothing was changed.",
            where="material",
            remedy=f"Propose the density for {pile.material.code}.",
        )


def _set_moisture(record: DensityRecord, percent: Decimal | int | str | None, percent_of: str) -> None:
    if percent is None:
        return
    record.moisture_percent = decimal_entered(percent, "moisture_percent", 2)
    record.moisture_percent_of = _known(percent_of, DensityRecord.PercentOf, "moisture_percent_of")
    if record.moisture_percent < 0:
        raise BadEntry(
            "Moisture below zero. Nothing was changed.", where="moisture_percent", remedy="Correct it."
        )


def _check_values(record: DensityRecord) -> None:
    if not 0 < record.t_per_m3 < 25:
        raise BadEntry(
            f"{record.t_per_m3} t/m³ is no density of a material. Nothing was changed.",
            where="t_per_m3",
            remedy="Give tonnes per cubic metre: 1600 kg/m³ is 1.6 t/m³.",
        )
    if not 0 < record.standard_uncertainty_percent <= 100:
        raise BadEntry(
            f"A standard uncertainty of {record.standard_uncertainty_percent} % is impossible. "
            "Nothing was changed.",
            where="standard_uncertainty_percent",
            remedy="Give one standard deviation in per cent of the density.",
        )


def _known(value: str, words: Any, name: str) -> str:
    if value not in words.values:
        raise BadEntry(
            f"{name}: “{value}” is unknown. Nothing was changed.",
            where=name,
            remedy=f"Choose one of: {', '.join(words.values)}.",
        )
    return value
