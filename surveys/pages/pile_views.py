"""Parts of the pile page that are worked out when somebody asks: a section, the solid, the change."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET

from compute.change import change_between, dated_from
from compute.errors import Refused
from compute.records import UncertaintyModel
from surveys.models import Measurement, State
from surveys.pages.access import measurement_or_404, member_page, pile_or_404
from surveys.pages.figures import Units
from surveys.pages.geometry import arrays_of, change_drawing, exact_of, section_of, solid_of, thinned_words
from surveys.pages.pile import previous_of
from surveys.pages.wording import day

ENDS = ("e1", "n1", "e2", "n2")


@require_GET
@member_page
def section_fragment(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """The cut between two places given in the site's unit, as easting and northing."""
    m = measurement_or_404(request, measurement_id)
    units = Units.of(m.survey.site)
    arrays = arrays_of(m)
    if arrays is None:
        return _said(
            request, "The drawing of this measurement is not in the store, so no section can be cut."
        )
    ends, fault = _ends(request, units)
    if ends is None:
        return _said(request, fault)
    before = _before(request, m)
    try:
        drawn = section_of(
            arrays, ends, units, arrays_of(before) if before else None, f"Section of {m.pile.code}"
        )
    except Refused as refusal:
        return _said(request, f"{refusal.message} {refusal.remedy}".strip())
    except ValueError:
        return _said(request, "The line does not meet the pile. Draw it across the outer edge.")
    context = {
        "section": drawn,
        "before": before,
        "length_m": float(np.hypot(*(ends[1] - ends[0]))),
        "thinned": thinned_words(units, arrays),
        "units": units,
    }
    return render(request, "parts/section.html", context)


def _before(request: HttpRequest, m: Measurement) -> Measurement | None:
    """The approved survey of the same pile that was chosen, else the one before."""
    asked = request.GET.get("before", "")
    if not asked.isdigit():
        return previous_of(request, m)
    approved = Measurement.objects.for_user(request.user).filter(pile=m.pile_id, state=State.APPROVED)
    return approved.filter(pk=asked).defer("record", "request").first()


def _ends(request: HttpRequest, units: Units) -> tuple[Any, str]:
    """(2, 2) metres, or None with what is wrong."""
    values = []
    for name in ENDS:
        try:
            value = float(request.GET.get(name, "").replace(",", ""))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            return None, "Give both ends as easting and northing, in numbers."
        values.append(value / units.shown(1.0, "length"))
    ends = np.array(values).reshape(2, 2)
    if not np.hypot(*(ends[1] - ends[0])) > 0:
        return None, "The two ends are the same place. Move one of them."
    return ends, ""


def _said(request: HttpRequest, words: str) -> HttpResponse:
    """A refusal in place of the drawing. Status 200: htmx puts only such an answer into the page."""
    return render(request, "parts/section.html", {"refusal": words})


@require_GET
@member_page
def change_fragment(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """What happened to the pile between two approved surveys, by default the last two."""
    found = pile_or_404(request, code, pile)
    units = Units.of(found.site)
    first, second = _two_surveys(request, found)
    if first is None or second is None:
        return _change_said(request, "Two approved surveys are needed to tell what was added and removed.")
    arrays = arrays_of(first), arrays_of(second)
    if arrays[0] is None or arrays[1] is None:
        return _change_said(request, "The drawing of one of the two surveys is not in the store.")
    exact = [exact_of(m, drawn) for m, drawn in zip((first, second), arrays, strict=True)]
    if exact[0] is None or exact[1] is None:
        return _change_said(request, "The surface of one of the two surveys is not in the store.")
    sides = [
        dated_from(kept, UncertaintyModel(**m.request["model"]), m.record["uncertainty"]["terms"])
        for kept, m in zip(exact, (first, second), strict=True)
    ]
    try:
        change = change_between(*sides)
    except Refused as refusal:
        return _change_said(request, f"{refusal.message} {refusal.remedy}".strip())
    name = f"Change of {found.code} from {day(first.surveyed_on)} to {day(second.surveyed_on)}"
    drawn = change_drawing(arrays[0], arrays[1], change.band_m, units, name)
    shown = {
        **{name: getattr(change, name) for name in change.__dataclass_fields__},
        "removed_minus_m3": -change.removed_m3,
        "band_removed_minus_m3": -change.band_removed_m3,
        "base_changed": first.base_version_id != second.base_version_id,
    }
    context = {
        "change": shown,
        "u95": change.uncertainty and change.uncertainty.U_net_m3,
        "first": first,
        "second": second,
        "units": units,
        "thinned": thinned_words(units, *arrays),
        "map": drawn,
    }
    return render(request, "parts/change.html", context)


def _two_surveys(request: HttpRequest, pile: Any) -> tuple[Measurement | None, Measurement | None]:
    """The two asked for, in the order of their dates; without a question the last two."""
    approved = Measurement.objects.for_user(request.user).filter(pile=pile, state=State.APPROVED)
    asked = [request.GET.get(name, "") for name in ("first", "second")]
    if all(value.isdigit() for value in asked):
        found = list(approved.filter(pk__in=asked).order_by("surveyed_on"))
    else:
        found = list(reversed(approved.order_by("-surveyed_on")[:2]))
    return (found[0], found[1]) if len(found) == 2 else (None, None)


def _change_said(request: HttpRequest, words: str) -> HttpResponse:
    return render(request, "parts/change.html", {"refusal": words})


@gzip_page
@require_GET
@member_page
def surfaces_json(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """Top and base for the turnable view, in the site's unit. A measurement's geometry never changes."""
    m = measurement_or_404(request, measurement_id)
    arrays = arrays_of(m)
    if arrays is None:
        raise Http404
    response = JsonResponse(solid_of(arrays, Units.of(m.survey.site)))
    return cache_control(private=True, max_age=3600, immutable=True)(lambda _request: response)(request)
