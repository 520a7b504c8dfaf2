"""Forms for setting up a yard: site, material, density, pile, base, control."""

from __future__ import annotations

from decimal import Decimal
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.core.validators import RegexValidator

from inventory.models import BaseVersion, DensityRecord, Material, Pile, Site
from surveys.models import Measurement
from surveys.pages.forms import UNIT_CHOICES, DateField, PlainForm
from surveys.pages.wording import METHODS

CODE = RegexValidator(
    r"^[A-Za-z0-9][A-Za-z0-9._-]*$", "Letters, digits, dots and dashes only: the code is part of addresses."
)


def _text(rows: int = 3, **attrs: str) -> forms.Textarea:
    return forms.Textarea(attrs={"rows": rows, **attrs})


class SiteForm(PlainForm):
    code = forms.CharField(
        label="Code", max_length=20, validators=[CODE], help_text="Short, never changed: DRV."
    )
    name = forms.CharField(label="Name", max_length=200)
    timezone = forms.ChoiceField(
        label="Time zone", choices=[(z, z) for z in sorted(available_timezones())], initial="UTC"
    )
    length_unit = forms.ChoiceField(
        label="Coordinates and heights in", choices=Site._meta.get_field("length_unit").choices
    )
    volume_unit = forms.ChoiceField(label="Volumes in", choices=Site._meta.get_field("volume_unit").choices)
    mass_unit = forms.ChoiceField(label="Stock in", choices=Site._meta.get_field("mass_unit").choices)
    survey_method = forms.ChoiceField(label="Usual survey method", choices=list(METHODS.items()))
    survey_every_days = forms.IntegerField(
        label="A survey every … days",
        min_value=1,
        max_value=3660,
        initial=31,
        required=False,
        help_text="Empty for a site without a rhythm.",
    )


class MaterialForm(PlainForm):
    code = forms.CharField(label="Code", max_length=20, validators=[CODE])
    name = forms.CharField(
        label="Name", max_length=200, help_text="As on the weighbridge ticket: Crushed stone 4/10."
    )


