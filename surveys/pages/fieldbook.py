"""A field book: what it comes to, line by line, what does not fit, and the steps people take about it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_GET, require_POST

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from surveys import fieldbook_sheets as sheets
from surveys import fieldbooks
from surveys.drawings.network import network
from surveys.fieldbook_solving import SolvedBook
from surveys.models import BookReduction, SurveyFile
from surveys.pages import fieldbook_rows as words
from surveys.pages.access import acted, enter, member_page, show
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
    return _page(request, book_or_404(request, survey_id, file_id))


@require_GET
@member_page
def closure_sheet(request: HttpRequest, survey_id: int, file_id: int) -> HttpResponse:
    """The same figures on paper: everything a checker needs, with room to sign."""
    book = book_or_404(request, survey_id, file_id)
    shown = _version(request, _versions(book))
    if shown is None:
        raise Http404
    solved = sheets.sheet_of(shown)
    rows = sheets.reduction_rows(solved)
    context = {**_common(book, shown), **_figures(shown, solved), "reduction": words.reduction_words(rows)}
    return show(request, "pages/closure_sheet.html", context)


def _page(
    request: HttpRequest, book: SurveyFile, bound: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    versions = _versions(book)
    shown = _version(request, versions)
    context = {**_common(book, shown), "versions": versions, "can": _rights(request, book, shown)}
    if shown is None:
        context["not_reduced"] = book.preview.get("not_reduced")
    else:
        solved = sheets.sheet_of(shown)
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


def _figures(shown: BookReduction, solved: SolvedBook) -> dict[str, Any]:
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
        "free_stations": sheet["free_stations"],
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
        "correction_form": CorrectionForm(_setups(solved), prefix="correct"),
        "settings_form": SettingsForm(shown, prefix="settings"),
        "stored_form": StoredForm(shown, prefix="stored"),
        "misclosure_form": None if solved.closes else MisclosureForm(prefix="misclosure"),
        "accept_form": AcceptForm(prefix="accept"),
        "send_back_form": SendBackForm(prefix="send-back"),
    }


def _setups(solved: SolvedBook) -> list[tuple[str, str]]:
    assert solved.result.book is not None
    return [(setup.name, setup.at) for setup in solved.result.book.setups]


# --- steps --------------------------------------------------------------------------------------------


@require_POST
@member_page
def reduce_again(request: HttpRequest, survey_id: int, file_id: int, step: str) -> HttpResponse:
    """The next version of a book, by one of the page's forms; a refusal stays in the form it came from."""
    book = book_or_404(request, survey_id, file_id)
    request.standing.require("reduce_book")
    newest = book.reductions.order_by("-version").first()
    back = reverse("fieldbook", args=[survey_id, file_id])
    if step == "first":
        return acted(
            request, lambda: fieldbooks.reduce_book(book, request.user), f"{book.name} is reduced.", back
        )
    if newest is None or step not in NEXT:
        raise Http404
    newest.file = book
    named, made, verb = NEXT[step]
    form = made(request, newest)
    if form.is_valid():
        try:
            verb(form, book, request.user)
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect(back)
    return _page(request, book, {named: form, "open_form": named}, 422)


def _correct(form: Any, book: SurveyFile, by: Any) -> None:
    correction = form.correction()
    fieldbooks.correct_setups(book, by, [correction], correction.reason)


def _accept_misclosure(form: Any, book: SurveyFile, by: Any) -> None:
    fieldbooks.accept_misclosure(book, by, form.cleaned_data["reason"])


def _with_settings(form: Any, book: SurveyFile, by: Any) -> None:
    fieldbooks.reduce_book(book, by, form.settings(), reason=form.cleaned_data["reason"])


NEXT: dict[str, tuple[str, Callable[..., Any], Callable[..., None]]] = {
    "correct": (
        "correction_form",
        lambda request, newest: CorrectionForm(
            _setups(sheets.sheet_of(newest)), request.POST, prefix="correct"
        ),
        _correct,
    ),
    "misclosure": (
        "misclosure_form",
        lambda request, newest: MisclosureForm(request.POST, prefix="misclosure"),
        _accept_misclosure,
    ),
    "settings": (
        "settings_form",
        lambda request, newest: SettingsForm(newest, request.POST, prefix="settings"),
        _with_settings,
    ),
    "stored": (
        "stored_form",
        lambda request, newest: StoredForm(newest, request.POST, prefix="stored"),
        _with_settings,
    ),
}


@require_POST
@member_page
def judge_reduction(
    request: HttpRequest, survey_id: int, file_id: int, version: int, step: str
) -> HttpResponse:
    """Accept a version, or send it back with a reason: another person than who prepared it."""
    book = book_or_404(request, survey_id, file_id)
    found = get_object_or_404(book.reductions.select_related("prepared_by"), version=version)
    found.file = book
    back = reverse("fieldbook", args=[survey_id, file_id])
    if step == "accept":
        comment = request.POST.get("accept-comment", "")
        said = f"{found} is accepted. Its shots can be measured and approved."
        return acted(request, lambda: fieldbooks.accept(found, request.user, comment), said, back)
    if step == "send_back":
        reason = request.POST.get("send-back-reason", "")
        said = f"{found} is sent back. A correction makes the next version."
        return acted(request, lambda: fieldbooks.send_back(found, request.user, reason), said, back)
    raise Http404
