"""The control of a site: each mark with its versions and its standing, and what every survey saw of it."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_GET, require_POST

from inventory.models import Site
from surveys import control, control_history
from surveys.drawings.checks import CheckDot, check_chart
from surveys.drawings.section import Ruler
from surveys.models import CheckMeasurement, ControlEvent, ControlPoint
from surveys.pages.access import acted, member_page, show, site_or_404
from surveys.pages.figures import Units, number
from surveys.pages.filling import FORM, filled, metres_per_unit
from surveys.pages.geometry import ruler_of
from surveys.pages.setup_forms import ControlForm
from surveys.pages.wording import natural

CONTROL_LEAD = (
    "Shots that coincide with control are kept out of every surface. A mark that was moved is recorded "
    "again from the day it moved. A place holds when another person has approved it."
)
MILLIMETRE = Ruler(0.001, "mm")
AXES = (("north", "north_m", "plan_u_m"), ("east", "east_m", "plan_u_m"), ("height", "up_m", "height_u_m"),
        ("distance", "distance_m", "plan_u_m"))  # fmt: skip
CHECKS_SHOWN = 24
STANDS = {"suspect": control.mark_suspect, "destroyed": control.mark_destroyed, "restore": control.restore}


@require_GET
@member_page
def control_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    units = Units.of(site)
    today = site.date_of(timezone.now())
    checks = control_history.checks_of(site)
    moving = {one.mark: one.as_finding() for one in control_history.moving_marks(checks)}
    seen: dict[str, list[CheckMeasurement]] = {}
    for row in checks:
        seen.setdefault(row.control_point.name, []).append(row)
    points, events = _points(request, site), _events(request, site)
    marks = [
        _mark(versions, seen.get(name, []), events.get(name, []), moving.get(name), units, today)
        for name, versions in sorted(points.items(), key=lambda pair: natural(pair[0]))
    ]
    context = {
        "site": site,
        "units": units,
        "today": today,
        "marks": marks,
        "moving": list(moving.values()),
        "can": {name: request.standing.can(f"{name}_control") for name in ("propose", "approve")},
    }
    return show(request, "pages/control.html", context)


def _points(request: HttpRequest, site: Site) -> dict[str, list[ControlPoint]]:
    """Mark → its versions, the newest first."""
    rows = ControlPoint.objects.for_user(request.user).filter(site=site)
    found: dict[str, list[ControlPoint]] = {}
    for point in rows.select_related("proposed_by", "approved_by").order_by("name", "-valid_from", "-pk"):
        found.setdefault(point.name, []).append(point)
    return found


def _events(request: HttpRequest, site: Site) -> dict[str, list[ControlEvent]]:
    rows = ControlEvent.objects.for_user(request.user).filter(control_point__site=site)
    found: dict[str, list[ControlEvent]] = {}
    for event in rows.select_related("by", "control_point").order_by("-at", "-pk"):
        found.setdefault(event.control_point.name, []).append(event)
    return found


def _mark(
    versions: list[ControlPoint],
    checks: list[CheckMeasurement],
    events: list[ControlEvent],
    finding: Any,
    units: Units,
    today: dt.date,
) -> dict[str, Any]:
    in_force = [one for one in versions if one.approval == "approved" and one.valid_from <= today]
    now = next((one for one in in_force if one.valid_to is None or one.valid_to > today), None)
    latest = checks[-CHECKS_SHOWN:]
    return {
        "name": versions[0].name,
        "now": now,
        # A mark that ended says how: gone, or never approved.
        "standing": now or next(iter(in_force), None),
        "versions": versions,
        "proposed": [one for one in versions if one.approval == "proposed"],
        "events": events,
        "finding": finding,
        "chart": _chart(versions[0].name, checks, units),
        "checks": [_check(row, units) for row in reversed(latest)],
        "checks_n": len(checks),
    }


def _offset_ruler(units: Units) -> Ruler:
    """Millimetres on a metric site; else the unit that the site's field books have."""
    return MILLIMETRE if units.length == "metre" else ruler_of(units)


def _chart(name: str, checks: list[CheckMeasurement], units: Units) -> SafeString:
    axes = []
    for words, axis, doubt in AXES:
        dots = [
            CheckDot(row.measured_on, float(getattr(row, axis)), 2.0 * float(getattr(row, doubt)))
            for row in checks
            if getattr(row, axis) is not None
        ]
        if dots:
            axes.append((words, dots))
    if not axes:
        return SafeString("")
    said = f"Checks of {name} over time: measured less known, with twice the standard uncertainty"
    return mark_safe(check_chart(axes, ruler=_offset_ruler(units), name=said))  # noqa: S308  built from numbers


def _check(row: CheckMeasurement, units: Units) -> dict[str, Any]:
    ruler = _offset_ruler(units)
    decimals = 1 if ruler is MILLIMETRE else 3

    def shown(value: Decimal | None, *, signed: bool = True) -> str:
        return "–" if value is None else number(float(value) / ruler.unit_m, decimals, signed=signed)

    return {
        "row": row,
        "cells": [shown(getattr(row, axis)) for _, axis, _ in AXES],
        "doubts": [shown(2 * row.plan_u_m, signed=False), shown(2 * row.height_u_m, signed=False)],
        "symbol": ruler.symbol,
    }


@FORM
@member_page
def new_control_point(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("propose_control")
    metres = metres_per_unit(site)

    def record(given: dict[str, Any]) -> Any:
        places_m = {
            f"{axis}_m": (given[axis] * metres).quantize(Decimal("0.0001"))
            for axis in ("northing", "easting", "elevation", "plan_u", "height_u")
            if given[axis] is not None
        }
        return control.propose_control_point(
            site,
            given["name"],
            valid_from=given["valid_from"],
            source=given["source"],
            by=request.user,
            **places_m,
        )

    back = reverse("control", args=[site.code])
    page = {
        "heading": "Propose a control point",
        "button": "Propose it",
        "site": site,
        "back": back,
        "lead": CONTROL_LEAD,
    }
    today = site.date_of(timezone.now())
    initial = {"valid_from": today, "name": request.GET.get("name", "")[:40]}
    form = ControlForm(request.POST or None, initial=initial)
    return filled(request, form, record, page, lambda _: back)


@require_POST
@member_page
def control_step(request: HttpRequest, code: str, control_id: int, step: str) -> HttpResponse:
    """Approve or withdraw a proposal; say that a mark is suspect, destroyed, or where it was."""
    site = site_or_404(request, code)
    point = get_object_or_404(ControlPoint.objects.for_user(request.user), site=site, pk=control_id)
    back = f"{reverse('control', args=[site.code])}#mark-{point.pk}"
    reason = request.POST.get("reason", "")
    if step == "approve":
        said = f"{point.name} is in force from {point.valid_from} on."
        return acted(request, lambda: control.approve_control_point(point, request.user, reason), said, back)
    if step == "withdraw":
        said = f"The proposal for {point.name} is withdrawn."
        return acted(request, lambda: control.withdraw_control_point(point, request.user, reason), said, back)
    if step not in STANDS:
        raise Http404
    on = _day_of(request.POST.get("on", "")) or site.date_of(timezone.now())
    said = f"{point.name}: {STOOD[step]} from {on} on."
    return acted(request, lambda: STANDS[step](point, request.user, on, reason), said, back)


STOOD = {"suspect": "suspect", "destroyed": "destroyed", "restore": "back in force"}


def _day_of(given: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(given)
    except ValueError:
        return None
