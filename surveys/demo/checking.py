"""The lead surveyor's part of the demo: look over what is computed, approve it, or send it back."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from datetime import date

from surveys import review
from surveys.demo.book import Book
from surveys.demo.evidence import DemoRefused, measure_again, send_correction
from surveys.demo.fieldbooks import POLE_READ_AGAIN, accept_books_of, correct_the_pole
from surveys.demo.stated import state_what_is_known
from surveys.demo.story import (
    LOST_CODES,
    OLD_BASE,
    POLE_OF_ONE_SETUP,
    WAITING_FOR_APPROVAL,
    WRONG_POLE,
)
from surveys.models import JobState, Measurement, State

LONGEST_SILENCE_SECONDS = 300.0
LOOK_EVERY_SECONDS = 0.15
TELL_EVERY_SECONDS = 3.0

SENT_BACK: dict[tuple[str, date], str] = {
    LOST_CODES: "The file has no codes: three control stations are in the surface and no toe is known. "
    "The volume is too large by some hundred cubic metres. Export the file again with its codes.",
    POLE_OF_ONE_SETUP: "The back-sight of set-up 2 sighted again stands half a foot too high, like its part "
    "of the pile. Look at the photograph of the pole and correct the set-up.",
    OLD_BASE: "Measured against the pad before the regrade of 5 September. Base v2 is in force since then.",
}
"""First versions that the lead surveyor sends back, with the reason."""

CORRECTED_IN_MAY = (
    "Pole stood at 2.200 m and was entered as 2.000 m: every height was 0.20 m too high. "
    "Found in May, when the variance turned round. Heights reduced again from the field book."
)
CODES_SENT_AGAIN = "Export lost its code column; sent again with codes."
RIGHT_BASE = "Measured again against base v2 of 5 September."

ACCEPTED_BECAUSE = "Looked at on the plan and on the ground: the figure stands."
ACCEPTED_IN_APRIL = "The floor reads 0.2 m high all round: taken for spilled fines, to be cleared in May."
"""Why nobody stopped the wrong pole of April. The reason was wrong, and it stays on record."""

Tell = Callable[[str], None]


def settle(book: Book, tell: Tell) -> None:
    """Judge measurements as they come out of the worker, until none is left; failures end it."""
    last_change, last_told, last_open = time.monotonic(), time.monotonic(), -1
    while True:
        for measurement in _computed(book):
            judge(book, measurement)
        _refuse_failures(book)
        still_open = _mine(book).filter(job_state__in=[JobState.WAITING, JobState.RUNNING]).count()
        if still_open == 0 and not _computed(book):
            return
        if still_open != last_open:
            last_change, last_open = time.monotonic(), still_open
        if time.monotonic() - last_told > TELL_EVERY_SECONDS:
            last_told = time.monotonic()
            tell(_where_it_stands(book))
        if time.monotonic() - last_change > LONGEST_SILENCE_SECONDS:
            raise DemoRefused(
                f"{still_open} measurements wait and no worker has finished one for five minutes."
            )
        time.sleep(LOOK_EVERY_SECONDS)


def judge(book: Book, measurement: Measurement) -> None:
    """One computed measurement: submitted by its surveyor, then looked over by the lead."""
    key = (measurement.pile.code, measurement.surveyed_on)
    state_what_is_known(measurement)
    if measurement.submitted_at is None:
        review.submit(measurement, measurement.prepared_by)
    if measurement.version == 1 and key in SENT_BACK:
        review.send_back(measurement, book.cast.lead, SENT_BACK[key])
        return
    fooled = key == WRONG_POLE and measurement.version == 1
    for finding in review.open_findings(measurement):
        reason = ACCEPTED_IN_APRIL if fooled else ACCEPTED_BECAUSE
        review.accept_finding(measurement, finding["code"], book.cast.lead, reason)
    accept_books_of(measurement, book)
    review.review(measurement, book.cast.lead)
    if measurement.surveyed_on != WAITING_FOR_APPROVAL.surveyed_on:
        review.approve(measurement, book.cast.lead)


WENT_WRONG: dict[tuple[str, date], Callable[[Book], object]] = {
    WRONG_POLE: lambda book: send_correction(book, *WRONG_POLE, CORRECTED_IN_MAY),
    LOST_CODES: lambda book: send_correction(book, *LOST_CODES, CODES_SENT_AGAIN),
    OLD_BASE: lambda book: measure_again(book, *OLD_BASE, RIGHT_BASE),
    POLE_OF_ONE_SETUP: lambda book: _with_the_right_pole(book),
}
"""What went wrong in the year, and what puts it right."""


def put_right(book: Book, wrong: Iterable[tuple[str, date]] = tuple(WENT_WRONG)) -> None:
    """Ask for the second versions of the surveys that went wrong, unless they exist."""
    for key in wrong:
        if not _has_version_two(book, key):
            WENT_WRONG[key](book)


def _with_the_right_pole(book: Book) -> None:
    correct_the_pole(book)
    measure_again(book, *POLE_OF_ONE_SETUP, POLE_READ_AGAIN)


def _has_version_two(book: Book, key: tuple[str, date]) -> bool:
    pile, on = key
    return _mine(book).filter(pile__code=pile, surveyed_on=on, version=2).exists()


def _mine(book: Book):  # type: ignore[no-untyped-def]
    return Measurement.objects.filter(survey__site__organization=book.cast.organization)


def _computed(book: Book) -> list[Measurement]:
    rows = _mine(book).filter(state=State.COMPUTED).order_by("surveyed_on", "pile__code", "version")
    return list(rows.select_related("survey__site__organization", "pile", "prepared_by"))


def _refuse_failures(book: Book) -> None:
    failed = _mine(book).filter(job_state=JobState.FAILED).exclude(state=State.WITHDRAWN)
    told = [f"{row}: {(row.error or {}).get('message', 'no reason given')}" for row in failed]
    if told:
        raise DemoRefused("; ".join(told))


def _where_it_stands(book: Book) -> str:
    all_n = _mine(book).count()
    done_n = _mine(book).filter(job_state=JobState.DONE).count()
    if done_n == 0:
        return f"0 of {all_n} measured: the worker compiles its loops, once on each machine"
    approved_n = _mine(book).filter(state__in=[State.APPROVED, State.SUPERSEDED]).count()
    return f"{done_n} of {all_n} measured, {approved_n} approved"
