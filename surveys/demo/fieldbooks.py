"""Kettlevarn's field books in the office: reduced, corrected where they must be, accepted by the lead."""

from __future__ import annotations

from decimal import Decimal

from compute.traverse.book import read_traverse
from compute.traverse.corrections import SetupCorrection as Correction
from surveys import fieldbooks, storage
from surveys.demo.book import Book
from surveys.demo.story import MISREAD, MISREAD_MINUTES, MISTAKES, POLE_FT, POLE_OF_ONE_SETUP
from surveys.demo.yard import SITE
from surveys.fieldbook_request import BookSettings, GivenStation
from surveys.models import BookReduction, Measurement, SurveyFile

FROM_THE_SHEET = "Sheet of the site's marks in the van, 2024"
SENT_BACK = (
    "The angles do not close by ten minutes. The back-sight of set-up 3 sighted again at its end reads ten "
    "minutes less than at its start."
)
READ_AGAIN = "Back-sight of set-up 3 misread by 10 minutes in both faces; the reading at its end shows it."
POLE_READ_AGAIN = (
    "Pole of set-up 2 stood at 6.50 ft and was written as 6.00 ft: its back-sight sighted again stands half "
    "a foot too high, and so does its part of the pile. Seen on the photograph of the set-up."
)


def reduce(book: Book, file: SurveyFile) -> BookReduction:
    """The book as the surveyor reduces it. Until July the site has no control: two marks come with it."""
    by = book.cast.surveyor_of(file.survey.site.code)
    reduction = fieldbooks.live_reduction(file)
    if reduction is None:
        settings = BookSettings(stations=_marks_of_the_first_setup(file))
        reduction = fieldbooks.reduce_book(file, by, settings)
    if not reduction.gives_shots and _is(file, MISREAD):
        fieldbooks.send_back(reduction, book.cast.lead, SENT_BACK)
        right = Correction(str(MISTAKES[MISREAD].setup), "orientation", MISREAD_MINUTES / 60.0, READ_AGAIN)
        reduction = fieldbooks.correct_setups(file, by, [right], READ_AGAIN)
    return reduction


def correct_the_pole(book: Book) -> None:
    """The second version of the book of October, with the right pole for one set-up."""
    pile, on = POLE_OF_ONE_SETUP
    file = SurveyFile.objects.get(
        survey__site=book.site(pile[:3]), survey__surveyed_on=on, purpose=SurveyFile.Purpose.FIELD_BOOK
    )
    setup = str(MISTAKES[POLE_OF_ONE_SETUP].setup)
    sights = [
        s for s in read_traverse(storage.read_bytes(file.stored_file), file.name).sights if s.setup == setup
    ]
    # From the first shot to the back-sight sighted again: all that the pole stood on.
    first = next(sight.to for sight in sights if sight.kind == "shot")
    right = Correction(setup, "target_height", POLE_FT, POLE_READ_AGAIN, first, sights[-1].to)
    if file.reductions.count() == 1:
        fieldbooks.correct_setups(file, book.cast.surveyor_of(pile[:3]), [right], POLE_READ_AGAIN)


def accept_books_of(measurement: Measurement, book: Book) -> None:
    """Before a measurement is approved, the lead surveyor accepts the books that it is made of."""
    pinned = [file["reduction"]["id"] for file in measurement.request["files"] if "reduction" in file]
    computed = BookReduction.objects.filter(pk__in=pinned, state=BookReduction.State.COMPUTED)
    for reduction in computed.select_related("file__survey__site__organization", "prepared_by"):
        fieldbooks.accept(reduction, book.cast.lead, "Closure and checks looked over.")


def _marks_of_the_first_setup(file: SurveyFile) -> tuple[GivenStation, ...]:
    first = read_traverse(storage.read_bytes(file.stored_file), file.name).sights[0]
    known = SITE[file.survey.site.code].control_m
    return tuple(
        GivenStation(name, *(Decimal(f"{value:.4f}") for value in known[name]), source=FROM_THE_SHEET)
        for name in (first.at, first.to)
    )


def _is(file: SurveyFile, key: tuple[str, object]) -> bool:
    return file.survey.surveyed_on == key[1] and file.name.startswith(key[0])
