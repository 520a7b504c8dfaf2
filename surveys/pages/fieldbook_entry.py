"""Entry of a small field book by keyboard."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from surveys import intake
from surveys.models import Survey, SurveyFile
from surveys.pages.access import member_page, show, survey_or_404
from surveys.pages.fieldbook_grid import COLUMNS, MORE, Grid, empty_grid, grid_from, pasted_into
from surveys.pages.fieldbook_rows import KINDS
from surveys.pages.filling import FORM
from surveys.pages.forms import UNIT_CHOICES, PlainForm

READ = SurveyFile.State.READ


class EntryForm(PlainForm):
    name = forms.CharField(label="Name of the book", max_length=80)
    unit = forms.ChoiceField(label="Lengths in", choices=UNIT_CHOICES)

    def clean_name(self) -> str:
        name: str = self.cleaned_data["name"]
        return name if name.lower().endswith(".csv") else f"{name}.csv"


@FORM
@member_page
def fieldbook_entry(request: HttpRequest, survey_id: int) -> HttpResponse:
    """A plain grid: more rows, pasted rows, or the whole book kept as a file of the survey."""
    survey = survey_or_404(request, survey_id)
    request.standing.require("upload_survey")
    initial = {"name": f"book {survey.surveyed_on}", "unit": survey.site.length_unit}
    if request.method != "POST":
        return _shown(request, survey, EntryForm(initial=initial), empty_grid())
    form, step = EntryForm(request.POST), request.POST.get("step", "")
    if step == "more":
        return _shown(request, survey, form, grid_from(request.POST, MORE))
    grid = grid_from(request.POST)
    if step == "paste":
        return _shown(request, survey, form, pasted_into(grid, request.POST.get("pasted", "")))
    given = form.cleaned_data if form.is_valid() else {}
    checked = grid.check(given.get("name", "book.csv"), given.get("unit") or survey.site.length_unit)
    if not given or not checked:
        return _shown(request, survey, form, grid, 422)
    try:
        file = intake.receive_file(survey, given["name"], grid.as_csv(), request.user, unit=given["unit"])
    except NotAllowed:
        raise
    except (Refused, BookRefused) as refusal:
        form.refuse(refusal)
        return _shown(request, survey, form, grid, 422)
    if file.state == READ and file.purpose == SurveyFile.Purpose.FIELD_BOOK:
        return redirect("fieldbook", survey.pk, file.pk)
    return redirect("survey", survey.pk)


def _shown(
    request: HttpRequest, survey: Survey, form: EntryForm, grid: Grid, status: int = 200
) -> HttpResponse:
    wrong = sum(len(cell.problems) for row in grid.rows for cell in row) + len(grid.problems)
    context: dict[str, Any] = {
        "survey": survey,
        "site": survey.site,
        "form": form,
        "grid": grid,
        "wrong": wrong,
        "columns": COLUMNS,
        "kinds": KINDS,
    }
    return show(request, "pages/fieldbook_entry.html", context, status)
