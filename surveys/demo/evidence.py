"""The year's files go through intake and are measured, as a crew would send them."""

from __future__ import annotations

import datetime as dt

from inventory.models import Site
from surveys import intake, measuring, opening
from surveys.demo import fieldbooks
from surveys.demo.book import Book
from surveys.demo.fieldfiles import FieldFile
from surveys.demo.story import Visit, corrected_file, files_of, wanted_on
from surveys.models import Measurement, Survey, SurveyFile

METHOD = "total-station"
STARTS_AT = dt.time(7, 30, tzinfo=dt.UTC)
HOURS_A_PILE = dt.timedelta(minutes=50)


class DemoRefused(Exception):
    """The demo's own data was refused: the tool or the demo is wrong, and going on would hide it."""


def send(book: Book, visit: Visit) -> None:
    """Open the survey, send its files, ask for its piles. What is there already is left as it is."""
    survey = survey_of(book, visit)
    asked = Measurement.objects.filter(survey=survey).values("pile").distinct().count()
    if asked >= len(visit.piles):
        return
    for file in files_of(visit):
        received = receive(book, survey, file)
        if received.purpose == SurveyFile.Purpose.FIELD_BOOK:
            fieldbooks.reduce(book, received)
    by = book.cast.surveyor_of(visit.site)
    refused = measuring.measure_survey(survey, by).refused
    if refused:
        raise DemoRefused("; ".join(f"{pile}: {reason}" for pile, reason in refused))


def send_unmeasured(book: Book, visit: Visit, file: FieldFile) -> None:
    """Only the file: it is refused, or waits for a person to settle its columns."""
    survey = survey_of(book, visit)
    if not survey.files.exists():
        intake.receive_file(
            survey, file.name, file.data, book.cast.surveyor_of(visit.site), _pile(book, file)
        )


def survey_of(book: Book, visit: Visit) -> Survey:
    site: Site = book.site(visit.site)
    found = Survey.objects.filter(site=site, surveyed_on=visit.on).first()
    if found is not None:
        return found
    started_at = dt.datetime.combine(visit.on, STARTS_AT)
    return opening.open_survey(
        site,
        visit.on,
        METHOD,
        book.cast.surveyor_of(visit.site),
        started_at=started_at,
        ended_at=started_at + HOURS_A_PILE * len(visit.piles),
    )


def receive(book: Book, survey: Survey, file: FieldFile) -> SurveyFile:
    by = book.cast.surveyor_of(survey.site.code)
    received = intake.receive_file(survey, file.name, file.data, by, _pile(book, file))
    if received.state != SurveyFile.State.READ:
        raise DemoRefused(f"{file.name} is {received.state}: {received.problems}")
    return received


def send_correction(book: Book, pile: str, on: dt.date, reason: str) -> None:
    """Set the wrong file of a pile aside, send the right one, and ask for the next version."""
    survey = Survey.objects.select_related("site__organization").get(site=book.site(pile[:3]), surveyed_on=on)
    by = book.cast.surveyor_of(pile[:3])
    file = corrected_file(wanted_on(pile, on))
    for wrong in survey.files.filter(pile__code=pile, set_aside_at__isnull=True).exclude(name=file.name):
        intake.set_aside(wrong, by, reason)
    receive(book, survey, file)
    measuring.request_measurement(survey, book.pile(pile), by, reason)


def measure_again(book: Book, pile: str, on: dt.date, reason: str) -> None:
    """The same files against what the book says now."""
    survey = Survey.objects.select_related("site__organization").get(site=book.site(pile[:3]), surveyed_on=on)
    measuring.request_measurement(survey, book.pile(pile), book.cast.surveyor_of(pile[:3]), reason)


def _pile(book: Book, file: FieldFile):  # type: ignore[no-untyped-def]
    return book.pile(file.pile) if file.pile else None
