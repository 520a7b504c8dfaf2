"""Cost, net realisable value and price of a tonne by effective date: proposed by an accountant, approved
by a controller, looked up by day, the site's own before the company's.

A value in force is never changed; a new one closes it on its own first day, so that a period that was
valued can be valued again with the same figures (IAS 2.9 asks for cost and net realisable value alike).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory import validity
from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import AcrossOrganizations, BadEntry, NoValueInForce
from inventory.models import Material, Site, Status, UnitValue, User
from inventory.rights import require, require_other_person

Kind = UnitValue.Kind


@transaction.atomic
def propose_value(
    *,
    material: Material,
    kind: str,
    per_t: Decimal | int | str,
    source: str,
    reason: str,
    valid_from: dt.date,
    by: User,
    valid_to: dt.date | None = None,
    site: Site | None = None,
) -> UnitValue:
    """A value per tonne that waits for its approval. Scope: the site, else the whole organization.

    Raises `NotAllowed`, `BadEntry`, `AcrossOrganizations`, `ValidityOverlap`.
    """
    require(by, material.organization, "propose_value")
    if site is not None and site.organization_id != material.organization_id:
        raise AcrossOrganizations(
            "The material and the site belong to different organizations.", where="site"
        )
    validity.check_dates(valid_from, valid_to)
    value = UnitValue(
        organization=material.organization,
        material=material,
        site=site,
        kind=known_kind(kind),
        per_t=_amount(per_t),
        source=validity.required_text(source, "source"),
        reason=validity.required_text(reason, "reason"),
        valid_from=valid_from,
        valid_to=valid_to,
        proposed_by=by,
    )
    value.supersedes = validity.predecessor(_of_scope(value), valid_from, valid_to)
    value.save()
    _record(value, by, "propose_value", value.reason)
    return value


@transaction.atomic
def approve_value(value: UnitValue, by: User) -> UnitValue:
    """Bring a value into force, by another person than who proposed it.

    Raises `NotAllowed`, `SamePerson`, `NotProposed`, `ValidityOverlap`.
    """
    # Two approvals of one material stand in line, so that neither misses what the other closes.
    Material.objects.select_for_update().get(pk=value.material_id)
    value = UnitValue.objects.select_related("organization", "material", "site", "proposed_by").get(
        pk=value.pk
    )
    require(by, value.organization, "approve_value")
    validity.check_proposed(value, value.label)
    require_other_person(value.proposed_by, by, value.label)
    old = validity.predecessor(_of_scope(value), value.valid_from, value.valid_to)
    validity.make_room(value, old)
    validity.mark_approved(value, by)
    _record(value, by, "approve_value")
    return value


@transaction.atomic
def withdraw_value(value: UnitValue, by: User, reason: str) -> UnitValue:
    """Take a proposal back, by who proposed it or by somebody who may approve it."""
    value = UnitValue.objects.select_for_update(of=("self",)).select_related("organization").get(pk=value.pk)
    require(by, value.organization, "propose_value" if by.pk == value.proposed_by_id else "approve_value")
    validity.check_proposed(value, value.label)
    validity.withdraw(value, by, reason)
    _record(value, by, "withdraw_value", reason)
    return value


def value_in_force(material: Material, site: Site, kind: str, on: dt.date) -> UnitValue:
    """The value of a tonne of `material` at `site` on the day `on`: the site's, else the company's.

    Exactly one, or `NoValueInForce`. One query where there is one.
    """
    found = values_in_force([material.pk], site, [kind], on).get((material.pk, kind))
    if found is None:
        raise none_in_force(material, site, kind, on)
    return found


def values_in_force(
    material_ids: Iterable[int], site: Site, kinds: Iterable[str], on: dt.date
) -> dict[tuple[int, str], UnitValue]:
    """(material id, kind) → the value in force, for those that have one. One query."""
    rows = _reaching(site).filter(
        validity.on_day(on), material__in=list(material_ids), kind__in=list(kinds), status=Status.APPROVED
    )
    # The company's first, so that the site's own takes its place.
    return {(row.material_id, row.kind): row for row in sorted(rows, key=lambda row: row.site_id is not None)}


def none_in_force(material: Material, site: Site, kind: str, on: dt.date) -> NoValueInForce:
    """The refusal in words: what was looked for, what there was or waits, and what to do."""
    words = Kind(kind).label
    rows = list(
        _reaching(site).filter(material=material, kind=kind, status__in=[Status.APPROVED, Status.PROPOSED])
    )
    approved = [row for row in rows if row.status == Status.APPROVED]
    ended = [row.valid_to for row in approved if row.valid_to is not None and row.valid_to <= on]
    begins = [row.valid_from for row in approved if row.valid_from > on]
    waiting = [row for row in rows if row.status == Status.PROPOSED and row.covers(on)]
    if ended:
        history = f" (last ended {max(ended) - dt.timedelta(days=1)})"
    elif begins:
        history = f" (the first begins {min(begins)})"
    else:
        history = " (none was ever approved)"
    remedy = f"Propose a {words} from {max(ended) if ended else on} on and have it approved."
    if waiting:
        remedy = f"{waiting[0].label}, proposed from {waiting[0].valid_from}, waits for approval."
    return NoValueInForce(
        f"{material.code} at {site.code} has no approved {words} on {on}{history}. "
        "No amount was worked out; the tonnes stand.",
        where=f"{material.code} {kind}",
        remedy=remedy,
    )


def known_kind(kind: str) -> str:
    if kind not in Kind.values:
        raise BadEntry(
            f"kind: “{kind}” is unknown. Nothing was changed.",
            where="kind",
            remedy=f"Choose one of: {', '.join(Kind.values)}.",
        )
    return kind


def _amount(per_t: Decimal | int | str) -> Decimal:
    entered = decimal_entered(per_t, "per_t", 4)
    if not 0 <= entered < Decimal(10) ** 10:
        raise BadEntry(
            f"per_t: {entered} per tonne cannot be. Nothing was changed.",
            where="per_t",
            remedy="Give an amount per tonne, zero or more, in the site's currency.",
        )
    return entered


def _reaching(site: Site) -> QuerySet[UnitValue]:
    return UnitValue.objects.filter(
        Q(site=site) | Q(site__isnull=True), organization=site.organization_id
    ).order_by("valid_from", "pk")


def _of_scope(value: UnitValue) -> QuerySet[UnitValue]:
    return UnitValue.objects.filter(
        organization=value.organization_id,
        material=value.material_id,
        site=value.site_id,
        kind=value.kind,
    ).exclude(pk=value.pk)


def _record(value: UnitValue, by: User, verb: str, reason: str = "") -> None:
    detail: dict[str, Any] = {
        "label": value.label,
        "material": value.material.code,
        "kind": value.kind,
        "per_t": value.per_t,
        "status": value.status,
        "valid_from": value.valid_from,
        "reason": reason,
    }
    record_event(value.organization, by=by, verb=verb, subject=value, detail=detail)
