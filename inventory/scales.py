"""What weighs: weighbridges and belt scales of a site, how uncertain they are, until when certified."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.db import transaction

from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import BadEntry, NameTaken
from inventory.models import Scale, Site, User
from inventory.rights import require
from inventory.validity import required_code, required_text


@transaction.atomic
def add_scale(
    site: Site,
    *,
    code: str,
    name: str,
    kind: str,
    standard_uncertainty_percent: Decimal | int | str,
    by: User,
    certified_until: dt.date | None = None,
) -> Scale:
    """A scale of the site. `standard_uncertainty_percent`: relative, k = 1.

    Raises `NotAllowed`, `BadEntry`, `NameTaken`.
    """
    require(by, site.organization, "keep_scales")
    code = required_code(code)
    if Scale.objects.filter(site=site, code=code).exists():
        raise NameTaken(f"Site {site.code} has a scale {code} already. Nothing was changed.", where="code")
    if kind not in Scale.Kind.values:
        raise BadEntry(
            f"“{kind}” is no kind of scale. Nothing was changed.",
            where="kind",
            remedy=f"Choose one of: {', '.join(Scale.Kind.values)}.",
        )
    scale = Scale.objects.create(
        site=site,
        code=code,
        name=required_text(name, "name"),
        kind=kind,
        standard_uncertainty_percent=_percent(standard_uncertainty_percent),
        certified_until=certified_until,
    )
    record_event(site.organization, by=by, verb="add_scale", subject=scale, detail=_said(scale))
    return scale


@transaction.atomic
def change_scale(
    scale: Scale,
    *,
    by: User,
    name: str | None = None,
    standard_uncertainty_percent: Decimal | int | str | None = None,
    certified_until: dt.date | None = None,
) -> Scale:
    """After a calibration, say. What was weighed before stays as it was recorded.

    Raises `NotAllowed`, `BadEntry`.
    """
    require(by, scale.site.organization, "keep_scales")
    if name is not None:
        scale.name = required_text(name, "name")
    if standard_uncertainty_percent is not None:
        scale.standard_uncertainty_percent = _percent(standard_uncertainty_percent)
    if certified_until is not None:
        scale.certified_until = certified_until
    scale.save(update_fields=["name", "standard_uncertainty_percent", "certified_until"])
    record_event(scale.site.organization, by=by, verb="change_scale", subject=scale, detail=_said(scale))
    return scale


def _percent(value: Decimal | int | str) -> Decimal:
    percent = decimal_entered(value, "standard_uncertainty_percent", 2)
    if not 0 < percent <= 100:
        raise BadEntry(
            f"A standard uncertainty of {percent} % is not possible. Nothing was changed.",
            where="standard_uncertainty_percent",
            remedy="Give per cent above 0, up to 100.",
        )
    return percent


def _said(scale: Scale) -> dict[str, object]:
    return {
        "code": scale.code,
        "kind": scale.kind,
        "standard_uncertainty_percent": scale.standard_uncertainty_percent,
        "certified_until": scale.certified_until,
    }
