"""Setting up a yard: its sites and their settings."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from inventory import places
from surveys.pages.access import member_page, site_or_404
from surveys.pages.filling import FORM, filled
from surveys.pages.setup_forms import SiteForm


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
