"""Control of a site: known points that measurements are held against, by the day they hold from.

A mark's place is proposed by one person and approved by another; from then on it is never edited. A mark
that was moved goes on as a new version, so that earlier measurements keep the place it had then.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory import rights
from inventory.audit import record_event
from inventory.models import Site
from surveys.errors import ReasonNeeded, WrongDate, WrongState
from surveys.models import ControlEvent, ControlPoint

Approval, Standing, What = ControlPoint.Approval, ControlPoint.Standing, ControlEvent.What


@transaction.atomic
def propose_control_point(
    site: Site,
    name: str,
    *,
    northing_m: Decimal,
    easting_m: Decimal,
    elevation_m: Decimal,
    valid_from: dt.date,
    by: Any,
    source: str = "",
    plan_u_m: Decimal | str = "0.0050",
    height_u_m: Decimal | str = "0.0050",
) -> ControlPoint:
    """Propose the place of a mark from a day on, site frame, metres, with its standard uncertainties.

    It is in force when another person has approved it. Raises `NotAllowed`, and `WrongDate` where the mark
    is known from that day or a later one already.
    """
    rights.require(by, site.organization, "propose_control")
    # The site's row is the queue: two people recording one mark must see each other.
    Site.objects.select_for_update().get(pk=site.pk)
    known = ControlPoint.objects.filter(site=site, name=name).exclude(approval=Approval.WITHDRAWN)
    _require_newest(known.order_by("-valid_from").first(), name, valid_from)
    point = ControlPoint.objects.create(
        site=site,
        name=name,
        northing_m=northing_m,
        easting_m=easting_m,
        elevation_m=elevation_m,
        valid_from=valid_from,
        source=source.strip(),
        plan_u_m=Decimal(plan_u_m),
        height_u_m=Decimal(height_u_m),
        approval=Approval.PROPOSED,
        proposed_by=by,
    )
    _note(point, What.PROPOSED, valid_from, source.strip(), by)
    return point


@transaction.atomic
def approve_control_point(point: ControlPoint, by: Any, comment: str = "") -> ControlPoint:
    """Bring a proposal into force, by another person; the version before it ends on its first day."""
    rights.require(by, point.site.organization, "approve_control")
    Site.objects.select_for_update().get(pk=point.site_id)
    point.refresh_from_db()
    _require_proposed(point)
    if point.proposed_by is not None:
        rights.require_other_person(point.proposed_by, by, f"{point.name} from {point.valid_from} on")
    before = ControlPoint.objects.filter(site=point.site_id, name=point.name, approval=Approval.APPROVED)
    _require_newest(before.order_by("-valid_from").first(), point.name, point.valid_from)
    before.filter(valid_to__isnull=True).update(valid_to=point.valid_from)
    point.approval, point.approved_by = Approval.APPROVED, by
    point.save(update_fields=["approval", "approved_by"])
    _note(point, What.APPROVED, point.valid_from, comment.strip(), by)
    return point


@transaction.atomic
def withdraw_control_point(point: ControlPoint, by: Any, reason: str) -> ControlPoint:
    """Take a proposal back. What is in force cannot be withdrawn: it ends, or is doubted."""
    rights.require(by, point.site.organization, "propose_control")
    _require_reason(reason, f"withdraw {point.name}")
    point = ControlPoint.objects.select_for_update().get(pk=point.pk)
    _require_proposed(point)
    point.approval = Approval.WITHDRAWN
    point.save(update_fields=["approval"])
    _note(point, What.WITHDRAWN, point.valid_from, reason.strip(), by)
    return point


def mark_suspect(point: ControlPoint, by: Any, on: dt.date, reason: str) -> ControlPoint:
    """From `on` no traverse hangs on the mark; its checks go on, beside the others."""
    return _stand(point, Standing.SUSPECT, What.SUSPECT, by, on, reason)


def restore(point: ControlPoint, by: Any, on: dt.date, reason: str) -> ControlPoint:
    """The mark was checked and is where it was."""
    return _stand(point, Standing.IN_FORCE, What.RESTORED, by, on, reason)


def mark_destroyed(point: ControlPoint, by: Any, on: dt.date, reason: str) -> ControlPoint:
    """The mark is gone: this version ends on the day `on`."""
    return _stand(point, Standing.DESTROYED, What.DESTROYED, by, on, reason)


@transaction.atomic
def _stand(point: ControlPoint, standing: str, what: str, by: Any, on: dt.date, reason: str) -> ControlPoint:
    rights.require(by, point.site.organization, "propose_control")
    _require_reason(reason, f"say that {point.name} is {Standing(standing).label}")
    point = ControlPoint.objects.select_for_update().get(pk=point.pk)
    if point.approval != Approval.APPROVED or point.standing == Standing.DESTROYED:
        raise WrongState(
            f"{point.name} is {point.approval} and {point.get_standing_display()}. Nothing was changed.",
            where=point.name,
        )
    if on < point.valid_from or (standing == Standing.DESTROYED and on == point.valid_from):
        raise WrongDate(
            f"{point.name} is in force from {point.valid_from} on. Nothing was changed.", where="on"
        )
    point.standing, point.standing_since = standing, on
    if standing == Standing.DESTROYED and (point.valid_to is None or point.valid_to > on):
        point.valid_to = on
    point.save(update_fields=["standing", "standing_since", "valid_to"])
    _note(point, what, on, reason.strip(), by)
    return point


def _note(point: ControlPoint, what: str, on: dt.date, reason: str, by: Any) -> None:
    """The step on the mark's own record and in the organization's chain; the last of its transaction."""
    ControlEvent.objects.create(control_point=point, what=what, on=on, reason=reason, by=by)
    said = {"mark": point.name, "on": on, "reason": reason}
    record_event(point.site.organization, by=by, verb=f"control_{what}", subject=point, detail=said)


def _require_newest(newest: ControlPoint | None, name: str, valid_from: dt.date) -> None:
    if newest is not None and newest.valid_from >= valid_from:
        raise WrongDate(
            f"{name} is known from {newest.valid_from} on; a place from {valid_from} on would lie before it. "
            "Nothing was changed.",
            where="valid_from",
            remedy="Give a later day.",
        )


def _require_proposed(point: ControlPoint) -> None:
    if point.approval != Approval.PROPOSED:
        raise WrongState(
            f"{point.name} from {point.valid_from} on is {point.approval}. Nothing was changed.",
            where=point.name,
        )


def _require_reason(reason: str, to_do: str) -> None:
    if not reason.strip():
        raise ReasonNeeded(f"To {to_do}, a reason is needed. Nothing was changed.")
