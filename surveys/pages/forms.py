"""Forms of the pages: what a person types, checked for form only. Whether it may be done is for the verbs."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils import timezone

from compute.errors import Refused
from inventory.errors import BookRefused
from inventory.models import Pile, Site
from surveys.models import Survey, SurveyFile
from surveys.pages.wording import LENGTH_UNITS, METHODS

UNIT_CHOICES = list(LENGTH_UNITS.items())
PURPOSES = [
    (SurveyFile.Purpose.MEASURE, "points or a field book"),
    (SurveyFile.Purpose.EDGE, "the drawn outer edge of one pile"),
    (SurveyFile.Purpose.STORED, "coordinates as the instrument stored them, beside a field book"),
]
COLUMN_CHOICES = [
    ("", "leave out"),
    ("point", "Point"),
    ("northing", "Northing"),
    ("easting", "Easting"),
    ("elevation", "Elevation"),
    ("code", "Code"),
    ("note", "Note"),
]
DELIMITERS = [(",", "comma"), (";", "semicolon"), ("\t", "tab"), (" ", "blanks")]
DECIMALS = [(".", "dot: 112.485"), (",", "comma: 112,485")]


class DateField(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class PlainForm(forms.Form):
    """A form whose wrong fields say so to eyes and to readers of the page alike."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, label_suffix="", **kwargs)

    def full_clean(self) -> None:
        super().full_clean()
        for name in self.errors:
            if name in self.fields:
                self.fields[name].widget.attrs["aria-invalid"] = "true"

    def refuse(self, refusal: Refused | BookRefused) -> None:
        """Put a verb's refusal beside the field it names, or at the head of the form."""
        where = refusal.where if refusal.where in self.fields else None
        self.add_error(where, f"{refusal.message} {refusal.remedy}".strip())
        if where:
            self.fields[where].widget.attrs["aria-invalid"] = "true"


class SurveyForm(PlainForm):
    date = DateField(label="Date of the survey", help_text="The day at the site.")
    method = forms.ChoiceField(label="Method", choices=list(METHODS.items()))
    started_at = forms.TimeField(
        label="From",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}),
        help_text="Time at the site. Loads moved in between are the usual reason for a difference.",
    )
    ended_at = forms.TimeField(label="To", required=False, widget=forms.TimeInput(attrs={"type": "time"}))
    note = forms.CharField(
        label="Note",
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What the office should know: piles being worked, faces not walked, water, snow.",
    )

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        today = site.date_of(timezone.now())
        kwargs.setdefault("initial", {"date": today, "method": site.survey_method})
        super().__init__(*args, **kwargs)
        self.fields["date"].widget.attrs["max"] = today.isoformat()
        if site.survey_method not in METHODS:
            choices = [*METHODS.items(), (site.survey_method, site.survey_method)]
            self.fields["method"].choices = choices


class FileForm(PlainForm):
    """Which pile the files hold, and their unit. The files themselves come as `files`, many at once."""

    pile = forms.ModelChoiceField(
        Pile.objects.none(), label="The files hold", required=False, empty_label="the whole yard"
    )
    unit = forms.ChoiceField(label="Unit of the coordinates", choices=UNIT_CHOICES)
    purpose = forms.ChoiceField(label="They are", choices=PURPOSES, required=False)

    def __init__(self, survey: Survey, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"unit": survey.site.length_unit})
        super().__init__(*args, **kwargs)
        piles = Pile.objects.filter(site=survey.site_id).open_on(survey.surveyed_on).order_by("code")
        self.fields["pile"].queryset = piles

    def clean_purpose(self) -> str:
        return self.cleaned_data["purpose"] or SurveyFile.Purpose.MEASURE


class ColumnsForm(PlainForm):
    """How to read a file whose columns are unclear: one choice a column, unit, delimiter, decimal mark."""

    unit = forms.ChoiceField(label="Unit of the coordinates", choices=UNIT_CHOICES)
    delimiter = forms.ChoiceField(label="Columns are divided by", choices=DELIMITERS)
    decimal = forms.ChoiceField(label="Decimal mark", choices=DECIMALS)

    def __init__(self, count: int, guess: list[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.names = [f"column_{index}" for index in range(count)]
        for index, name in enumerate(self.names):
            self.fields[name] = forms.ChoiceField(
                label=f"Column {index + 1}",
                choices=COLUMN_CHOICES,
                required=False,
                initial=guess[index] if index < len(guess) else "",
            )

    @property
    def column_fields(self) -> list[Any]:
        return [self[name] for name in self.names]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        columns = [cleaned.get(name, "") for name in self.names]
        for wanted in ("northing", "easting", "elevation"):
            if columns.count(wanted) != 1:
                times = "no column" if wanted not in columns else "more than one column"
                self.add_error(None, f"{wanted.capitalize()} is given to {times}. Choose exactly one.")
        for once in ("point", "code", "note"):
            if columns.count(once) > 1:
                self.add_error(None, f"{once.capitalize()} is given to more than one column. Choose one.")
        cleaned["columns"] = tuple(columns)
        return cleaned


class ReasonForm(PlainForm):
    reason = forms.CharField(label="Reason", widget=forms.Textarea(attrs={"rows": 2}))
