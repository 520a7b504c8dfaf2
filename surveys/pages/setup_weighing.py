"""Scales of a site, and owners of what lies in the yard."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_GET

from inventory import owners, scales
from inventory.models import Pile, Scale, StockOwner
from surveys.pages.access import member_page, pile_or_404, show, site_or_404
from surveys.pages.filling import FORM, filled
from surveys.pages.movement_forms import OwnerForm, PileOwnerForm, ScaleForm


@require_GET
@member_page
def weighing_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    can = request.standing.can
    context = {
        "site": site,
        "scales": Scale.objects.for_user(request.user).filter(site=site).order_by("code"),
        "owners": StockOwner.objects.for_user(request.user).filter(organization=site.organization),
        "held": Pile.objects.for_user(request.user)
        .filter(site=site, owner__isnull=False)
        .select_related("owner", "material", "site"),
        "can_keep_scales": can("keep_scales"),
        "can_keep_owners": can("keep_materials"),
    }
    return show(request, "pages/weighing.html", context)


@FORM
@member_page
def new_scale(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_scales")
    place = reverse("weighing", args=[site.code])
    page = {"heading": f"Add a scale at {site.name}", "button": "Add the scale", "site": site, "back": place}
    return filled(
        request,
        ScaleForm(request.POST or None),
        lambda given: scales.add_scale(site, by=request.user, **given),
        page,
        lambda made: place,
    )


@FORM
@member_page
def change_scale(request: HttpRequest, code: str, scale: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_scales")
    kept = get_object_or_404(
        Scale.objects.for_user(request.user).select_related("site"), site=site, code=scale
    )
    names = ("name", "standard_uncertainty_percent", "certified_until")
    form = ScaleForm(request.POST or None, initial={name: getattr(kept, name) for name in names})
    for name in ("code", "kind"):
        del form.fields[name]
    place = reverse("weighing", args=[site.code])
    page = {"heading": f"Scale {kept.code}", "button": "Save", "site": site, "back": place}
    page["lead"] = "After a calibration. What was weighed before stays as it was recorded."
    return filled(
        request,
        form,
        lambda given: scales.change_scale(kept, by=request.user, **given),
        page,
        lambda made: place,
    )


@FORM
@member_page
def new_owner(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_materials")
    place = reverse("weighing", args=[site.code])
    page = {"heading": "Add an owner of stock", "button": "Add the owner", "site": site, "back": place}
    page["lead"] = (
        "A customer or consignor whose material lies here. It is kept apart from the company's own."
    )
    return filled(
        request,
        OwnerForm(request.POST or None),
        lambda given: owners.add_owner(site.organization, by=request.user, **given),
        page,
        lambda made: place,
    )


@FORM
@member_page
def pile_owner(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("keep_piles")
    form = PileOwnerForm(found, request.POST or None, initial={"owner": found.owner_id})
    place = reverse("pile-movements", args=[found.site.code, found.code])
    page = {"heading": f"Owner of {found.code}", "button": "Save", "site": found.site, "back": place}
    page["lead"] = "Only while nothing is booked on the pile: material does not change hands by a setting."
    return filled(
        request,
        form,
        lambda given: owners.give_pile_to(found, given["owner"], by=request.user),
        page,
        lambda made: place,
    )
