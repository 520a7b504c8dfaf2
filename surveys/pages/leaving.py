"""Before leaving the site: a file from the crew's phone, looked at at once and not kept."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from compute.records import Finding
from inventory.models import Pile, Site
from surveys.leaving_site import SiteLook, look_before_leaving
from surveys.pages.access import member_page, show, site_or_404
from surveys.pages.filling import FORM
from surveys.pages.forms import UNIT_CHOICES, PlainForm
from surveys.site_words import told_at

PROBLEMS_SHOWN = 20
NO_FILE_SHOWS = (
    "Back-sight sighted again at the end of each set-up: direction, distance and height.",
    "Instrument and pole heights measured again, read aloud, photographed.",
    "Piles named, a photo of each; which ones were being worked, from when to when.",
    "Weighbridge and belt readings at start and end: they are the cut-off.",
    "The raw file saved unedited, and copied twice.",
)
"""What a crew chief checks besides. Common practice, no source."""


class LeavingForm(PlainForm):
    file = forms.FileField(label="What you have so far", help_text="A point file or a field book.")
    pile = forms.ModelChoiceField(
        Pile.objects.none(), label="It holds", required=False, empty_label="the whole yard"
    )
    unit = forms.ChoiceField(label="Unit", choices=UNIT_CHOICES)

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, initial={"unit": site.length_unit}, **kwargs)
        today = site.date_of(timezone.now())
        self.fields["pile"].queryset = Pile.objects.filter(site=site).open_on(today).order_by("code")

    def clean_file(self) -> Any:
        given = self.cleaned_data["file"]
        if given.size > settings.UPLOAD_LIMIT_BYTES:
            most = f"{settings.UPLOAD_LIMIT_BYTES / 2**20:,.0f} MB"
            raise forms.ValidationError(f"{given.name} is larger than {most}. It was not looked at.")
        return given


@FORM
@member_page
def leaving_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("upload_survey")
    form = LeavingForm(site, request.POST or None, request.FILES or None)
    context: dict[str, Any] = {"site": site, "form": form, "besides": NO_FILE_SHOWS}
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        name = given["file"].name
        today = site.date_of(timezone.now())
        look = look_before_leaving(site, name, given["file"].read(), given["unit"], today, given["pile"])
        context |= {"name": name, **_told(site, look)}
    return show(request, "pages/leaving.html", context, 422 if form.errors else 200)


def _told(site: Site, look: SiteLook) -> dict[str, Any]:
    piles = [
        {"code": each.code, "shots_n": each.shots_n, "findings": _in_words(site, each.findings)}
        for each in look.piles
    ]
    every = [*look.findings, *(finding for each in look.piles for finding in each.findings)]
    return {
        "look": look,
        "findings": _in_words(site, look.findings),
        "piles": piles,
        "stops": sum(finding.severity == "stop" for finding in every) + (look.unread is not None),
        "warns": sum(finding.severity == "warn" for finding in every),
        "problems": [] if look.unread is None else look.unread.problems[:PROBLEMS_SHOWN],
    }


def _in_words(site: Site, findings: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """As the site reads lengths."""
    told = [one.as_dict() for one in findings]
    return [{**one, "message": told_at(site, one)} for one in told]
