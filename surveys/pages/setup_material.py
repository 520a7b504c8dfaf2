"""Materials and their densities by date."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from inventory import density, places
from inventory.bridging import density_bridge
from inventory.models import DensityRecord, Material
from surveys.pages.access import acted, member_page, show
from surveys.pages.filling import FORM, filled
from surveys.pages.setup_forms import DensityForm, MaterialForm

BRIDGES_SHOWN = 1


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
        "bridges": _bridges(request, records),
        "sees_money": request.standing.can("see_money"),
    }
    return show(request, "pages/material.html", context)


def _bridges(request: HttpRequest, records: list[DensityRecord]) -> list[tuple[DensityRecord, list[Any]]]:
    """What the newest revision changed; earlier ones are told in the months they came in."""
    revised = [r for r in records if r.supersedes_id is not None and r.status in ("approved", "proposed")]
    bridges = [(record, density_bridge(record, request.user)) for record in revised[:BRIDGES_SHOWN]]
    return [(record, rows) for record, rows in bridges if rows]


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
    return filled(
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
    return filled(request, form, propose, page, lambda _: reverse("material", args=[material.code]))


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
