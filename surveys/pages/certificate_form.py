"""The form in which a surveyor states what no measurement knows: purpose, people, limitations."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils import timezone

from inventory.models import Site
from surveys.certificates.particulars import LIMITATIONS
from surveys.models import CertificateParticulars
from surveys.pages.forms import DateField, PlainForm

GROUPS = (
    ("What it is for", ("purpose", "intended_user", "cut_off_at", "distribution", "retention_class")),
    (
        "Who answers for it",
        (
            "crew",
            "responsible_professional",
            "licence_number",
            "licence_expires_on",
            "jurisdiction",
            "engagement",
            "sealed_document_required",
            "sealed_determined_by",
            "sealed_document",
        ),
    ),
    (
        "How it was measured",
        (
            "instruments",
            "coordinate_system",
            "height_datum",
            "distances",
            "control_closure",
            "walls",
            "unseen",
            "photos",
        ),
    ),
)
"""Heading → fields. The limitations are a group of their own."""

ANSWERS = [("", "not stated"), ("yes", "yes"), ("no", "no")]


def _text(rows: int = 2) -> forms.Textarea:
    return forms.Textarea(attrs={"rows": rows})


def _line(label: str, help_text: str = "", *, length: int = 200) -> forms.CharField:
    return forms.CharField(label=label, required=False, max_length=length, help_text=help_text)


def _words(label: str, help_text: str = "", *, rows: int = 2) -> forms.CharField:
    return forms.CharField(label=label, required=False, widget=_text(rows), help_text=help_text)


class ParticularsForm(PlainForm):
    purpose = _words("Purpose", "Month-end stock, royalty, sale of the pile, dispute, year end.")
    intended_user = _line("Intended user", "For whom it is made, by role: accountant, auditor, buyer.")
    cut_off_at = forms.DateTimeField(
        label="Cut-off",
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="The moment the books close, in the site's time.",
    )
    distribution = _line("Distribution")
    retention_class = _line("Retention class", "Such as: royalty records, 6 years.")
    crew = _words("Crew")
    responsible_professional = _line("Responsible professional")
    licence_number = _line("Licence number", length=80)
    licence_expires_on = DateField(label="Licence expires on", required=False)
    jurisdiction = _line("Jurisdiction", "Whose law says who may determine this quantity.")
    engagement = forms.ChoiceField(
        label="Engaged", required=False, choices=CertificateParticulars.Engagement.choices
    )
    sealed_document_required = forms.ChoiceField(
        label="Sealed document",
        required=False,
        choices=CertificateParticulars.Sealed.choices,
        help_text="Statutes differ; ask the board of the place. Internal stock usually needs none.",
    )
    sealed_determined_by = _line("Determined by")
    sealed_document = _line("The sealed document", "Its name or number, where there is one.")
    instruments = _words(
        "Instruments",
        "One a line: kind; serial number; calibrated on, such as 2025-02-11.",
        rows=3,
    )
    coordinate_system = _line("Coordinate system")
    height_datum = _line("Height datum")
    distances = forms.ChoiceField(
        label="Distances", required=False, choices=CertificateParticulars.Distances.choices
    )
    control_closure = _words("Closure of traverse or resection")
    walls = _words("Walls and assumptions", "Back of a bay, lines taken from drawings.")
    unseen = _words("Holes and unseen area")
    photos = _words("Photos", "Their names, or where they are kept.")

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        self.site = site
        super().__init__(*args, **kwargs)
        for kind, label in LIMITATIONS.items():
            self.fields[f"{kind}-applies"] = forms.ChoiceField(label=label, required=False, choices=ANSWERS)
            self.fields[f"{kind}-note"] = _line(f"{label}: note")

    def clean_cut_off_at(self) -> dt.datetime | None:
        """Typed by the clock of the site, whatever the clock of the server is."""
        given = self.cleaned_data["cut_off_at"]
        if given is None:
            return None
        typed = timezone.make_naive(given, timezone.get_current_timezone())
        return typed.replace(tzinfo=self.site.zone)

    def clean_instruments(self) -> list[dict[str, str]]:
        found, faults = [], []
        for number, line in enumerate(self.cleaned_data["instruments"].splitlines(), start=1):
            if not line.strip():
                continue
            kind, serial, calibrated, *more = [*(part.strip() for part in line.split(";")), "", ""]
            if any(more) or not kind:
                faults.append(f"Line {number} is not kind; serial number; calibrated on.")
            elif calibrated and not is_date(calibrated):
                faults.append(f"Line {number}: {calibrated} is no date; write it as 2025-02-11.")
            else:
                found.append({"kind": kind, "serial": serial, "calibrated_on": calibrated})
        if faults:
            raise forms.ValidationError(faults)
        return found

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        for kind, label in LIMITATIONS.items():
            if given.get(f"{kind}-note") and not given.get(f"{kind}-applies"):
                self.add_error(f"{kind}-applies", f"{label}: say yes or no beside the note.")
        return given

    def stated(self) -> dict[str, Any]:
        """As `state_particulars` takes it."""
        given = self.cleaned_data
        said = {
            kind: {"applies": given[f"{kind}-applies"], "note": given[f"{kind}-note"]}
            for kind in LIMITATIONS
            if given[f"{kind}-applies"]
        }
        plain = {name: value for name, value in given.items() if name in type(self).base_fields}
        return {**plain, "limitations": said}

    @property
    def groups(self) -> list[tuple[str, list[Any]]]:
        return [(heading, [self[name] for name in names]) for heading, names in GROUPS]

    @property
    def limitation_pairs(self) -> list[tuple[Any, Any]]:
        return [(self[f"{kind}-applies"], self[f"{kind}-note"]) for kind in LIMITATIONS]


def is_date(text: str) -> bool:
    try:
        dt.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def as_initial(values: dict[str, Any], site: Site) -> dict[str, Any]:
    """Kept values as the form shows them."""
    initial = {name: value for name, value in values.items() if name not in ("limitations", "instruments")}
    if values.get("cut_off_at"):
        initial["cut_off_at"] = values["cut_off_at"].astimezone(site.zone).replace(tzinfo=None)
    initial["instruments"] = "\n".join(
        "; ".join(filter(None, (each["kind"], each.get("serial"), each.get("calibrated_on"))))
        for each in values.get("instruments", [])
    )
    for kind, said in values.get("limitations", {}).items():
        initial[f"{kind}-applies"], initial[f"{kind}-note"] = said["applies"], said.get("note", "")
    return initial
