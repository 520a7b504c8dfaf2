"""Thresholds of month end, by date: the defaults, and what an organization or a site set instead.

None of the defaults is prescribed anywhere: where no source is named they are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal, InvalidOperation
from types import MappingProxyType
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from inventory.audit import record_event
from inventory.errors import AcrossOrganizations, BadEntry
from inventory.models import Organization, Policy, Site, User
from inventory.rights import require
from inventory.validity import required_text


@dataclass(frozen=True)
class Thresholds:
    """What rules a month's sheet.

    coverage_factor         : k of the noise gate; the counts' own ± are k = 2
    materiality             : amount of money below which a variance is noted, not posted, before year-end
    run_length              : increments of one sign that mean drift
    cusum_reference         : slack of the cumulative sum, in standard uncertainties of an increment
    cusum_limit             : its limit, in the same; 0.5 and 5 are the usual pair (tabular cusum of
                              statistical process control, from memory)
    level_months            : months that a level must stand
    level_percent           : how far off the book a level must be, in per cent of it
    level_spread            : how far its months may lie apart, as a share of the level
    roll_warning_percent    : share of the pile above which a roll to the cut-off is warned of
    roll_warning_days       : days above which it is
    count_after_days        : how long after the cut-off a count may still be rolled back to it
    unweighed_percent       : standard uncertainty, per cent, of movements that name no scale
    year_end_month          : month whose close sets every pile to measured
    natural_loss_percent    : material code → allowed natural loss, per cent of the opening a month
    """

    coverage_factor: Decimal = Decimal(2)
    materiality: Decimal = Decimal(1000)
    run_length: int = 4
    cusum_reference: Decimal = Decimal("0.5")
    cusum_limit: Decimal = Decimal(5)
    level_months: int = 4
    level_percent: Decimal = Decimal(2)
    level_spread: Decimal = Decimal("0.5")
    roll_warning_percent: Decimal = Decimal(5)
    roll_warning_days: int = 3
    count_after_days: int = 5
    unweighed_percent: Decimal = Decimal("0.5")
    year_end_month: int = 12
    natural_loss_percent: Mapping[str, Decimal] = field(default_factory=dict)

    def loss_percent_of(self, material_code: str) -> Decimal:
        return self.natural_loss_percent.get(material_code, Decimal(0))


DEFAULTS: Mapping[str, Any] = MappingProxyType(
    {each.name: getattr(Thresholds(), each.name) for each in fields(Thresholds)}
)
_RANGES: Mapping[str, tuple[int, int]] = MappingProxyType(
    {
        "coverage_factor": (1, 4),
        "materiality": (0, 10**12),
        "run_length": (3, 24),
        "cusum_reference": (0, 5),
        "cusum_limit": (1, 50),
        "level_months": (3, 24),
        "level_percent": (0, 100),
        "level_spread": (0, 10),
        "roll_warning_percent": (0, 100),
        "roll_warning_days": (0, 366),
        "count_after_days": (0, 31),
        "unweighed_percent": (0, 100),
        "year_end_month": (1, 12),
    }
)


@transaction.atomic
def set_policy(
    organization: Organization,
    thresholds: Mapping[str, Any],
    *,
    valid_from: dt.date,
    reason: str,
    by: User,
    site: Site | None = None,
) -> Policy:
    """Thresholds from a day on, for the organization or for one site; names as in `Thresholds`.

    A policy stands as a whole: what it leaves out is the default again, not what an earlier one said.
    Raises `NotAllowed`, `BadEntry`, `AcrossOrganizations`.
    """
    roles = require(by, organization, "set_policy")
    if site is not None and site.organization_id != organization.pk:
        raise AcrossOrganizations("The site belongs to another organization.", where="site")
    checked = {name: _checked(name, value) for name, value in thresholds.items()}
    policy = Policy.objects.create(
        organization=organization,
        site=site,
        valid_from=valid_from,
        thresholds=_written(checked),
        reason=required_text(reason, "reason"),
        set_by=by,
        set_at=timezone.now(),
    )
    detail = {"thresholds": policy.thresholds, "valid_from": valid_from, "reason": reason}
    record_event(organization, by=by, roles=roles, verb="set_policy", subject=policy, detail=detail)
    return policy


def thresholds_of(site: Site, on: dt.date) -> Thresholds:
    """What holds on the site on the day `on`: its own policy over its organization's over the defaults.

    One query.
    """
    reaches = Q(site=site) | Q(site__isnull=True)
    rows = Policy.objects.filter(reaches, organization=site.organization_id, valid_from__lte=on)
    newest: dict[bool, Policy] = {}
    for policy in rows.order_by("-valid_from", "-pk"):
        newest.setdefault(policy.site_id is None, policy)
    said: dict[str, Any] = {}
    for of_company in (True, False):
        if of_company in newest:
            said.update(newest[of_company].thresholds)
    return Thresholds(**{name: _checked(name, value) for name, value in said.items()})


def _checked(name: str, value: Any) -> Any:
    if name == "natural_loss_percent":
        return _losses(value)
    if name not in _RANGES:
        raise BadEntry(
            f"{name} is no threshold. Nothing was changed.",
            where=name,
            remedy=f"Choose from: {', '.join(DEFAULTS)}.",
        )
    number = _number(name, value)
    low, high = _RANGES[name]
    if not low <= number <= high or (isinstance(DEFAULTS[name], int) and number != int(number)):
        kind = "whole number" if isinstance(DEFAULTS[name], int) else "number"
        raise BadEntry(
            f"{name}: {value} is not possible. Nothing was changed.",
            where=name,
            remedy=f"Give a {kind} from {low} to {high}.",
        )
    return int(number) if isinstance(DEFAULTS[name], int) else number


def _losses(value: Any) -> Mapping[str, Decimal]:
    if not isinstance(value, Mapping):
        raise BadEntry(
            "natural_loss_percent is no table of materials. Nothing was changed.",
            where="natural_loss_percent",
            remedy="Give material codes with per cent a month.",
        )
    losses = {str(code): _number(f"natural_loss_percent of {code}", each) for code, each in value.items()}
    for code, percent in losses.items():
        if not 0 <= percent <= 100:
            raise BadEntry(
                f"A natural loss of {percent} % a month for {code} is not possible. Nothing was changed.",
                where="natural_loss_percent",
                remedy="Give per cent of the opening a month, from 0 to 100.",
            )
    return MappingProxyType(losses)


def _number(name: str, value: Any) -> Decimal:
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite():
        raise BadEntry(f"{name}: “{value}” is not a number. Nothing was changed.", where=name)
    return number


def _written(checked: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: {code: str(each) for code, each in value.items()} if isinstance(value, Mapping) else str(value)
        for name, value in checked.items()
    }
