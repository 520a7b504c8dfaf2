"""The survey: its files, its piles while they are measured, and what must be settled before it is signed."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from surveys import intake, measuring, review
from surveys.models import Measurement, Survey, SurveyFile
from surveys.opening import open_survey, progress_of
from surveys.pages.access import acted, member_page, show, site_or_404, survey_or_404
from surveys.pages.figures import Units
from surveys.pages.forms import ColumnsForm, FileForm, SurveyForm
from surveys.pages.rows import MeasuredPile, measured_piles
from surveys.pages.wording import plural, span

PROBLEMS_SHOWN = 50


@require_http_methods(["GET", "POST"])
@member_page
def new_survey(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("upload_survey")
    form = SurveyForm(site, request.POST or None)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            survey = open_survey(
                site,
                given["date"],
                given["method"],
                request.user,
                note=given["note"],
                started_at=_at_site(site, given["date"], given["started_at"]),
                ended_at=_at_site(site, given["date"], given["ended_at"]),
            )
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect("survey", survey.pk)
    status = 422 if form.errors else 200
    return show(request, "pages/survey_new.html", {"site": site, "form": form}, status)


def _at_site(site: Any, day: dt.date, time: dt.time | None) -> dt.datetime | None:
    return None if time is None else dt.datetime.combine(day, time, tzinfo=site.zone)


@require_GET
@member_page
def survey_page(request: HttpRequest, survey_id: int) -> HttpResponse:
    survey = survey_or_404(request, survey_id)
    files = list(_live_files(survey).select_related("stored_file", "pile", "added_by"))
    context = _results(request, survey)
    context |= {
        "files": files,
        "on_site": span(survey.started_at, survey.ended_at, survey.site.timezone),
        "refused_files": [file for file in files if file.state == SurveyFile.State.REFUSED],
        "unclear_files": [file for file in files if file.state == SurveyFile.State.UNCLEAR],
        "set_aside": SurveyFile.objects.filter(survey=survey, set_aside_at__isnull=False).count(),
        "file_form": FileForm(survey) if request.standing.can("upload_survey") else None,
        "piles_to_measure": measuring.piles_touched(survey),
    }
    return show(request, "pages/survey.html", context)


def _live_files(survey: Survey) -> QuerySet[SurveyFile]:
    return SurveyFile.objects.filter(survey=survey, set_aside_at__isnull=True)


def _results(request: HttpRequest, survey: Survey) -> dict[str, Any]:
    rows = measured_piles(Measurement.objects.for_user(request.user).filter(survey=survey))
    can = request.standing.can
    own = {row.measurement.pk for row in rows if row.measurement.prepared_by_id == request.user.pk}
    others = [row for row in rows if row.measurement.pk not in own]
    return {
        "survey": survey,
        "site": survey.site,
        "units": Units.of(survey.site),
        "rows": rows,
        "progress": progress_of(survey),
        "can_measure": can("compute_measurement"),
        "can_accept": can("accept_finding"),
        "to_submit": _in_state(rows, "computed", submitted=False) if can("submit_measurement") else [],
        "to_review": _in_state(others, "computed", submitted=True) if can("review_measurement") else [],
        "to_approve": _in_state(others, "reviewed") if can("approve_measurement") else [],
        "own": own,
    }


def _in_state(rows: list[MeasuredPile], state: str, submitted: bool | None = None) -> list[MeasuredPile]:
    return [
        row
        for row in rows
        if row.measurement.state == state
        and (submitted is None or (row.measurement.submitted_at is not None) == submitted)
    ]


@require_GET
@member_page
def survey_results(request: HttpRequest, survey_id: int) -> HttpResponse:
    """The piles alone, for the page to ask again while a worker measures."""
    return render(request, "parts/survey_results.html", _results(request, survey_or_404(request, survey_id)))


@require_POST
@member_page
def add_files(request: HttpRequest, survey_id: int) -> HttpResponse:
    survey = survey_or_404(request, survey_id)
    form = FileForm(survey, request.POST)
    given = request.FILES.getlist("files")
    if not given:
        messages.error(request, "No file came with the form. Choose at least one.", extra_tags="is-stop")
    elif not form.is_valid():
        messages.error(
            request, "Choose a pile of this survey and a unit from the lists.", extra_tags="is-stop"
        )
    for upload in given if form.is_valid() else []:
        _receive(request, survey, upload, form.cleaned_data)
    return redirect("survey", survey.pk)


def _receive(request: HttpRequest, survey: Survey, upload: Any, given: dict[str, Any]) -> None:
    """One file of many: what goes wrong with one is said and does not keep the others out."""
    try:
        file = intake.receive_file(
            survey,
            upload.name,
            upload,
            request.user,
            pile=given["pile"],
            unit=given["unit"],
            purpose=given["purpose"],
        )
    except NotAllowed:
        raise
    except (Refused, BookRefused) as refusal:
        messages.error(request, f"{refusal.message} {refusal.remedy}".strip(), extra_tags="is-stop")
        return
    if file.already:
        messages.info(request, f"{upload.name}: {file.already}", extra_tags="is-note")
    elif file.state == SurveyFile.State.READ:
        what = "corner" if file.purpose == SurveyFile.Purpose.EDGE else "shot"
        said = f"{file.name}: {plural(file.points_n or 0, what)} read."
        messages.success(request, said, extra_tags="is-settled")


def _file_or_404(request: HttpRequest, survey_id: int, file_id: int) -> tuple[Survey, SurveyFile]:
    survey = survey_or_404(request, survey_id)
    files = SurveyFile.objects.for_user(request.user).select_related("stored_file", "pile")
    file = get_object_or_404(files, survey=survey, pk=file_id, set_aside_at__isnull=True)
    file.survey = survey
    return survey, file


@require_http_methods(["GET", "POST"])
@member_page
def file_columns(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    """What each column of a file is, chosen over its first rows."""
    survey, file = _file_or_404(request, survey_id, file_id)
    request.standing.require("upload_survey")
    preview = file.preview or {}
    rows = preview.get("rows", [])
    count = max((len(row) for row in rows), default=0)
    guess = list(file.columns or preview.get("columns", []))
    initial = {
        "unit": file.unit,
        "delimiter": file.delimiter or preview.get("delimiter") or ",",
        "decimal": file.decimal or preview.get("decimal") or ".",
    }
    form = ColumnsForm(count, guess, request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            intake.declare_columns(
                file, given["columns"], given["unit"], given["delimiter"], given["decimal"], request.user
            )
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect("survey", survey.pk)
    context = {
        "survey": survey,
        "site": survey.site,
        "file": file,
        "form": form,
        "preview": preview,
        "rows": list(zip(preview.get("lines", []), rows, strict=False)),
    }
    return show(request, "pages/file_columns.html", context, 422 if form.errors else 200)


@require_POST
@member_page
def set_file_aside(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    survey, file = _file_or_404(request, survey_id, file_id)
    reason = request.POST.get("reason", "")
    return acted(
        request,
        lambda: intake.set_aside(file, request.user, reason),
        f"{file.name} is set aside. Its bytes are kept, and it is left out of what is measured from now on.",
        survey_url(survey),
    )


def survey_url(survey: Survey) -> str:
    return f"/surveys/{survey.pk}/"


@require_POST
@member_page
def measure(request: HttpRequest, survey_id: int) -> HttpResponse:
    survey = survey_or_404(request, survey_id)

    def ask() -> None:
        asked = measuring.measure_survey(survey, request.user, request.POST.get("reason", ""))
        for pile, refusal in asked.refused:
            said = f"{pile.code}: {refusal.message} {refusal.remedy}".strip()
            messages.error(request, said, extra_tags="is-stop")
        if asked.unchanged:
            codes = ", ".join(m.pile.code for m in asked.unchanged)
            messages.info(
                request, f"{codes}: inputs unchanged, so the last version stands.", extra_tags="is-note"
            )

    return acted(request, ask, "", survey_url(survey))


BULK = {
    "submit": ("to_submit", review.submit, "handed over for review"),
    "review": ("to_review", review.review, "marked as reviewed"),
    "approve": ("to_approve", review.approve, "approved and counted"),
}


@require_POST
@member_page
def step_all(request: HttpRequest, survey_id: int, step: str) -> HttpResponse:
    """Submit, review or approve every pile of the survey that is ready for it. Each stands or falls alone."""
    if step not in BULK:
        raise Http404
    survey = survey_or_404(request, survey_id)
    which, verb, done = BULK[step]
    request.standing.require(f"{step}_measurement")
    taken = 0
    for row in _results(request, survey)[which]:
        measurement = (
            Measurement.objects.for_user(request.user)
            .select_related("survey__site__organization", "pile__site__organization", "prepared_by")
            .get(pk=row.measurement.pk)
        )
        try:
            verb(measurement, request.user)
            taken += 1
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            said = f"{row.measurement.pile.code}: {refusal.message} {refusal.remedy}".strip()
            messages.error(request, said, extra_tags="is-stop")
    if taken:
        messages.success(request, f"{plural(taken, 'measurement')} {done}.", extra_tags="is-settled")
    return redirect("survey", survey.pk)
