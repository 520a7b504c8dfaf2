"""A field book: what it comes to, line by line, what does not fit, and the steps people take about it."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_GET

from surveys import fieldbook_sheets as sheets
from surveys.drawings.network import network
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.fieldbook_solving import SolvedBook
from surveys.models import BookReduction, SurveyFile
from surveys.pages import fieldbook_rows as words
from surveys.pages.access import enter, member_page, show
from surveys.pages.closure_pdf import closure_pdf
from surveys.pages.fieldbook_forms import (
    AcceptForm,
    CorrectionForm,
    MisclosureForm,
    SendBackForm,
    SettingsForm,
    StoredForm,
)
from surveys.site_words import told_at

ROWS_AT_ONCE = 400
"""A longer reduction table is read one set-up at a time."""
RESIDUALS_SHOWN = 10
STORED_SHOWN = 200
State = BookReduction.State


def book_or_404(request: HttpRequest, survey_id: int, file_id: int) -> SurveyFile:
    files = SurveyFile.objects.for_user(request.user).select_related(
        "survey__site__organization", "stored_file", "added_by"
    )
    book = get_object_or_404(files, survey=survey_id, pk=file_id, purpose=SurveyFile.Purpose.FIELD_BOOK)
    enter(request, book.survey.site.organization)
    return book


@require_GET
@member_page
def fieldbook_page(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    return book_page(request, book_or_404(request, survey_id, file_id))


@require_GET
@member_page
def closure_sheet(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    """The same figures on paper: everything a checker needs, with room to sign."""
    _, context = _sheet(request, survey_id, file_id)
    return show(request, "pages/closure_sheet.html", context)


@require_GET
@member_page
def closure_sheet_pdf(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    """The same as a file, to be kept or signed."""
    shown, context = _sheet(request, survey_id, file_id, printed=True)
    made = closure_pdf(shown, context, context["drawing"])
    response = HttpResponse(made, content_type="application/pdf")
    name = f"closure-{shown.file.pk}-v{shown.version}.pdf"
    response["Content-Disposition"] = f'inline; filename="{name}"'
    return response


def _sheet(
    request: HttpRequest, survey_id: int, file_id: int, *, printed: bool = False
) -> tuple[BookReduction, dict[str, Any]]:
    book = book_or_404(request, survey_id, file_id)
    shown = _version(request, _versions(book))
    if shown is None:
        raise Http404
    try:
        solved = sheets.sheet_of(shown)
    except (EvidenceMissing, EvidenceDamaged) as lost:
        raise Http404(lost.message) from lost
    rows = words.reduction_words(sheets.reduction_rows(solved))
    return shown, {**_common(book, shown), **_figures(shown, solved, printed=printed), "reduction": rows}


def book_page(
    request: HttpRequest, book: SurveyFile, bound: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    versions = _versions(book)
    shown = _version(request, versions)
    context = {**_common(book, shown), "versions": versions, "can": _rights(request, book, shown)}
    if shown is None:
        context["not_reduced"] = book.preview.get("not_reduced")
    else:
        try:
            solved = sheets.sheet_of(shown)
        except (EvidenceMissing, EvidenceDamaged) as lost:
            context["lost"] = lost
            return show(request, "pages/fieldbook.html", context, status)
        context |= _figures(shown, solved) | _table(request, solved)
        if shown.pk == versions[0].pk and book.set_aside_at is None:
            context |= _forms(shown, solved) | (bound or {})
    return show(request, "pages/fieldbook.html", context, status)


def _versions(book: SurveyFile) -> list[BookReduction]:
    """The newest first, without their records."""
    seen = book.reductions.select_related("prepared_by", "accepted_by", "sent_back_by").defer("record")
    return list(seen.order_by("-version"))


def _version(request: HttpRequest, versions: list[BookReduction]) -> BookReduction | None:
    """The version asked for; else what stands, which is the newest."""
    asked = request.GET.get("version", "")
    if not asked:
        return versions[0] if versions else None
    found = next((one for one in versions if str(one.version) == asked), None)
    if found is None:
        raise Http404
    return found


def _common(book: SurveyFile, shown: BookReduction | None) -> dict[str, Any]:
    if shown is not None:
        shown.file = book
    corrections = [] if shown is None else list(shown.corrections.select_related("by"))
    return {
        "file": book,
        "survey": book.survey,
        "site": book.survey.site,
        "shown": shown,
        "symbol": words.symbol_of(book.unit),
        "corrections": [{"row": one, "what": words.CORRECTED[one.field]} for one in corrections],
    }


def _rights(request: HttpRequest, book: SurveyFile, shown: BookReduction | None) -> dict[str, bool]:
    live = book.set_aside_at is None
    other = shown is not None and shown.prepared_by_id != request.user.pk
    waits = live and shown is not None and shown.state == State.COMPUTED
    may_judge = request.standing.can("accept_reduction")
    return {
        "reduce": live and request.standing.can("reduce_book"),
        "accept": waits and other and may_judge and shown is not None and shown.gives_shots,
        "send_back": waits and other and may_judge,
        "own": waits and not other and may_judge,
    }


def _figures(shown: BookReduction, solved: SolvedBook, *, printed: bool = False) -> dict[str, Any]:
    sheet, site = sheets.closure_of(solved), shown.file.survey.site
    both, unit = sheet["adjustments"], sheet["unit"]
    residuals = words.residual_words(both, unit)
    beside = frozenset(one["name"] for one in shown.request["beside"])
    places = np.array([[shot.place[1], shot.place[0]] for shot in solved.shots], dtype=np.float64)
    drawing, larger = network(
        sheets.network_of(solved, beside),
        places.reshape(-1, 2),
        symbol=words.symbol_of(unit),
        name=f"Network of {shown}: stations, courses, sights and shots",
        printed=printed,
    )
    stored = words.stored_words(sheets.stored_differences(solved), unit)
    return {
        "drawing": mark_safe(drawing),  # noqa: S308  built and escaped by the drawing
        "larger": larger,
        "kind": words.BOOK_KINDS[sheet["kind"]],
        "closes": solved.closes,
        "closure": words.closure_words(sheet),
        "accepted_reason": shown.request["settings"]["accept_misclosure"],
        "rule": words.RULES[shown.request["settings"]["rule"]],
        "courses": words.course_words(sheet["courses"]),
        "both": words.both_words(both, unit),
        "test": both,
        "residuals": residuals[:RESIDUALS_SHOWN],
        "residuals_more": residuals[RESIDUALS_SHOWN:],
        "free_stations": words.free_words(sheet["free_stations"], unit),
        "findings": [{**one, "message": told_at(site, one)} for one in sheet["findings"]],
        "stations": [
            {
                "name": one["name"],
                "cells": [words.length(one[key]) for key in ("northing", "easting", "elevation")],
            }
            for one in sheet["stations"]
        ],
        "control": words.control_words(shown.request, unit),
        "beside": shown.request["beside"],
        "without_height": solved.without_height,
        "stored": sorted(stored, key=lambda one: not one["beyond"])[:STORED_SHOWN],
        "stored_n": len(stored),
        "stored_beyond": sum(one["beyond"] for one in stored),
        "stored_moved": bool(shown.request["stored"] and shown.request["stored"]["move"]),
        "heads": words.REDUCTION_HEADS,
    }


def _table(request: HttpRequest, solved: SolvedBook) -> dict[str, Any]:
    """The reduction table, of one set-up where the whole would be too long for a page."""
    rows = words.reduction_words(sheets.reduction_rows(solved))
    setups = list(dict.fromkeys(row["setup"] for row in rows))
    asked = request.GET.get("setup", "")
    if asked not in setups:
        asked = setups[0] if len(rows) > ROWS_AT_ONCE else ""
    chosen = [row for row in rows if asked in ("", row["setup"])]
    return {"reduction": chosen, "reduction_n": len(rows), "setups": setups, "setup": asked}


def _forms(shown: BookReduction, solved: SolvedBook) -> dict[str, Any]:
    return {
        "correction_form": CorrectionForm(setups_of(solved), prefix="correct"),
        "settings_form": SettingsForm(shown, prefix="settings"),
        "stored_form": StoredForm(shown, prefix="stored"),
        "misclosure_form": None if solved.closes else MisclosureForm(prefix="misclosure"),
        "accept_form": AcceptForm(prefix="accept"),
        "send_back_form": SendBackForm(prefix="send-back"),
    }


def setups_of(solved: SolvedBook) -> list[tuple[str, str]]:
    assert solved.result.book is not None
    return [(setup.name, setup.at) for setup in solved.result.book.setups]
