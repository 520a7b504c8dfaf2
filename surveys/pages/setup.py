"""Setting up a yard through pages: sites, materials and their densities, piles, bases, control."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from compute.errors import Refused
from compute.units import LENGTH_IN_M
from inventory import basing, density, piles, places
from inventory.errors import BookRefused, NotAllowed
from inventory.models import BaseVersion, DensityRecord, Material, Pile, Site
from surveys import control, grounds
from surveys.pages.access import acted, member_page, pile_or_404, show, site_or_404
from surveys.pages.forms import PlainForm
from surveys.pages.geometry import arrays_of
from surveys.pages.setup_forms import (
    BaseForm,
    CloseForm,
    ControlForm,
    DensityForm,
    HazardsForm,
    MaterialForm,
    OutlineForm,
    PileForm,
    SiteForm,
)

FORM = require_http_methods(["GET", "POST"])


def _filled(
    request: HttpRequest,
    form: PlainForm,
    verb: Callable[[dict[str, Any]], Any],
    page: dict[str, Any],
    done: Callable[[Any], str],
) -> HttpResponse:
    """The one way of a form: valid → one verb → the page of what it made; a refusal goes back into the form."""
    if request.method == "POST" and form.is_valid():
        try:
            made = verb(form.cleaned_data)
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect(done(made))
    return show(request, "pages/form.html", {"form": form, **page}, 422 if form.errors else 200)


def _metres_per_unit(site: Site) -> Decimal:
    size = LENGTH_IN_M[site.length_unit]
    return Decimal(size.numerator) / Decimal(size.denominator)


# --- sites and control ---------------------------------------------------------------------------


@FORM
@member_page
def new_site(request: HttpRequest) -> HttpResponse:
    request.standing.require("keep_sites")
    page = {"heading": "Open a site", "button": "Open the site", "back": reverse("stock")}
    return _filled(
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
    return _filled(
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
    metres = _metres_per_unit(site)

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
        "lead": "Shots that coincide with control are kept out of every surface. A mark that was moved is recorded again from the day it moved.",
    }
    form = ControlForm(request.POST or None, initial={"valid_from": site.date_of(timezone.now())})
    return _filled(request, form, record, page, lambda _: reverse("site", args=[site.code]))


# --- materials and densities ---------------------------------------------------------------------


@require_GET
@member_page
def materials_page(request: HttpRequest) -> HttpResponse:
    materials = Material.objects.for_user(request.user).filter(organization=request.standing.organization)
    today = timezone.now().date()
    records = DensityRecord.objects.for_user(request.user).filter(
        organization=request.standing.organization, status="approved"
    )
    in_force: dict[int, list[DensityRecord]] = {}
    for record in records.select_related("site", "pile"):
        if record.covers(today):
            in_force.setdefault(record.material_id, []).append(record)
    rows = [(material, in_force.get(material.pk, [])) for material in materials.order_by("code")]
    context = {"here": "materials", "rows": rows, "can_keep": request.standing.can("keep_materials")}
    return show(request, "pages/materials.html", context)


def _material_or_404(request: HttpRequest, code: str) -> Material:
    seen = Material.objects.for_user(request.user).select_related("organization")
    return get_object_or_404(seen, organization=request.standing.organization, code=code)


@require_GET
@member_page
def material_page(request: HttpRequest, code: str) -> HttpResponse:
    material = _material_or_404(request, code)
    records = list(
        DensityRecord.objects.for_user(request.user)
        .filter(material=material)
        .select_related("site", "pile", "proposed_by", "approved_by", "withdrawn_by")
        .prefetch_related("approvals__by")
        .order_by("-valid_from", "-pk")
    )
    context = {
        "here": "materials",
        "material": material,
        "records": records,
        "missing": {record.pk: density.signatures_missing(record) for record in records},
        "may_sign": {record.pk for record in records if _may_sign(request, record)},
        "today": timezone.now().date(),
        "can_propose": request.standing.can("propose_density"),
        "can_approve": request.standing.can("approve_density"),
    }
    return show(request, "pages/material.html", context)


def _may_sign(request: HttpRequest, record: DensityRecord) -> bool:
    """A proposal of somebody else, for which one of the person's roles has not signed yet."""
    missing = set(density.signatures_missing(record))
    mine = record.proposed_by_id == request.user.pk
    signed = any(approval.by_id == request.user.pk for approval in record.approvals.all())
    return bool(missing & request.standing.roles) and not mine and not signed


@FORM
@member_page
def new_material(request: HttpRequest) -> HttpResponse:
    request.standing.require("keep_materials")
    page = {
        "heading": "Add a material",
        "button": "Add the material",
        "here": "materials",
        "back": reverse("materials"),
    }
    return _filled(
        request,
        MaterialForm(request.POST or None),
        lambda given: places.add_material(request.standing.organization, by=request.user, **given),
        page,
        lambda material: reverse("material", args=[material.code]),
    )


@FORM
@member_page
def propose_density(request: HttpRequest, code: str) -> HttpResponse:
    material = _material_or_404(request, code)
    request.standing.require("propose_density")
    form = DensityForm(material, request.POST or None, initial={"valid_from": timezone.now().date()})

    def propose(given: dict[str, Any]) -> Any:
        facts = {name: value for name, value in given.items() if name != "scope"}
        return density.propose_density(material=material, by=request.user, **form.place(), **facts)

    page = {
        "heading": f"Propose a density of {material.name}",
        "button": "Propose it",
        "here": "materials",
        "back": reverse("material", args=[material.code]),
        "pairs": True,
        "lead": "It comes into force when a lead surveyor and a manager, two other people, have approved it.",
    }
    return _filled(request, form, propose, page, lambda _: reverse("material", args=[material.code]))


@require_POST
@member_page
def density_step(request: HttpRequest, code: str, density_id: int, step: str) -> HttpResponse:
    material = _material_or_404(request, code)
    seen = DensityRecord.objects.for_user(request.user)
    record = get_object_or_404(seen, material=material, pk=density_id)
    back = reverse("material", args=[material.code])
    if step == "approve":
        return acted(
            request,
            lambda: density.approve_density(record, request.user),
            f"Your approval of {record.label} is recorded.",
            back,
        )
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        return acted(
            request,
            lambda: density.withdraw_density(record, request.user, reason),
            f"{record.label} is withdrawn.",
            back,
        )
    raise Http404


# --- piles and bases -----------------------------------------------------------------------------


@FORM
@member_page
def new_pile(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("keep_piles")
    form = PileForm(
        site,
        float(_metres_per_unit(site)),
        request.POST or None,
        initial={"opened_on": site.date_of(timezone.now())},
    )
    page = {
        "heading": f"Open a pile at {site.name}",
        "button": "Open the pile",
        "site": site,
        "back": reverse("site", args=[site.code]),
    }
    return _filled(
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
    metres = float(_metres_per_unit(found.site))
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
    return _filled(request, form, redraw, page, lambda _: _pile_page(found))


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
        "lead": "What somebody must know before going near the pile. It does not replace the site's own rules or a competent person's inspection.",
    }
    return _filled(
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
    return _filled(
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
        "lead": "A new base starts a new version from its day on and changes no approved volume. Another person approves it.",
    }
    return _filled(
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
        level_m = (given["level"] * _metres_per_unit(pile.site)).quantize(Decimal("0.0001"))
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
