"""The plan for the next visit of a pile: where to stand, what stays hidden, how many shots for which ±."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from compute.errors import Refused
from compute.units import VOLUME_IN_M3
from inventory.errors import BookRefused
from inventory.models import Pile
from surveys.drawings.visit import VisitMarks
from surveys.models import Measurement
from surveys.pages.access import measurements, member_page, pile_or_404, show
from surveys.pages.figures import Units, figure, number
from surveys.pages.forms import PlainForm
from surveys.pages.geometry import DrawnShots, arrays_of, plan_of, shots_of
from surveys.pages.pile import measured_now
from surveys.visit_planning import PlannedVisit, Wanted, kept_plan, planned_visit, wanted_by_default


class VisitForm(PlainForm):
    """In the units of the site; both have an answer when they are left empty."""

    wanted = forms.DecimalField(
        label="± wanted on the volume", required=False, min_value=Decimal("0.001"), max_digits=12
    )
    permitted = forms.DecimalField(
        label="Permitted height over the pad",
        required=False,
        min_value=Decimal("0.1"),
        max_value=Decimal(1500),
        max_digits=8,
        help_text="Empty: as high as it stands.",
    )

    def __init__(self, units: Units, shown: Measurement | None, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if shown is not None:
            last = figure(wanted_by_default(shown), None, "volume", units)
            self.fields["wanted"].help_text = f"Empty: as sure as the last survey, ± {last.value}."
        for name, kind in (("wanted", "volume"), ("permitted", "length")):
            field = self.fields[name]
            field.label = f"{field.label}, {units.symbol(kind)}"


@require_GET
@member_page
def visit_page(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """Hazards and the question at once; the plan where it was worked out before, else as soon as it is."""
    found, shown, context = _start(request, code, pile)
    if shown is not None and context["form"].is_valid():
        wanted = _wanted(context["form"], shown, context["units"])
        plan = planned_or_none(shown, wanted, now="now" in request.GET)
        if plan is not None:
            context |= _drawn(found, shown, plan, context["units"], wanted)
        else:
            asked = {key: value for key, value in request.GET.items() if key in ("wanted", "permitted")}
            context["query"] = urlencode(asked)
    return show(request, "pages/visit.html", context, 422 if context["form"].errors else 200)


@require_GET
@member_page
def visit_fragment(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """The plan alone, worked out now."""
    found, shown, context = _start(request, code, pile)
    if shown is None or not context["form"].is_valid():
        raise Http404
    wanted = _wanted(context["form"], shown, context["units"])
    try:
        plan = planned_visit(shown, wanted)
    except (Refused, BookRefused) as refusal:
        context["refusal"] = refusal
    else:
        context |= _drawn(found, shown, plan, context["units"], wanted)
    return render(request, "parts/visit_plan.html", context)


def planned_or_none(shown: Measurement, wanted: Wanted, *, now: bool) -> PlannedVisit | None:
    """What was kept; worked out in the page only where a browser without scripts asks for it."""
    try:
        return planned_visit(shown, wanted) if now else kept_plan(shown, wanted)
    except (Refused, BookRefused):
        return None


def _start(request: HttpRequest, code: str, pile: str) -> tuple[Pile, Measurement | None, dict[str, Any]]:
    found = pile_or_404(request, code, pile)
    shown = measured_now(request, found)
    if shown is not None:
        shown = measurements(request).get(pk=shown.pk)
        shown = shown if shown.geometry_path else None
    units = Units.of(found.site)
    form = VisitForm(units, shown, request.GET)
    return found, shown, {"pile": found, "site": found.site, "shown": shown, "units": units, "form": form}


def _wanted(form: VisitForm, shown: Measurement, units: Units) -> Wanted:
    given, permitted = form.cleaned_data["wanted"], form.cleaned_data["permitted"]
    volume = float(VOLUME_IN_M3[units.volume])
    expanded_m3 = float(wanted_by_default(shown)) if given is None else float(given) * volume
    height_m = None if permitted is None else float(permitted) / units.shown(1.0, "length")
    return Wanted(height_m, expanded_m3)


def _drawn(
    pile: Pile, shown: Measurement, planned: PlannedVisit, units: Units, wanted: Wanted
) -> dict[str, Any]:
    plan, shots = planned.plan, planned.shots
    arrays = arrays_of(shown)
    drawing = ""
    if arrays is not None:
        of_role = shots_of(arrays)
        bare = DrawnShots(of_role.xy_m[:0], ())
        drawing = plan_of(shown, arrays, bare, units, _marks(planned))
    return {
        "planned": plan,
        "shots": shots,
        "wanted_m3": wanted.expanded_m3,
        "reached_m3": shots.reached_expanded_m3,
        "drawing": drawing,
        "stations": [
            {
                "name": one.name,
                "cells": [number(units.shown(value, "length"), 1) for value in (one.y_m, one.x_m, one.z_m)],
                "sees": ", ".join(one.sees) or "no other",
                "later": ", ".join(one.sees_grown) or "no other",
                "longest": number(units.shown(one.longest_sight_m, "length"), 0),
                "share": number(100.0 * one.seen_m2 / float(shown.record["plan_area_m2"]), 0),
            }
            for one in plan.stations
        ],
        "hidden_percent": number(100.0 * plan.hidden_share, 1),
        "twice_percent": number(100.0 * plan.twice_share, 0),
    }


def _marks(planned: PlannedVisit) -> VisitMarks:
    plan = planned.plan
    sights = {tuple(sorted((one.name, other))) for one in plan.stations for other in one.sees}
    return VisitMarks(
        {one.name: (one.x_m, one.y_m) for one in plan.stations},
        tuple((a, b) for a, b in sorted(sights)),
        plan.hidden_at_m,
    )
