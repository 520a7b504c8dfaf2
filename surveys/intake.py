"""Intake: bytes become a file of a survey that is read, waits for a choice, or is refused with reasons.

Nothing is guessed. The bytes are kept in each case, so that a choice, or a better reader, can go back
to them; what was refused enters no measurement.
"""

from __future__ import annotations

import json
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from compute.errors import ColumnsUnknown, DelimiterUnclear, FileRefused, Refused
from compute.pointfiles import Points, preview, read_points
from compute.pointfiles.edge import read_edge
from inventory import rights
from inventory.models import Pile
from surveys import control_checks, fieldbooks, parsed, storage
from surveys.errors import ReasonNeeded, WrongPile, WrongState
from surveys.models import StoredFile, Survey, SurveyFile
from surveys.opening import require_pile
from surveys.pins import file_as_pinned
from surveys.splitting import open_piles, split_of

State = SurveyFile.State
Purpose = SurveyFile.Purpose


def receive_file(
    survey: Survey,
    name: str,
    data: Any,
    by: Any,
    pile: Pile | None = None,
    *,
    purpose: str = Purpose.MEASURE,
    columns: list[str] | None = None,
    unit: str = "",
    delimiter: str = "",
    decimal: str = "",
) -> SurveyFile:
    """Keep a file (bytes, or anything that streams them) for a survey and read it, as far as it is clear.

    Without `pile` the file serves the whole yard. Without a declaration the file must say its columns
    itself, or it waits for `declare_columns`; `unit` is the site's unless given. The same bytes again give
    the file that is there, with `already` saying when they came. Raises `NotAllowed`, `WrongPile`,
    `FileTooLarge`, `BadOption`; a file that cannot be read is kept with state `refused` and all problems.
    """
    rights.require(by, survey.site.organization, "upload_survey")
    if pile is not None:
        require_pile(survey, pile)
    elif purpose == Purpose.EDGE:
        raise WrongPile("A drawn edge belongs to one pile. Nothing was kept.", where=name)
    stored, is_new = storage.receive(survey.site.organization, name, data, by)
    file = SurveyFile(
        survey=survey,
        stored_file=stored,
        purpose=purpose,
        pile=pile,
        name=storage.plain_name(name),
        columns=list(columns) if columns else None,
        unit=unit or survey.site.length_unit,
        delimiter=delimiter,
        decimal=decimal,
        added_by=by,
    )
    known = file_with(survey, stored)
    if known is not None:
        return known
    points = look(file)
    try:
        with transaction.atomic():
            file.save(force_insert=True)
    except IntegrityError:
        # The same bytes arrived twice at once; the other request was faster.
        known = file_with(survey, stored)
        if known is None:
            raise
        return known
    file.already = "" if is_new else receipt_words(stored)
    follow_up(file, points, by)
    return file


def follow_up(file: SurveyFile, points: Points | None, by: Any) -> None:
    """What comes of a file at once: a book is reduced, marks shot again are kept as checks, and the points
    of a whole yard as they were read, for the jobs of its piles."""
    if file.purpose == Purpose.FIELD_BOOK and file.state == State.READ:
        fieldbooks.first_reduction(file, by)
    if points is not None and file.purpose == Purpose.MEASURE:
        control_checks.keep_checks_of_points(file, points)
        if file.pile_id is None:
            parsed.keep(file_as_pinned(file), file.survey.site.organization_id, points)


def file_with(survey: Survey, stored: StoredFile) -> SurveyFile | None:
    """The file of the survey that holds these bytes already, saying so."""
    live = SurveyFile.objects.filter(survey=survey, stored_file=stored, set_aside_at__isnull=True)
    found: SurveyFile | None = live.select_related("survey__site__organization", "stored_file").first()
    if found is not None:
        found.already = receipt_words(stored)
    return found


def receipt_words(stored: StoredFile) -> str:
    return (
        f"These bytes were already received on {stored.received_at:%Y-%m-%d %H:%M} UTC as {stored.name} "
        f"by {stored.received_by}. They are kept once."
    )