class DensityForm(PlainForm):
    """A density as somebody found it. For one pile, one site, or everywhere."""

    t_per_m3 = forms.DecimalField(
        label="Tonnes per cubic metre", min_value=Decimal("0.0001"), max_digits=8, decimal_places=4
    )
    scope = forms.ChoiceField(label="Holds for")
    grade = forms.ChoiceField(label="Grade", choices=DensityRecord.Grade.choices)
    state = forms.ChoiceField(label="State of the material", choices=DensityRecord.State.choices)
    moisture_basis = forms.ChoiceField(label="Moisture basis", choices=DensityRecord.MoistureBasis.choices)
    moisture_percent = forms.DecimalField(
        label="Moisture, %", required=False, min_value=0, max_digits=5, decimal_places=2
    )
    moisture_percent_of = forms.ChoiceField(
        label="Percentage", required=False, choices=[("", "–"), *DensityRecord.PercentOf.choices]
    )
    standard_uncertainty_percent = forms.DecimalField(
        label="Standard uncertainty, %",
        required=False,
        min_value=Decimal("0.01"),
        max_digits=5,
        decimal_places=2,
        help_text="One standard deviation. Empty: what is usual for the grade (A 1.5, B 3, C 5, D 7).",
    )
    tests_n = forms.IntegerField(label="Number of tests or loads", required=False, min_value=1)
    method = forms.CharField(
        label="How it was found", max_length=200, help_text="Back-calculation over 24 weighed loads."
    )
    valid_from = DateField(label="In force from")
    valid_to = DateField(label="To before", required=False, help_text="Empty: until replaced.")
    reason = forms.CharField(label="Reason", widget=_text())

    def __init__(self, material: Material, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sites = Site.objects.filter(organization=material.organization).order_by("code")
        piles = (
            Pile.objects.filter(material=material, closed_on__isnull=True)
            .select_related("site")
            .order_by("site__code", "code")
        )
        self.places = {f"site:{site.pk}": site for site in sites} | {
            f"pile:{pile.pk}": pile for pile in piles
        }
        self.fields["scope"].choices = [
            ("company", "every site"),
            *((key, f"{place}") for key, place in self.places.items()),
        ]

    def place(self) -> dict[str, Any]:
        """`site` or `pile` as the verb wants them."""
        scope = self.cleaned_data["scope"]
        return {} if scope == "company" else {scope.partition(":")[0]: self.places[scope]}


class OutlineField(forms.CharField):
    """A ring as lines of easting and northing, in the site's unit; gives metres."""

    widget = forms.Textarea(attrs={"rows": 6, "class": "coordinates", "spellcheck": "false"})

    def __init__(self, metres_per_unit: float, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.metres_per_unit = metres_per_unit

    def clean(self, value: Any) -> list[list[float]]:
        ring = []
        for number, line in enumerate(super().clean(value).splitlines(), start=1):
            fields = line.replace(";", " ").replace(",", " ").split()
            if not fields:
                continue
            try:
                east, north = (float(field) for field in fields)
            except ValueError as fault:
                raise forms.ValidationError(
                    f"Line {number}: “{line.strip()}” is not two numbers, easting and northing."
                ) from fault
            ring.append([east * self.metres_per_unit, north * self.metres_per_unit])
        return ring


class OutlineForm(PlainForm):
    """An outline drawn as coordinates, or taken from the toe ring of a measurement of the pile."""

    def __init__(
        self, site: Site, pile: Pile | None, metres_per_unit: float, *args: Any, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["outline"] = OutlineField(
            metres_per_unit,
            label="Outline",
            required=False,
            help_text="One corner a line: easting, northing. It divides a yard file between the piles.",
        )
        if pile is not None:
            measured = (
                Measurement.objects.filter(pile=pile)
                .exclude(geometry_path="")
                .order_by("-surveyed_on", "-version")
            )
            self.fields["toe_ring_of"] = forms.ModelChoiceField(
                measured.defer("record", "request").select_related("pile__site"),
                required=False,
                label="Or take the toe ring of",
                empty_label="–",
            )


class PileForm(OutlineForm):
    code = forms.CharField(
        label="Code",
        max_length=30,
        validators=[CODE],
        help_text="Never given again, not even after the pile is gone.",
    )
    name = forms.CharField(label="Name", max_length=200)
    material = forms.ModelChoiceField(Material.objects.none(), label="Material")
    opened_on = DateField(label="There since")
    hazards = forms.CharField(
        label="Hazards",
        required=False,
        widget=_text(),
        help_text="Feeders, draw points, voids, undercut faces, traffic, power lines.",
    )

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(site, None, *args, **kwargs)
        self.fields["material"].queryset = Material.objects.filter(organization=site.organization).order_by(
            "code"
        )
        self.order_fields(["code", "name", "material", "opened_on", "outline", "hazards"])


class BaseForm(PlainForm):
    kind = forms.ChoiceField(label="Kind of base", choices=BaseVersion.Kind.choices)
    level = forms.DecimalField(
        label="Level",
        required=False,
        max_digits=9,
        decimal_places=4,
        help_text="For a fixed level only, in the site's unit.",
    )
    file = forms.FileField(
        label="Point file of the empty pad", required=False, help_text="For a surveyed ground only."
    )
    unit = forms.ChoiceField(label="Unit of the file", choices=UNIT_CHOICES, required=False)
    height_uncertainty_m = forms.DecimalField(
        label="Standard uncertainty of its height, m",
        min_value=0,
        max_digits=6,
        decimal_places=4,
        initial=Decimal("0.02"),
        help_text="One standard deviation of the base as a whole. 2 cm over 2,000 m² is 40 m³.",
    )
    valid_from = DateField(label="In force from")
    valid_to = DateField(label="To before", required=False, help_text="Empty: until replaced.")
    reason = forms.CharField(
        label="Reason",
        widget=_text(),
        help_text="Pad regraded, first survey of the empty pad, concrete floor.",
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("kind") == "level" and cleaned.get("level") is None:
            self.add_error("level", "A fixed level needs its height.")
        if cleaned.get("kind") == "surface" and not cleaned.get("file"):
            self.add_error("file", "A surveyed ground needs its point file.")
        return cleaned


class ControlForm(PlainForm):
    name = forms.CharField(label="Name", max_length=40)
    northing = forms.DecimalField(label="Northing", max_digits=14, decimal_places=4)
    easting = forms.DecimalField(label="Easting", max_digits=14, decimal_places=4)
    elevation = forms.DecimalField(label="Elevation", max_digits=10, decimal_places=4)
    valid_from = DateField(label="Holds from")
    source = forms.CharField(
        label="Source", required=False, help_text="How its place is known: levelled and traversed from …"
    )
    plan_u = forms.DecimalField(
        label="Standard uncertainty in plan",
        required=False,
        min_value=Decimal("0.0001"),
        max_digits=6,
        decimal_places=4,
        help_text="Empty: 5 mm.",
    )
    height_u = forms.DecimalField(
        label="Standard uncertainty of the height",
        required=False,
        min_value=Decimal("0.0001"),
        max_digits=6,
        decimal_places=4,
        help_text="Empty: 5 mm.",
    )


class HazardsForm(PlainForm):
    hazards = forms.CharField(label="Hazards", required=False, widget=_text(5))


class CloseForm(PlainForm):
    closed_on = DateField(label="First day without the pile")
