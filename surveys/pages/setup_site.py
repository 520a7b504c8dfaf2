"""Setting up a yard: its sites, their settings, their control."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone

from inventory import places
from surveys import control
from surveys.pages.access import member_page, site_or_404
from surveys.pages.filling import FORM, filled, metres_per_unit
from surveys.pages.setup_forms import ControlForm, SiteForm

CONTROL_LEAD = (
    "Shots that coincide with control are kept out of every surface. A mark that was moved is recorded "
    "again from the day it moved."
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
        return control.record_control_point(
            site, given["name"], valid_from=given["valid_from"], by=request.user, **places_m
        )

    page = {
        "heading": "Record a control point",
        "button": "Record it",
        "site": site,
        "back": reverse("site", args=[site.code]),
        "lead": CONTROL_LEAD,
    }
    form = ControlForm(request.POST or None, initial={"valid_from": site.date_of(timezone.now())})
    return filled(request, form, record, page, lambda _: reverse("site", args=[site.code]))