def declare_columns(
    survey_file: SurveyFile,
    columns: list[str] | None,
    unit: str,
    delimiter: str,
    decimal: str,
    by: Any,
) -> SurveyFile:
    """Settle how a file is read, and read it again. Measurements made before keep how it was read then.

    Raises `NotAllowed`, `WrongState` for a file set aside, `BadOption` for a declaration that means nothing.
    """
    rights.require(by, survey_file.survey.site.organization, "upload_survey")
    refuse_set_aside(survey_file)
    survey_file.columns = list(columns) if columns else None
    survey_file.unit = unit or survey_file.survey.site.length_unit
    survey_file.delimiter = delimiter
    survey_file.decimal = decimal
    points = look(survey_file)
    survey_file.save()
    follow_up(survey_file, points, by)
    return survey_file


def set_aside(survey_file: SurveyFile, by: Any, reason: str) -> SurveyFile:
    """Leave a file out of measurements to come, with a reason. Its bytes and earlier results stay."""
    rights.require(by, survey_file.survey.site.organization, "upload_survey")
    refuse_set_aside(survey_file)
    if not reason.strip():
        raise ReasonNeeded(
            f"To set {survey_file.name} aside, a reason is needed. Nothing was changed.",
            where=survey_file.name,
        )
    survey_file.set_aside_by = by
    survey_file.set_aside_at = timezone.now()
    survey_file.set_aside_reason = reason.strip()
    survey_file.save(update_fields=["set_aside_by", "set_aside_at", "set_aside_reason"])
    return survey_file


def refuse_set_aside(survey_file: SurveyFile) -> None:
    if survey_file.set_aside_at is not None:
        raise WrongState(
            f"{survey_file.name} was set aside on {survey_file.set_aside_at:%Y-%m-%d}: "
            f"{survey_file.set_aside_reason} Nothing was changed.",
            where=survey_file.name,
            remedy="Send the file again to use it after all.",
        )


# --- looking into a file -------------------------------------------------------------------------


def look(file: SurveyFile) -> Points | None:
    """Read the file as declared and set its state, preview, problems and counts; does not save."""
    data = storage.read_bytes(file.stored_file)
    file.problems, file.preview, file.split, file.points_n = {}, {}, {}, None
    if file.purpose == Purpose.MEASURE and not file.columns and fieldbooks.is_field_book(data):
        file.purpose = Purpose.FIELD_BOOK
    try:
        return _read(file, data)
    except (ColumnsUnknown, DelimiterUnclear) as question:
        # A field book says its columns itself; nobody can declare them.
        file.state = State.REFUSED if file.purpose == Purpose.FIELD_BOOK else State.UNCLEAR
        file.problems = plain(question.as_dict())
    except FileRefused as refusal:
        refuse(file, refusal)
    except Refused as refusal:
        if file.purpose not in (Purpose.EDGE, Purpose.FIELD_BOOK):
            raise
        refuse(file, refusal)
    return None


def _read(file: SurveyFile, data: bytes) -> Points | None:
    if file.purpose == Purpose.EDGE:
        file.points_n = len(read_edge(data, file.name, file.unit))
        file.state = State.READ
        return None
    if file.purpose == Purpose.FIELD_BOOK:
        book = fieldbooks.look_into_book(data, file.name, file.unit)
        file.points_n = len({(s.setup, s.to) for s in book.sights if s.kind == "shot"})
        file.state = State.READ
        return None
    file.preview = plain(preview(data, file.name).as_dict())
    points = read_as_declared(data, file)
    keep_reading(file, points)
    return points


def read_as_declared(data: bytes, file: SurveyFile) -> Points:
    return read_points(
        data,
        file.name,
        columns=None if file.columns is None else tuple(file.columns),
        unit=file.unit,
        delimiter=file.delimiter or None,
        decimal=file.decimal or None,
    )


def keep_reading(file: SurveyFile, points: Points) -> None:
    file.state = State.READ
    file.points_n = len(points)
    file.preview = {**file.preview, "read_as": plain(points.read_as.as_dict())}
    survey = file.survey
    file.split = plain(split_of(points, survey.site.code_rules, open_piles(survey)))


def refuse(file: SurveyFile, refusal: Refused) -> None:
    file.state = State.REFUSED
    file.problems = plain(refusal.as_dict())


def plain(data: dict[str, Any]) -> dict[str, Any]:
    """`data` as a database's JSON can hold it: PostgreSQL takes no NUL in a text."""
    return json.loads(json.dumps(data).replace("\\u0000", "\\ufffd"))  # type: ignore[no-any-return]
