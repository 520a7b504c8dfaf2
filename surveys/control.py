"""Control of a site: known points that measurements are held against, by the day they hold from."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory import rights
from inventory.models import Site
from surveys.errors import WrongDate
from surveys.models import ControlPoint


@transaction.atomic
def record_control_point(
    site: Site,
    name: str,
    *,
    northing_m: Decimal,
    easting_m: Decimal,
    elevation_m: Decimal,
    valid_from: dt.date,
    by: Any,
) -> ControlPoint:
    """A control point from a day on, site frame, metres. A mark that was moved ends on that day and goes on
    as a new row, so that earlier measurements keep the place it had then.

    Raises `NotAllowed`, and `WrongDate` where the point is known from that day or a later one already.
    """
    rights.require(by, site.organization, "propose_control")
    # The site's row is the queue: two people recording one mark must see each other.
    Site.objects.select_for_update().get(pk=site.pk)
    versions = ControlPoint.objects.filter(site=site, name=name)
    newest = versions.order_by("-valid_from").first()
    if newest is not None and newest.valid_from >= valid_from:
        raise WrongDate(
            f"{name} is known from {newest.valid_from} on; a place from {valid_from} on would lie before it. "
            "Nothing was changed.",
            where="valid_from",
            remedy="Give a later day.",
        )
    versions.filter(valid_to__isnull=True).update(valid_to=valid_from)
    return ControlPoint.objects.create(
        site=site,
        name=name,
        northing_m=northing_m,
        easting_m=easting_m,
        elevation_m=elevation_m,
        valid_from=valid_from,
    )
