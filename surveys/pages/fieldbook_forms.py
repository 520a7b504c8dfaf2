"""Forms of a field book's page: correct a set-up, choose limits and rule, bring stored coordinates."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from django import forms

from compute.traverse.corrections import NUMBERS
from compute.traverse.corrections import SetupCorrection as Correction
from compute.traverse.presets import PRESETS, ClosurePreset
from surveys.fieldbook_request import BookSettings, settings_from
from surveys.models import BookReduction, SurveyFile
from surveys.pages.fieldbook_rows import CORRECTED, RULES
from surveys.pages.forms import PlainForm

OWN_LIMITS = ("", "the calculator's own: 1 : 5,000, 20″ √n, 20 mm √n")


def _reason(label: str = "Reason") -> forms.CharField:
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": 2}))


class CorrectionForm(PlainForm):
    """One correction to one set-up. The observations stay as they are in the book."""

    setup = forms.ChoiceField(label="Set-up")
    field = forms.ChoiceField(label="What was wrong", choices=list(CORRECTED.items()))
    value = forms.CharField(
        label="The right value",
        max_length=60,
        help_text="A height in the book's unit; degrees to add clockwise; or the right name.",
    )
    first_shot = forms.CharField(
        label="From shot", max_length=40, required=False, help_text="Target height only; empty: all shots."
    )
    last_shot = forms.CharField(label="to shot", max_length=40, required=False)
    reason = _reason("Why, and how you know")

    def __init__(self, setups: list[tuple[str, str]], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["setup"].choices = [(name, f"{name} at {at}") for name, at in setups]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if given.get("field") in NUMBERS and "value" in given:
            try:
                given["value"] = float(given["value"])
            except ValueError:
                self.add_error("value", f"“{given['value']}” is not a number. Write it with a decimal point.")
            else:
                if not math.isfinite(given["value"]):
                    self.add_error("value", "Give a number that means a height or an angle.")
        return given

    def correction(self) -> Correction:
        return Correction(**self.cleaned_data)


def _preset_words(one: ClosurePreset) -> str:
    return (
        f"{one.name}: 1 : {one.smallest_ratio:,.0f}, {one.angle_seconds:.0f}″ √n, "
        f"{one.height_mm_per_root_km:.0f} mm √km"
    )


class SettingsForm(PlainForm):
    """Limits, rule and the marks held fixed, for the next version."""

    preset = forms.ChoiceField(
        label="Limits of closure",
        required=False,
        choices=[OWN_LIMITS, *((one.code, _preset_words(one)) for one in PRESETS)],
        help_text="To start from; no law. The site's own specification comes first.",
    )
    rule = forms.ChoiceField(label="Adjusted by", choices=list(RULES.items()))
    held = forms.MultipleChoiceField(
        label="Held fixed",
        widget=forms.CheckboxSelectMultiple,
        help_text="Marks that are not held are compared.",
    )
    reason = _reason()

    def __init__(self, reduction: BookReduction, *args: Any, **kwargs: Any) -> None:
        self.before = settings_from(reduction.request["settings"])
        held = [one["name"] for one in reduction.request["control"] if one["id"] is not None]
        beside = [one["name"] for one in reduction.request["beside"]]
        initial = {"preset": self.before.preset, "rule": self.before.rule, "held": held}
        super().__init__(*args, initial=initial, **kwargs)
        self.fields["held"].choices = [(name, name) for name in sorted([*held, *beside])]
        # A book may hang on places that came with it alone.
        self.fields["held"].required = not self.before.stations

    def settings(self) -> BookSettings:
        """The version's settings with what was chosen. A misclosure accepted before is asked about again."""
        given = self.cleaned_data
        changed = {"preset": given["preset"], "rule": given["rule"], "held": tuple(given["held"])}
        return replace(self.before, **changed, limits=(), accept_misclosure="")


class StoredForm(PlainForm):
    """Coordinates as the instrument stored them: compared, or moved with the stations."""

    stored = forms.ModelChoiceField(
        SurveyFile.objects.none(),
        label="Stored coordinates",
        required=False,
        empty_label="those in the book itself, if it has any",
    )
    move_stored = forms.BooleanField(
        label="Take the shots from them, each set-up's moved with its station", required=False
    )
    reason = _reason()

    def __init__(self, reduction: BookReduction, *args: Any, **kwargs: Any) -> None:
        self.before = settings_from(reduction.request["settings"])
        initial = {"stored": self.before.stored, "move_stored": self.before.move_stored}
        super().__init__(*args, initial=initial, **kwargs)
        self.fields["stored"].queryset = SurveyFile.objects.filter(
            survey=reduction.file.survey_id,
            purpose=SurveyFile.Purpose.STORED,
            state=SurveyFile.State.READ,
            set_aside_at__isnull=True,
        ).order_by("name")
        self.fields["stored"].label_from_instance = lambda file: file.name

    def settings(self) -> BookSettings:
        stored, move = self.cleaned_data["stored"], self.cleaned_data["move_stored"]
        return replace(self.before, stored=None if stored is None else stored.pk, move_stored=move)


class MisclosureForm(PlainForm):
    reason = _reason("Why it may be adjusted all the same")


class AcceptForm(PlainForm):
    comment = forms.CharField(label="Comment", required=False, widget=forms.Textarea(attrs={"rows": 2}))


class SendBackForm(PlainForm):
    reason = _reason("What has to be put right")
