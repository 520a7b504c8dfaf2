"""Field books: from observations that are never edited to reductions that people accept or send back.

Each reduction is a version of its own, with its control, settings and corrections pinned. A correction makes
the next version, with a reason; who prepared a version does not accept it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from compute.errors import BadOption, Refused
from compute.traverse.book import FORMS, TraverseFile, read_traverse
from compute.traverse.corrections import NUMBERS
from compute.traverse.corrections import SetupCorrection as Correction
from compute.traverse.edm import Reducing
from compute.traverse.setups import reduce_book as reduced_setups
from compute.units import LENGTH_IN_M
from inventory import rights
from inventory.audit import record_event
from surveys import control_checks, storage
from surveys.errors import BookNotClosed, ReasonNeeded, ReductionNotAccepted, WrongState
from surveys.fieldbook_request import BookSettings, accepting, pinned_book, settings_from
from surveys.fieldbook_solving import SolvedBook, points_of, solve_book
from surveys.models import BookReduction, Measurement, SetupCorrection, SurveyFile
from surveys.splitting import open_piles, split_of

State = BookReduction.State
READ_ANOTHER_WAY = "The book was declared to be read another way."


@dataclass(frozen=True)
class _Kept:
    """A correction with who made it: later versions carry both on."""

    correction: Correction
    by: Any
    at: dt.datetime


def is_field_book(data: bytes) -> bool:
    """Whether the first line that is not blank has the columns of a field book."""
    start = data[:4096].decode("utf-8-sig", "replace")
    first = next((line for line in start.splitlines() if line.strip()), "")
    names = {cell.strip().strip('"').lower() for cell in first.split(max(",;\t", key=first.count))}
    return set(FORMS["field book"]) <= names


def look_into_book(data: bytes, name: str, unit: str) -> TraverseFile:
    """The observations of a book, or a refusal with every problem that the book has by itself."""
    read = read_traverse(data, name)
    if read.form != "field book":
        raise BadOption(
            f"{name} is a traverse of {read.form}, not a field book. Nothing of it was used.",
            where=name,
            remedy=f"Give the columns {', '.join(FORMS['field book'])}.",
        )
    reduced_setups(read, Reducing(float(LENGTH_IN_M[unit])))
    return read


def first_reduction(file: SurveyFile, by: Any) -> BookReduction | None:
    """The version that comes with receiving a book, where the site's control allows it; else the book keeps
    why there is none. A book that is read another way than before is reduced again."""
    reason = READ_ANOTHER_WAY if file.reductions.exists() else ""
    try:
        return reduce_book(file, by, reason=reason)
    except Refused as refusal:
        file.preview = {**file.preview, "not_reduced": refusal.as_dict()}
        file.save(update_fields=["preview"])
        return None


@transaction.atomic
def reduce_book(
    file: SurveyFile,
    by: Any,
    settings: BookSettings | None = None,
    *,
    corrections: Sequence[Correction] = (),
    reason: str = "",
) -> BookReduction:
    """The next version of what a book comes to, for another person to accept.

    Without `settings` those of the version before hold; its corrections are carried on and the new ones laid
    over them. Versions that nobody accepted are superseded. Raises `NotAllowed`, `WrongState`,
    `ReasonNeeded` from the second version on, `ControlMissing`, `BadOption`, and what the calculator refuses.
    """
    organization = file.survey.site.organization
    rights.require(by, organization, "reduce_book")
    # One version of a book at a time, so that two people get two versions and not one error.
    book = _locked(file)
    before = book.reductions.order_by("-version").first()
    version = 1 if before is None else before.version + 1
    if before is not None and not reason.strip():
        raise ReasonNeeded(
            f"Version {version} of {book.name} replaces another one, so a reason is needed. Nothing was "
            "changed.",
            where=book.name,
        )
    if settings is None:
        settings = BookSettings() if before is None else settings_from(before.request["settings"])
    kept = [*(_kept_from(before) if before else ()), *(_Kept(c, by, timezone.now()) for c in corrections)]
    read = read_traverse(storage.read_bytes(book.stored_file), book.name)
    pins = pinned_book(book, read, settings, [one.correction for one in kept])
    reduction = _written(book, version, pins, solve_book(pins, organization.pk), kept, by, reason.strip())
    file.refresh_from_db(fields=["points_n", "split", "preview"])
    return reduction


def correct_setups(
    file: SurveyFile, by: Any, corrections: Sequence[Correction], reason: str
) -> BookReduction:
    """The next version with corrections to set-ups, each with its own reason. Observations stay."""
    if not corrections:
        raise BadOption("No correction was given. Nothing was changed.", where=file.name)
    return reduce_book(file, by, corrections=corrections, reason=reason)


def accept_misclosure(file: SurveyFile, by: Any, reason: str) -> BookReduction:
    """The next version, adjusted in spite of a misclosure beyond its limit; the reason stays on record."""
    _require_reason(reason, "accept a misclosure")
    before = live_reduction(file)
    settings = BookSettings() if before is None else settings_from(before.request["settings"])
    return reduce_book(file, by, accepting(settings, reason), reason=reason)


@transaction.atomic
def accept(reduction: BookReduction, by: Any, comment: str = "") -> BookReduction:
    """Take the newest version as what the book came to, by another person; the one before is superseded."""
    rights.require(by, reduction.file.survey.site.organization, "accept_reduction")
    rights.require_other_person(reduction.prepared_by, by, str(reduction))
    file = _locked(reduction.file)
    reduction.refresh_from_db()
    newest = file.reductions.order_by("-version").first()
    if reduction.state != State.COMPUTED or newest is None or newest.pk != reduction.pk:
        raise WrongState(
            f"{reduction} is {reduction.get_state_display()}; the newest version is {newest}. The newest one "
            "is accepted while it is computed. Nothing was changed.",
            where=file.name,
        )
    if not reduction.gives_shots:
        raise BookNotClosed(f"{reduction} does not close. Nothing was accepted.", where=file.name)
    file.reductions.filter(state=State.ACCEPTED).update(state=State.SUPERSEDED)
    reduction.state, reduction.accepted_by = State.ACCEPTED, by
    reduction.accepted_at, reduction.accept_comment = timezone.now(), comment.strip()
    reduction.save(update_fields=["state", "accepted_by", "accepted_at", "accept_comment"])
    _tell(reduction, "accept_reduction", by, comment)
    return reduction


@transaction.atomic
def send_back(reduction: BookReduction, by: Any, reason: str) -> BookReduction:
    """Refuse a computed version with a reason; the answer to it is a new version."""
    rights.require(by, reduction.file.survey.site.organization, "accept_reduction")
    rights.require_other_person(reduction.prepared_by, by, str(reduction))
    _require_reason(reason, "send a reduction back")
    _locked(reduction.file)
    reduction.refresh_from_db()
    if reduction.state != State.COMPUTED:
        raise WrongState(
            f"{reduction} is {reduction.get_state_display()}; only a computed version is sent back. Nothing "
            "was changed.",
            where=reduction.file.name,
        )
    reduction.state, reduction.sent_back_by = State.REJECTED, by
    reduction.sent_back_at, reduction.sent_back_reason = timezone.now(), reason.strip()
    reduction.save(update_fields=["state", "sent_back_by", "sent_back_at", "sent_back_reason"])
    _tell(reduction, "send_reduction_back", by, reason)
    return reduction


def _tell(reduction: BookReduction, verb: str, by: Any, comment: str) -> None:
    said = {"book": reduction.file.name, "version": reduction.version, "comment": comment.strip()}
    organization = reduction.file.survey.site.organization
    record_event(
        organization, by=by, verb=verb, subject=reduction, detail=said, after_sha256=reduction.digest
    )


def live_reduction(file: SurveyFile) -> BookReduction | None:
    """What the book comes to today: its newest version that was neither sent back nor superseded."""
    found: BookReduction | None = file.reductions.live().order_by("-version").first()  # type: ignore[attr-defined]
    return found


def require_accepted(measurement: Measurement) -> None:
    """`ReductionNotAccepted` while a field book under this measurement is not accepted as it was pinned."""
    pins = [file["reduction"] for file in measurement.request.get("files", []) if "reduction" in file]
    if not pins:
        return
    states = dict(BookReduction.objects.filter(pk__in=[pin["id"] for pin in pins]).values_list("pk", "state"))
    waiting = [pin for pin in pins if states.get(pin["id"]) != State.ACCEPTED]
    if waiting:
        told = ", ".join(
            f"{pin['request']['file']['name']} v{pin['version']} is {states.get(pin['id'])}"
            for pin in waiting
        )
        raise ReductionNotAccepted(
            f"The field books must be accepted first: {told}. Nothing was approved.",
            where=measurement.evidence_ref,
        )


# --- writing a version down ----------------------------------------------------------------------------


def _written(
    file: SurveyFile,
    version: int,
    pins: dict[str, Any],
    solved: SolvedBook,
    kept: Sequence[_Kept],
    by: Any,
    reason: str,
) -> BookReduction:
    file.reductions.filter(state=State.COMPUTED).update(state=State.SUPERSEDED)
    reduction = BookReduction.objects.create(
        file=file,
        version=version,
        request=pins,
        record=solved.record,
        digest=solved.digest,
        gives_shots=solved.closes,
        shots_n=len(solved.record.get("shots", [])),
        reason=reason,
        prepared_by=by,
    )
    SetupCorrection.objects.bulk_create(
        SetupCorrection(
            reduction=reduction,
            **{**one.correction.as_dict(), "value": str(one.correction.value)},
            by=one.by,
            at=one.at,
        )
        for one in kept
    )
    control_checks.keep_checks_of_book(reduction, solved)
    _split_again(file, solved)
    return reduction


def _split_again(file: SurveyFile, solved: SolvedBook) -> None:
    """Whose shots are whose, by the newest version."""
    points = points_of(solved) if solved.closes else None
    file.points_n = len(solved.record.get("shots", []))
    file.split = (
        {} if points is None else split_of(points, file.survey.site.code_rules, open_piles(file.survey))
    )
    file.preview = {key: value for key, value in file.preview.items() if key != "not_reduced"}
    file.save(update_fields=["points_n", "split", "preview"])


def _kept_from(reduction: BookReduction) -> list[_Kept]:
    rows = reduction.corrections.select_related("by")
    return [
        _Kept(
            Correction(row.setup, row.field, _value(row), row.reason, row.first_shot, row.last_shot),
            row.by,
            row.at,
        )
        for row in rows
    ]


def _value(row: SetupCorrection) -> float | str:
    return float(row.value) if row.field in NUMBERS else row.value


def _locked(file: SurveyFile) -> SurveyFile:
    locked = SurveyFile.objects.select_for_update(of=("self",))
    file = locked.select_related("survey__site__organization", "stored_file").get(pk=file.pk)
    if file.purpose != SurveyFile.Purpose.FIELD_BOOK or file.state != SurveyFile.State.READ:
        raise WrongState(f"{file.name} is no field book that was read. Nothing was changed.", where=file.name)
    if file.set_aside_at is not None:
        raise WrongState(
            f"{file.name} was set aside: {file.set_aside_reason} Nothing was changed.", where=file.name
        )
    return file


def _require_reason(reason: str, to_do: str) -> None:
    if not reason.strip():
        raise ReasonNeeded(f"To {to_do}, a reason is needed. Nothing was changed.")
