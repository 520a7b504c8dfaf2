"""The hazard card of a pile, kept entry by entry."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_POST

from inventory import hazards
from inventory.models import PileHazard
from surveys.pages.access import acted, member_page, pile_or_404
from surveys.pages.filling import FORM, filled
from surveys.pages.forms import PlainForm


class HazardForm(PlainForm):
    kind = forms.ChoiceField(label="What it is", choices=PileHazard.Kind.choices)
    words = forms.CharField(
        label="Where, and what to keep away from", widget=forms.Textarea(attrs={"rows": 3})
    )


@FORM
@member_page
def hazards_page(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    request.standing.require("record_hazards")
    form = HazardForm(request.POST or None)
    address = reverse("pile-dangers", args=[found.site.code, found.code])
    page = {
        "template": "pages/hazards.html",
        "site": found.site,
        "pile": found,
        "standing_hazards": found.hazard_points.filter(ended_at__isnull=True).select_related("recorded_by"),
        "ended": found.hazard_points.filter(ended_at__isnull=False).select_related("ended_by"),
    }

    def verb(given: dict[str, Any]) -> PileHazard:
        return hazards.record_hazard(found, by=request.user, **given)

    return filled(request, form, verb, page, lambda _: address)


@require_POST
@member_page
def end_hazard(request: HttpRequest, hazard_id: int) -> HttpResponse:
    seen = PileHazard.objects.for_user(request.user).select_related("pile__site")
    hazard = get_object_or_404(seen, pk=hazard_id, pile__site__organization=request.standing.organization)
    back = reverse("pile-dangers", args=[hazard.pile.site.code, hazard.pile.code])
    reason = request.POST.get("reason", "")
    return acted(request, lambda: hazards.end_hazard(hazard, request.user, reason), "Ended.", back)
