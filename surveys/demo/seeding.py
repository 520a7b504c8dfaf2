"""The demo from an empty database to a year of approved stock, in the order in which things happened.

Every step looks first whether it was taken: run again, it goes on from what is there.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from surveys.demo.accounts import open_the_books
from surveys.demo.book import Book
from surveys.demo.cast import assemble
from surveys.demo.checking import WENT_WRONG, Tell, put_right, settle
from surveys.demo.evidence import send, send_unmeasured
from surveys.demo.months import Months
from surveys.demo.story import (
    LOST_CODES,
    OLD_BASE,
    POLE_OF_ONE_SETUP,
    REFUSED_VISIT,
    UNCLEAR_VISIT,
    WAITING_VISIT,
    WRONG_POLE,
    Visit,
    refused_file,
    unclear_file,
    visits_of_the_year,
)
from surveys.demo.ticketfiles import MONTHS
from surveys.demo.yard import MERGED_ON, SAND_REVISED_ON

KTV_CONTROL_ENTERED_ON = date(2025, 7, 2)
"""The lost codes of June showed that nobody had ever entered the control of Kettlevarn."""


def seed(tell: Tell, visits: tuple[Visit, ...] | None = None) -> Book:
    """Set the yard up, send the files and judge what comes out. A worker must be running.

    `visits` in order of date, measured and approved; without any, the whole year with its books, closed
    month by month. Raises `DemoRefused`.
    """
    book = Book(assemble())
    tell("Sites, materials, densities, piles and bases")
    book.open_the_year()
    if visits is None:
        whole_year(book, tell)
    else:
        send_visits(book, visits, tell)
        send_january(book)
        measure_and_settle(book, tuple(WENT_WRONG), tell)
    return book


def whole_year(book: Book, tell: Tell) -> None:
    """Six months, the merge on 1 July, six more. April is locked before anybody finds what is wrong in it."""
    open_the_books(book)
    months = Months(book)
    visits = visits_of_the_year()
    send_visits(book, tuple(v for v in visits if v.on < MERGED_ON), tell)
    measure_and_settle(book, (LOST_CODES,), tell)
    close(months, MONTHS[:4], tell)
    tell("May: the wrong pole of April is found; its certificate is superseded")
    put_right(book, (WRONG_POLE,))
    settle(book, tell)
    close(months, MONTHS[4:6], tell)
    send_visits(book, tuple(v for v in visits if v.on >= MERGED_ON), tell)
    send_january(book)
    measure_and_settle(book, (OLD_BASE, POLE_OF_ONE_SETUP), tell)
    close(months, MONTHS[6:], tell)


def measure_and_settle(book: Book, wrong: tuple[tuple[str, date], ...], tell: Tell) -> None:
    tell("Measuring; the lead surveyor looks over what comes out")
    settle(book, tell)
    tell("Putting right what went wrong")
    put_right(book, wrong)
    settle(book, tell)


def close(months: Months, wanted: tuple[str, ...], tell: Tell) -> None:
    for month in wanted:
        tell(f"Tickets of {month}; the month is reconciled, approved and locked")
        months.take_in(month)
        months.close(month)


def send_visits(book: Book, visits: tuple[Visit, ...], tell: Tell) -> None:
    """Visits and what happens between them, by date."""
    events: list[tuple[date, Callable[[], None]]] = [
        (MERGED_ON, book.merge_the_stone),
        (KTV_CONTROL_ENTERED_ON, book.enter_control_of_kettlevarn),
        # The September survey of the coal was measured before anybody had entered the new pad.
        (OLD_BASE[1], book.raise_the_coal_pad),
        (SAND_REVISED_ON, book.revise_the_sand),
    ]
    month = 0
    for visit in visits:
        while events and events[0][0] < visit.on:
            events.pop(0)[1]()
        if visit.on.month != month:
            month = visit.on.month
            tell(f"Files of {visit.on:%B %Y}")
        send(book, visit)


def send_january(book: Book) -> None:
    """January 2026 is still under way."""
    send(book, WAITING_VISIT)
    send_unmeasured(book, REFUSED_VISIT, refused_file())
    send_unmeasured(book, UNCLEAR_VISIT, unclear_file())
