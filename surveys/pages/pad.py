"""The bare pad of a pile, drawn when somebody looks, and the base proposed from a region of it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import shapely
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_GET, require_POST

from compute.errors import Refused
from inventory.errors import BadEntry
from surveys import pad_monitoring
from surveys.drawings.padmap import PadSheet, pad_map
from surveys.pages.access import acted, member_page, pile_or_404
from surveys.pages.figures import Units
from surveys.pages.geometry import ruler_of
from surveys.pages.wording import day

NEWEST_DRAWN = 6
"""Places of so many newest looks are drawn; the table has them all."""


@require_GET
@member_page
def pad_fragment(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    units = Units.of(found.site)
    monitor = pad_monitoring.monitor_of(found, found.site.date_of(timezone.now()))
    if monitor is None or not monitor.seen:
        return render(request, "parts/pad.html", {"monitor": None})
    context = {
        "monitor": monitor,
        "units": units,
        "pile": found,
        "site": found.site,
        "step": monitor.step,
        "at_stake_m3": None if monitor.step is None else _at_stake(monitor),
        "regions": [_region_row(monitor, region) for region in monitor.regions],
        "map": mark_safe(_drawn(monitor, units, found.code)),  # noqa: S308  escaped by the drawing
        "can_propose": request.standing.can("propose_base"),
    }
    return render(request, "parts/pad.html", context)


def _at_stake(monitor: pad_monitoring.Monitor) -> float:
    """What a step of the whole pad would mean under the pile, m³: the mean difference times its area."""
    assert monitor.step is not None
    return monitor.step.mean_m * float(shapely.polygons(monitor.edge_m).area)


def _region_row(monitor: pad_monitoring.Monitor, region: Any) -> dict[str, Any]:
    try:
        return {"region": region, "proposal": pad_monitoring.proposal_of(monitor, region)}
    except Refused as refusal:
        return {"region": region, "refusal": f"{refusal.message} {refusal.remedy}".strip()}


def _drawn(monitor: pad_monitoring.Monitor, units: Units, code: str) -> str:
    looks = [look.seen for look in monitor.seen[-NEWEST_DRAWN:] if look.seen is not None]
    to_shown = units.shown(1.0, "length")
    said = [
        f"{day(look.on)}: {over * to_shown:+.2f} {units.symbol('length')}"
        for look in looks
        for over in look.difference_m
    ]
    shift = monitor.origin_m
    sheet = PadSheet(
        places_m=np.vstack([look.xyz_m[:, :2] for look in looks]) + shift,
        difference_m=np.concatenate([look.difference_m for look in looks]),
        said=said,
        regions=[shapely.transform(r.polygon, lambda xy: xy + shift) for r in monitor.regions],
        edge_m=monitor.edge_m + shift,
        band_m=monitor.band_m,
    )
    return pad_map(sheet, ruler=ruler_of(units), name=f"Bare pad of {code} against its base")


@require_POST
@member_page
def propose_region_base(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    today = found.site.date_of(timezone.now())

    def propose() -> Any:
        return pad_monitoring.propose_region(
            found,
            request.user,
            on=today,
            sha256=request.POST.get("sha256", ""),
            valid_from=_first_day(request.POST.get("valid_from", "")),
            reason=request.POST.get("reason", ""),
        )

    back = f"{reverse('pile', args=[code, pile])}#bases"
    return acted(request, propose, "The base is proposed; another person approves it.", back)


def _first_day(given: str) -> dt.date:
    try:
        return dt.date.fromisoformat(given)
    except ValueError as fault:
        raise BadEntry(
            f"“{given}” is no day. Nothing was changed.",
            where="valid_from",
            remedy="Give the first day on which the ground was as it is now.",
        ) from fault
