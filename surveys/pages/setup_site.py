"""Setting up a yard: its sites, their settings, their control."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from inventory import places
from surveys import control
from surveys.models import ControlPoint
from surveys.pages.access import acted, member_page, site_or_404
from surveys.pages.filling import FORM, filled, metres_per_unit
from surveys.pages.setup_forms import ControlForm, SiteForm

CONTROL_LEAD = (
    "Shots that coincide with control are kept out of every surface. A mark that was moved is recorded "
    "again from the day it moved. A place holds when another person has approved it."
)


@FORM
@member_page
def new_site(request: HttpRequest) -> HttpResponse:
    request.standing.require("keep_sites")
    page = {"heading": "Open a site", "button": "Open the site", "back": reverse("stock")}
    return filled(
        request,
        SiteForm(request.POST or None),
        lambda given: places.open_site(request.standing.organization, by=request.user, **given),
        page,
        lambda site: reverse("site", args=[site.code]),
    )


@FORM
@member_page
def site_settings(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_sites")
    names = [name for name in SiteForm.base_fields if name != "code"]
    form = SiteForm(request.POST or None, initial={name: getattr(site, name) for name in names})
    del form.fields["code"]
    page = {
        "heading": f"Settings of {site.name}",
        "button": "Save the settings",
        "site": site,
        "back": reverse("site", args=[site.code]),
        "lead": "Units change what is shown, never what is stored.",
    }
    return filled(
        request,
        form,
        lambda given: places.change_site(site, by=request.user, **given),
        page,
        lambda _: reverse("site", args=[site.code]),
    )


@FORM
@member_page
def new_control_point(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("propose_control")
    metres = metres_per_unit(site)

    def record(given: dict[str, Any]) -> Any:
        places_m = {
            f"{axis}_m": (given[axis] * metres).quantize(Decimal("0.0001"))
            for axis in ("northing", "easting", "elevation")
        }
        return control.propose_control_point(
            site, given["name"], valid_from=given["valid_from"], by=request.user, **places_m
        )

    page = {
        "heading": "Propose a control point",
        "button": "Propose it",
        "site": site,
        "back": reverse("site", args=[site.code]),
        "lead": CONTROL_LEAD,
    }
    form = ControlForm(request.POST or None, initial={"valid_from": site.date_of(timezone.now())})
    return filled(request, form, record, page, lambda _: reverse("site", args=[site.code]))


@require_POST
@member_page
def control_step(request: HttpRequest, code: str, control_id: int, step: str) -> HttpResponse:
    site = site_or_404(request, code)
    point = get_object_or_404(ControlPoint.objects.for_user(request.user), site=site, pk=control_id)
    back = f"{reverse('site', args=[site.code])}#control-head"
    if step == "approve":
        said = f"{point.name} is in force from {point.valid_from} on."
        return acted(request, lambda: control.approve_control_point(point, request.user), said, back)
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        said = f"The proposal for {point.name} is withdrawn."
        return acted(request, lambda: control.withdraw_control_point(point, request.user, reason), said, back)
    raise Http404
