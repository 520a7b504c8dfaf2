"""Piles: outline, hazards, end, and the bases they are measured against."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory import basing, piles
from inventory.models import BaseVersion, Pile
from surveys import grounds
from surveys.pages.access import acted, member_page, pile_or_404, site_or_404
from surveys.pages.filling import FORM, filled, metres_per_unit
from surveys.pages.geometry import arrays_of
from surveys.pages.setup_forms import BaseForm, CloseForm, HazardsForm, OutlineForm, PileForm

HAZARDS_LEAD = (
    "What somebody must know before going near the pile. It does not replace the site's own rules or a "
    "competent person's inspection."
)
BASE_LEAD = (
    "It starts a new version from its day on and changes no approved volume. Another person approves it."
)


@FORM
@member_page
def new_pile(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_piles")
    form = PileForm(
        site,
        float(metres_per_unit(site)),
        request.POST or None,
        initial={"opened_on": site.date_of(timezone.now())},
    )
    page = {
        "heading": f"Open a pile at {site.name}",
        "button": "Open the pile",
        "site": site,
        "back": reverse("site", args=[site.code]),
    }
    return filled(
        request,
        form,
        lambda given: piles.open_pile(site=site, by=request.user, **given),
        page,
        lambda pile: reverse("pile", args=[site.code, pile.code]),
    )


def _pile_page(pile: Pile) -> str:
    return reverse("pile", args=[pile.site.code, pile.code])


@FORM
@member_page
def pile_outline(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("keep_piles")
    metres = float(metres_per_unit(found.site))
    drawn = "\n".join(f"{e / metres:.3f}, {n / metres:.3f}" for e, n in found.outline)
    form = OutlineForm(found.site, found, metres, request.POST or None, initial={"outline": drawn})

    def redraw(given: dict[str, Any]) -> Any:
        measured = given.get("toe_ring_of")
        arrays = arrays_of(measured) if measured is not None else None
        ring = given["outline"] if arrays is None else (arrays["edge"] + arrays["origin"]).round(3).tolist()
        return piles.redraw_outline(found, ring, by=request.user)

    page = {
        "heading": f"Outline of {found.code}",
        "button": "Redraw the outline",
        "site": found.site,
        "back": _pile_page(found),
    }
    return filled(request, form, redraw, page, lambda _: _pile_page(found))


@FORM
@member_page
def pile_hazards(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("record_hazards")
    form = HazardsForm(request.POST or None, initial={"hazards": found.hazards})
    page = {
        "heading": f"Hazards of {found.code}",
        "button": "Record the hazards",
        "site": found.site,
        "back": _pile_page(found),
        "lead": HAZARDS_LEAD,
    }
    return filled(
        request,
        form,
        lambda given: piles.record_hazards(found, given["hazards"], by=request.user),
        page,
        lambda _: _pile_page(found),
    )


@FORM
@member_page
def close_pile(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("keep_piles")
    form = CloseForm(request.POST or None, initial={"closed_on": found.site.date_of(timezone.now())})
    page = {
        "heading": f"Close {found.code}",
        "button": "Close the pile",
        "site": found.site,
        "back": _pile_page(found),
        "lead": "Its history stays. Its code is never given again.",
    }
    return filled(
        request,
        form,
        lambda given: piles.close_pile(found, given["closed_on"], by=request.user),
        page,
        lambda _: _pile_page(found),
    )


@FORM
@member_page
def propose_base(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("propose_base")
    first_day = found.site.date_of(timezone.now()) if found.bases.exists() else found.opened_on
    initial = {"valid_from": first_day, "kind": "toe", "unit": found.site.length_unit}
    form = BaseForm(request.POST or None, request.FILES or None, initial=initial)
    page = {
        "heading": f"Propose a base of {found.code}",
        "button": "Propose it",
        "site": found.site,
        "back": _pile_page(found),
        "files": True,
        "lead": BASE_LEAD,
    }
    return filled(
        request,
        form,
        lambda given: _propose_base(request, found, given),
        page,
        lambda _: f"{_pile_page(found)}#bases",
    )


def _propose_base(request: HttpRequest, pile: Pile, given: dict[str, Any]) -> BaseVersion:
    common = {name: given[name] for name in ("valid_from", "valid_to", "height_uncertainty_m", "reason")}
    if given["kind"] == BaseVersion.Kind.SURFACE:
        file = given["file"]
        return grounds.propose_surveyed_base(
            pile, file.name, file, request.user, unit=given["unit"], **common
        )
    level_m = None
    if given["kind"] == BaseVersion.Kind.LEVEL:
        level_m = (given["level"] * metres_per_unit(pile.site)).quantize(Decimal("0.0001"))
    return basing.propose_base(pile=pile, kind=given["kind"], level_m=level_m, by=request.user, **common)


@require_POST
@member_page
def base_step(request: HttpRequest, code: str, pile: str, version: int, step: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    base = get_object_or_404(BaseVersion.objects.for_user(request.user), pile=found, version=version)
    back = f"{_pile_page(found)}#bases"
    if step == "approve":
        return acted(
            request, lambda: basing.approve_base(base, request.user), f"Base v{version} is approved.", back
        )
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        return acted(
            request,
            lambda: basing.withdraw_base(base, request.user, reason),
            f"Base v{version} is withdrawn.",
            back,
        )
    raise Http404
