"""Steps of people about a field book: the next version of it, and the judgement of another person."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from surveys import fieldbook_sheets as sheets
from surveys import fieldbooks
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.models import SurveyFile
from surveys.pages.access import acted, member_page
from surveys.pages.fieldbook import book_or_404, book_page, setups_of
from surveys.pages.fieldbook_forms import CorrectionForm, MisclosureForm, SettingsForm, StoredForm


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
    try:
        form = made(request, newest)
    except (EvidenceMissing, EvidenceDamaged):
        # The page itself says what is lost.
        return redirect(back)
    if form.is_valid():
        try:
            verb(form, book, request.user)
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect(back)
    return book_page(request, book, {named: form, "open_form": named}, 422)


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
            setups_of(sheets.sheet_of(newest)), request.POST, prefix="correct"
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
