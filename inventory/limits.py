"""Limits by effective date: proposed by one person, approved by another, as a document states them.

The book keeps what a document says and tests no law. A limit of one document for one quantity of one pile
or site gives way to the next one of the same document; several documents may limit the same thing at once.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from fractions import Fraction
from math import atan, degrees, isfinite
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from inventory import validity
from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import AcrossOrganizations, BadEntry
from inventory.models import Limit, Pile, Site, Status, User
from inventory.rights import require, require_other_person
from inventory.units import LENGTH_IN_M, MASS_IN_T, VOLUME_IN_M3

Quantity = Limit.Quantity

_FOOT = LENGTH_IN_M["foot"]
AREA_IN_M2: dict[str, Fraction] = {
    "square-metre": Fraction(1),
    "hectare": Fraction(10_000),
    "square-foot": _FOOT**2,
    # 43 560 square feet (NIST Handbook 44, Appendix C).
    "acre": 43_560 * _FOOT**2,
}
AGE_IN_DAYS: dict[str, Fraction] = {
    "day": Fraction(1),
    # A twelfth of a mean year: an age is shown in days, and a limit of months is not a calendar's.
    "month": Fraction(36525, 1200),
    "year": Fraction(36525, 100),
}
SLOPE_UNITS = ("degree", "percent", "horizontal-to-one")
UNITS: dict[str, tuple[str, ...]] = {
    Quantity.HEIGHT: tuple(LENGTH_IN_M),
    Quantity.ABOVE_NATURAL: tuple(LENGTH_IN_M),
    Quantity.SETBACK: tuple(LENGTH_IN_M),
    Quantity.SLOPE: SLOPE_UNITS,
    Quantity.AREA: tuple(AREA_IN_M2),
    Quantity.VOLUME: tuple(VOLUME_IN_M3),
    Quantity.TONNES: tuple(MASS_IN_T),
    Quantity.AGE: tuple(AGE_IN_DAYS),
}
_TABLES = {**LENGTH_IN_M, **AREA_IN_M2, **VOLUME_IN_M3, **MASS_IN_T, **AGE_IN_DAYS}


@transaction.atomic
def propose_limit(
    *,
    site: Site,
    quantity: str,
    operator: str,
    given: Decimal | int | str,
    unit: str,
    source: str,
    consequence: str,
    reason: str,
    valid_from: dt.date,
    by: User,
    valid_to: dt.date | None = None,
    pile: Pile | None = None,
    reference_surface: str = "",
    reference_level_m: Decimal | int | str | None = None,
    boundary: list[list[float]] | None = None,
    page: str = "",
) -> Limit:
    """A limit that waits for another person's approval; of the pile, else of the whole site.

    given : as the document has it, in `unit`; a slope also as `percent` or `horizontal-to-one` (3 for 3:1)
    Raises `NotAllowed`, `BadEntry`, `AcrossOrganizations`, `ValidityOverlap`.
    """
    require(by, site.organization, "propose_limit")
    if pile is not None and pile.site_id != site.pk:
        raise AcrossOrganizations("The pile stands on another site.", where="pile")
    validity.check_dates(valid_from, valid_to)
    quantity = _known(quantity, Limit.Quantity.values, "quantity")
    limit = Limit(
        site=site,
        pile=pile,
        quantity=quantity,
        operator=_known(operator, Limit.Operator.values, "operator"),
        value=value_of(quantity, given, unit),
        given=str(given).strip(),
        unit=unit,
        reference_surface=reference_surface.strip(),
        reference_level_m=None
        if reference_level_m is None
        else decimal_entered(reference_level_m, "reference_level_m", 4),
        boundary=_line(boundary or []),
        source=validity.required_text(source, "source"),
        page=page.strip(),
        consequence=validity.required_text(consequence, "consequence"),
        reason=validity.required_text(reason, "reason"),
        valid_from=valid_from,
        valid_to=valid_to,
        proposed_by=by,
    )
    limit.supersedes = validity.predecessor(_of_scope(limit), valid_from, valid_to)
    limit.save()
    _record(limit, by, "propose_limit", limit.reason)
    return limit


@transaction.atomic
def approve_limit(limit: Limit, by: User) -> Limit:
    """Bring a limit into force, by another person than who proposed it.

    Raises `NotAllowed`, `SamePerson`, `NotProposed`, `ValidityOverlap`.
    """
    # Two approvals of one site stand in line, so that neither misses what the other closes.
    Site.objects.select_for_update().get(pk=limit.site_id)
    limit = Limit.objects.select_related("site__organization", "pile", "proposed_by").get(pk=limit.pk)
    require(by, limit.site.organization, "approve_limit")
    validity.check_proposed(limit, limit.label)
    require_other_person(limit.proposed_by, by, limit.label)
    validity.make_room(limit, validity.predecessor(_of_scope(limit), limit.valid_from, limit.valid_to))
    validity.mark_approved(limit, by)
    _record(limit, by, "approve_limit")
    return limit


@transaction.atomic
def withdraw_limit(limit: Limit, by: User, reason: str) -> Limit:
    """Take a proposal back, by who proposed it or by somebody who may approve it."""
    limit = (
        Limit.objects.select_for_update(of=("self",)).select_related("site__organization").get(pk=limit.pk)
    )
    action = "propose_limit" if by.pk == limit.proposed_by_id else "approve_limit"
    require(by, limit.site.organization, action)
    validity.check_proposed(limit, limit.label)
    validity.withdraw(limit, by, reason)
    _record(limit, by, "withdraw_limit", reason)
    return limit


def limits_in_force(limits: QuerySet[Limit], on: dt.date) -> QuerySet[Limit]:
    """Those of `limits` that are approved and whose validity covers `on`."""
    return limits.filter(validity.on_day(on), status=Status.APPROVED).select_related("site", "pile")


def value_of(quantity: str, given: Decimal | int | str, unit: str) -> Decimal:
    """`given` in metres, m², m³, tonnes, days or degrees, to six places. Raises `BadEntry`."""
    if unit not in UNITS[quantity]:
        raise BadEntry(
            f"unit: “{unit}” is no unit of {Limit.Quantity(quantity).label}. Nothing was changed.",
            where="unit",
            remedy=f"Choose one of: {', '.join(UNITS[quantity])}.",
        )
    entered = decimal_entered(given, "given", 6)
    if entered <= 0:
        raise BadEntry(
            f"given: {entered} limits nothing. Nothing was changed.",
            where="given",
            remedy="Give a number above zero, in the unit of the document.",
        )
    if quantity == Quantity.SLOPE:
        value = Decimal(str(round(_degrees(float(entered), unit), 6)))
    else:
        exact = Fraction(entered) * _TABLES[unit]
        value = (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(Decimal("0.000001"))
    if not 0 < value < Decimal(10) ** 12 or (quantity == Quantity.SLOPE and value >= 90):
        raise BadEntry(
            f"given: {given} {unit} cannot be. Nothing was changed.",
            where="given",
            remedy="Read the document again: number and unit.",
        )
    return value


def _degrees(entered: float, unit: str) -> float:
    """Angle from level. 3 horizontal to one vertical is atan(1/3) = 18.43°."""
    if unit == "degree":
        return entered
    return degrees(atan(entered / 100.0 if unit == "percent" else 1.0 / entered))


def _line(boundary: list[Any]) -> list[list[float]]:
    if not boundary:
        return []
    try:
        line = [[float(east), float(north)] for east, north in boundary]
    except (TypeError, ValueError):
        line = []
    if len(line) < 2 or not all(isfinite(place) for point in line for place in point):
        raise BadEntry(
            "boundary: not a line of two or more points. Nothing was changed.",
            where="boundary",
            remedy="Give points as easting, northing in metres of the site frame.",
        )
    return line


def _known(value: str, values: list[str], name: str) -> str:
    if value not in values:
        raise BadEntry(
            f"{name}: “{value}” is unknown. Nothing was changed.",
            where=name,
            remedy=f"Choose one of: {', '.join(values)}.",
        )
    return value


def _of_scope(limit: Limit) -> QuerySet[Limit]:
    same = Q(site=limit.site_id, pile=limit.pile_id, quantity=limit.quantity, operator=limit.operator)
    return Limit.objects.filter(same, source=limit.source).exclude(pk=limit.pk)


def _record(limit: Limit, by: User, verb: str, reason: str = "") -> None:
    detail: dict[str, Any] = {
        "label": limit.label,
        "place": limit.place,
        "quantity": limit.quantity,
        "operator": limit.operator,
        "value": limit.value,
        "status": limit.status,
        "valid_from": limit.valid_from,
        "reason": reason,
    }
    record_event(limit.site.organization, by=by, verb=verb, subject=limit, detail=detail)
