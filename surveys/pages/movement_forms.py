"""Forms for the book of a yard: one movement, a file of them, a scale, an owner."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils import timezone

from inventory.models import Pile, Scale, Site, StockOwner
from inventory.tickets.columns import FIELDS, WHAT
from inventory.units import WEIGHED_IN_T, WEIGHED_SYMBOLS
from surveys.pages.forms import DECIMALS, DELIMITERS, DateField, PlainForm
from surveys.pages.setup_forms import CODE

KINDS = [
    ("sale", "Sale"),
    ("production", "Production"),
    ("purchase", "Purchase"),
    ("usage", "Usage"),
    ("own-works", "Own works"),
    ("transfer", "Transfer to another pile"),
]
UNITS = [(unit, f"{unit.replace('-', ' ')} ({WEIGHED_SYMBOLS[unit]})") for unit in WEIGHED_IN_T]
LATE = "Take it as a correction in the next open period, if its own is closed"


class MovementForm(PlainForm):
    """One movement, in the order of a ticket, so that it is typed without a mouse."""

    pile = forms.ModelChoiceField(Pile.objects.none(), label="Pile", empty_label=None)
    kind = forms.ChoiceField(label="Kind", choices=KINDS)
    date = DateField(label="Day")
    time = forms.TimeField(label="Time", widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))
    quantity = forms.DecimalField(label="Net quantity", max_digits=18, decimal_places=6, required=False)
    gross = forms.DecimalField(label="Gross", max_digits=18, decimal_places=6, required=False)
    tare = forms.DecimalField(label="Tare", max_digits=18, decimal_places=6, required=False)
    unit = forms.ChoiceField(label="Unit", choices=UNITS)
    document = forms.CharField(label="Ticket or document", max_length=60, required=False)
    to_pile = forms.ModelChoiceField(
        Pile.objects.none(), label="To pile", required=False, empty_label="–", help_text="Transfers only."
    )
    counterparty = forms.CharField(label="Customer or supplier", max_length=120, required=False)
    haulier = forms.CharField(label="Haulier or vehicle", max_length=120, required=False)
    note = forms.CharField(label="Note", max_length=300, required=False)
    accept_late = forms.BooleanField(label=LATE, required=False)

    def __init__(self, site: Site, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.site = site
        now = timezone.now().astimezone(site.zone)
        piles = Pile.objects.filter(site=site).order_by("closed_on", "code")
        self.fields["pile"].queryset = piles
        self.fields["to_pile"].queryset = Pile.objects.filter(
            site__organization=site.organization_id, closed_on__isnull=True
        ).order_by("site__code", "code")
        self.fields["pile"].widget.attrs["autofocus"] = True
        self.fields["date"].widget.attrs["max"] = now.date().isoformat()
        for name in ("quantity", "gross", "tare"):
            self.fields[name].widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        self.initial.setdefault("unit", site.mass_unit)
        self.initial.setdefault("date", site.date_of(timezone.now()))
        self.initial.setdefault("time", now.time().replace(second=0, microsecond=0))

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if given.get("kind") == "transfer" and given.get("to_pile") is None and "to_pile" not in self.errors:
            self.add_error("to_pile", "Choose the pile that it went to.")
        if "date" in given and "time" in given:
            local = dt.datetime.combine(given["date"], given["time"])
            given["moved_at"] = self._at(local)
        return given

    def _at(self, local: dt.datetime) -> dt.datetime | None:
        first, second = (
            local.replace(tzinfo=self.site.zone, fold=fold).astimezone(dt.UTC) for fold in (0, 1)
        )
        if first > second:
            self.add_error("time", "Clocks went forward over this time; it did not exist.")
        elif first < second:
            self.add_error(
                "time", "Clocks went back over this time; it happened twice. Give one before or after."
            )
        return first


class FileForm(PlainForm):
    """The file comes as `file`, beside this."""

    what = forms.ChoiceField(
        label="Lines are", choices=[("", "as its columns say"), *WHAT.items()], required=False
    )


class MappingForm(PlainForm):
    """What each column is, and how the file writes numbers and days."""

    what = forms.ChoiceField(label="Lines are", choices=list(WHAT.items()))
    source = forms.CharField(
        label="Source of the numbers", max_length=40, help_text="A ticket is once in a source."
    )
    unit = forms.ChoiceField(label="Weights in", choices=UNITS)
    delimiter = forms.ChoiceField(label="Columns are divided by", choices=[*DELIMITERS, ("|", "bar")])
    decimal = forms.ChoiceField(label="Decimal mark", choices=DECIMALS)
    date_order = forms.ChoiceField(
        label="Days are written",
        choices=[("ymd", "2025-08-31"), ("dmy", "31/08/2025"), ("mdy", "08/31/2025"), ("", "not clear yet")],
        required=False,
    )
    clock_change = forms.ChoiceField(
        label="Times that happened twice",
        choices=[("refuse", "are refused"), ("first", "are the first one"), ("second", "are the second one")],
    )
    scale = forms.ChoiceField(label="Scale of all lines", required=False)
    accept_late = forms.BooleanField(
        label=LATE.replace("it ", "lines ").replace("its", "their"), required=False
    )

    def __init__(self, site: Site, columns: list[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        scales = Scale.objects.filter(site=site).order_by("code")
        self.fields["scale"].choices = [("", "–"), *((scale.code, str(scale)) for scale in scales)]
        self.names = [f"column_{place}" for place in range(len(columns))]
        for place, name in enumerate(self.names):
            self.fields[name] = forms.ChoiceField(
                label=f"Column {place + 1}",
                choices=[("", "leave out"), *FIELDS.items()],
                required=False,
                initial=columns[place],
            )

    @property
    def column_fields(self) -> list[Any]:
        return [self[name] for name in self.names]

    @property
    def other_fields(self) -> list[Any]:
        return [field for field in self if field.name not in self.names]

    def chosen(self) -> dict[str, Any]:
        """The settings of `inventory.tickets.columns.Settings` that were chosen."""
        given = dict(self.cleaned_data)
        return {**{k: v for k, v in given.items() if k not in self.names},
                "columns": [given[name] for name in self.names]}  # fmt: skip


class ReverseForm(PlainForm):
    reason = forms.CharField(label="Reason", max_length=300, widget=forms.Textarea(attrs={"rows": 2}))
    accept_late = forms.BooleanField(label=LATE, required=False)


class ScaleForm(PlainForm):
    code = forms.CharField(label="Code", max_length=30, validators=[CODE])
    name = forms.CharField(label="Name", max_length=200)
    kind = forms.ChoiceField(label="Kind", choices=Scale.Kind.choices)
    standard_uncertainty_percent = forms.DecimalField(
        label="Standard uncertainty, %",
        max_digits=5,
        decimal_places=2,
        initial="0.50",
        help_text="One standard deviation of what it weighs in a month, from its certificate or its history.",
    )
    certified_until = DateField(label="Certified until", required=False)


class OwnerForm(PlainForm):
    code = forms.CharField(label="Code", max_length=20, validators=[CODE])
    name = forms.CharField(label="Name", max_length=200)


class PileOwnerForm(PlainForm):
    owner = forms.ModelChoiceField(
        StockOwner.objects.none(),
        label="The pile holds material of",
        required=False,
        empty_label="the company itself",
    )

    def __init__(self, pile: Pile, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"].queryset = StockOwner.objects.filter(organization=pile.site.organization_id)
