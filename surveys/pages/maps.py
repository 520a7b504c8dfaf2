"""Maps of a pile that are drawn when somebody asks: its thickness, and one base against another."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_GET

from compute.change import base_change, dated_from
from compute.errors import Refused
from compute.records import UncertaintyModel
from compute.uncertainty import K
from inventory.models import Pile
from surveys.drawings.changemap import change_map
from surveys.drawings.thickness import thickness_map
from surveys.models import Measurement, State
from surveys.pages.access import measurement_or_404, member_page, pile_or_404
from surveys.pages.figures import Units
from surveys.pages.geometry import arrays_of, base_sheet, exact_of, ruler_of, thickness_sheet, thinned_words

COMPARED = (State.COMPUTED, State.REVIEWED, State.APPROVED, State.SUPERSEDED)


@require_GET
@member_page
def thickness_fragment(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """How high the top stands over the base, with the exact volumes of the record beside it."""
    m = measurement_or_404(request, measurement_id)
    arrays = arrays_of(m)
    if arrays is None or m.record is None:
        return render(request, "parts/thickness.html", {"refusal": "Its drawing is not in the store."})
    units = Units.of(m.survey.site)
    drawn = thickness_map(
        thickness_sheet(arrays), ruler=ruler_of(units), name=f"Thickness of {m.pile.code}, top over base"
    )
    context = {"m": m, "units": units, "thinned": thinned_words(units, arrays), "map": mark_safe(drawn)}  # noqa: S308  escaped by the drawing
    return render(request, "parts/thickness.html", context)


@require_GET
@member_page
def base_change_fragment(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """What another base alone changed: by default the last two that surveys were measured against."""
    found = pile_or_404(request, code, pile)
    first, second = two_bases(request, found)
    if first is None or second is None:
        return _said(request, "Two bases that surveys were measured against are needed for this.")
    arrays = arrays_of(first), arrays_of(second)
    if arrays[0] is None or arrays[1] is None:
        return _said(request, "The drawing of one of the two surveys is not in the store.")
    exact = [exact_of(m, drawn) for m, drawn in zip((first, second), arrays, strict=True)]
    if exact[0] is None or exact[1] is None:
        return _said(request, "The surface of one of the two surveys is not in the store.")
    sides = [
        dated_from(kept, UncertaintyModel(**m.request["model"]))
        for kept, m in zip(exact, (first, second), strict=True)
    ]
    heights = [float(m.base_version.height_uncertainty_m) for m in (first, second)]
    band_m = K * (heights[0] ** 2 + heights[1] ** 2) ** 0.5
    try:
        change = base_change(*sides, band_m)
    except Refused as refusal:
        return _said(request, f"{refusal.message} {refusal.remedy}".strip())
    units = Units.of(found.site)
    drawn = change_map(
        base_sheet(arrays[0], arrays[1], band_m),
        ruler=ruler_of(units),
        name=f"Base v{second.base_version.version} over v{first.base_version.version} of {found.code}",
    )
    context = {
        "first": first,
        "second": second,
        "change": change,
        "below_minus_m3": -change.below_m3,
        "u95": band_m * change.plan_area_m2,
        "band_m": band_m,
        "units": units,
        "thinned": thinned_words(units, *arrays),
        "map": mark_safe(drawn),  # noqa: S308  escaped by the drawing
    }
    return render(request, "parts/base_change.html", context)


def two_bases(request: HttpRequest, pile: Pile) -> tuple[Measurement | None, Measurement | None]:
    """The last survey measured against each of two bases, the older base first."""
    measured = (
        Measurement.objects.for_user(request.user)
        .filter(pile=pile, state__in=COMPARED, base_version__isnull=False)
        .exclude(geometry_path="")
        .select_related("base_version")
        .defer("record")
        .order_by("base_version__version", "-surveyed_on", "-version")
    )
    by_version: dict[int, Measurement] = {}
    for m in measured:
        by_version.setdefault(m.base_version.version, m)
    asked: list[Any] = [request.GET.get(name, "") for name in ("from", "to")]
    if all(each.isdigit() for each in asked):
        chosen = sorted({int(each) for each in asked} & by_version.keys())
    else:
        chosen = sorted(by_version)[-2:]
    return (by_version[chosen[0]], by_version[chosen[1]]) if len(chosen) == 2 else (None, None)


def _said(request: HttpRequest, words: str) -> HttpResponse:
    return render(request, "parts/base_change.html", {"refusal": words})
