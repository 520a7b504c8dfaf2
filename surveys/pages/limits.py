"""Limits as documents state them, each tested against the last approved measurement; proposing, approving."""

from __future__ import annotations

import json
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from inventory import limits
from inventory.models import Limit, Pile
from surveys.limit_tests import limit_tests
from surveys.limit_words import UNIT_WORDS, as_given, row_of
from surveys.pages.access import acted, member_page, show, site_or_404
from surveys.pages.figures import Units
from surveys.pages.filling import FORM, filled
from surveys.pages.forms import DateField, PlainForm

UNIT_CHOICES = [
    (unit, f"{unit.replace('-', ' ')} ({UNIT_WORDS[unit].strip()})")
    for unit in dict.fromkeys(unit for units in limits.UNITS.values() for unit in units)
]
CAUTION = (
    "Kept as the document states it. A test compares numbers and draws no legal conclusion; what the "
    "authority, the permit or a competent person says comes first."
)


class LimitForm(PlainForm):
    pile = forms.ModelChoiceField(
        Pile.objects.none(), label="Holds for", required=False, empty_label="the whole site"
    )
    quantity = forms.ChoiceField(label="Of what", choices=Limit.Quantity.choices)
    operator = forms.ChoiceField(label="How", choices=Limit.Operator.choices)
    given = forms.DecimalField(label="Number", help_text="As the document has it.")
    unit = forms.ChoiceField(label="Unit", choices=UNIT_CHOICES)
    source = forms.CharField(label="Document", max_length=200)
    page = forms.CharField(label="Page or clause", max_length=40, required=False)
    valid_from = DateField(label="In force from")
    valid_to = DateField(label="To before", required=False, help_text="Empty: until another follows.")
    reference_surface = forms.CharField(
        label="Measured from",
        max_length=200,
        required=False,
        help_text="The ground the document means, in its words.",
    )
    reference_level_m = forms.DecimalField(
        label="Level of natural ground",
        required=False,
        decimal_places=4,
        help_text="Metres, site frame. Only for height above natural ground.",
    )
    boundary = forms.CharField(
        label="Boundary",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Only for a distance: [[easting, northing], …], metres, site frame.",
    )
    consequence = forms.CharField(
        label="What follows when it is passed", widget=forms.Textarea(attrs={"rows": 2})
    )
    reason = forms.CharField(label="Reason", widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, site: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["pile"].queryset = Pile.objects.filter(site=site, closed_on__isnull=True).order_by("code")

    def clean_boundary(self) -> list[Any]:
        try:
            return json.loads(self.cleaned_data["boundary"] or "[]")
        except json.JSONDecodeError:
            raise ValidationError("Not a list of points: write [[easting, northing], …].") from None


@require_GET
@member_page
def limits_page(request: HttpRequest) -> HttpResponse:
    organization, today = request.standing.organization, timezone.now().date()
    tests = limit_tests(request.user, today, organization=organization)
    rows = [row_of(test, Units.of(test.limit.site)) for test in tests]
    kept = (
        Limit.objects.for_user(request.user)
        .filter(site__organization=organization)
        .select_related("site", "pile", "proposed_by", "approved_by")
    )
    context = {
        "here": "limits",
        "today": today,
        "rows": rows,
        "limits": [(limit, as_given(limit)) for limit in kept.order_by("site__code", "pile__code", "pk")],
        "caution": CAUTION,
        "can_propose": request.standing.can("propose_limit"),
        "can_approve": request.standing.can("approve_limit"),
    }
    return show(request, "pages/limits.html", context)


@FORM
@member_page
def propose_limit(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("propose_limit")
    form = LimitForm(site, request.POST or None, initial={"valid_from": timezone.now().date()})
    page = {
        "heading": f"Propose a limit at {site.name}",
        "button": "Propose it",
        "site": site,
        "back": reverse("limits"),
        "pairs": True,
        "lead": f"{CAUTION} It comes into force when another person has approved it.",
    }

    def verb(given: dict[str, Any]) -> Limit:
        return limits.propose_limit(site=site, by=request.user, **given)

    return filled(request, form, verb, page, lambda _: reverse("limits"))


@require_POST
@member_page
def limit_step(request: HttpRequest, limit_id: int, step: str) -> HttpResponse:
    seen = Limit.objects.for_user(request.user).filter(site__organization=request.standing.organization)
    limit, back = get_object_or_404(seen, pk=limit_id), reverse("limits")
    if step == "approve":
        done = f"{limit.label} is in force."
        return acted(request, lambda: limits.approve_limit(limit, request.user), done, back)
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        done = f"{limit.label} is withdrawn."
        return acted(request, lambda: limits.withdraw_limit(limit, request.user, reason), done, back)
    raise Http404
