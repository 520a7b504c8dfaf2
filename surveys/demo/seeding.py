"""The demo from an empty database to a year of approved stock, in the order in which things happened.

Every step looks first whether it was taken: run again, it goes on from what is there.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from surveys.demo.book import Book
from surveys.demo.cast import assemble
from surveys.demo.checking import Tell, put_right, settle
from surveys.demo.evidence import send, send_unmeasured
from surveys.demo.story import (
    OLD_BASE,
    REFUSED_VISIT,
    UNCLEAR_VISIT,
    WAITING_VISIT,
    Visit,
    refused_file,
    unclear_file,
    visits_of_the_year,
)
from surveys.demo.yard import MERGED_ON, SAND_REVISED_ON

KTV_CONTROL_ENTERED_ON = date(2025, 7, 2)
"""The lost codes of June showed that nobody had ever entered the control of Kettlevarn."""


def seed(tell: Tell, visits: tuple[Visit, ...] | None = None) -> Book:
    """Set the yard up, send the files and judge what comes out. A worker must be running.

    `visits` in order of date; all of the year where none are given. Raises `DemoRefused`.
    """
    book = Book(assemble())
    tell("Sites, materials, densities, piles and bases")
    book.open_the_year()
    send_the_year(book, visits_of_the_year() if visits is None else visits, tell)
    tell("Measuring; the lead surveyor looks over what comes out")
    settle(book, tell)
    tell("Putting right what went wrong in April, June, September and October")
    put_right(book)
    settle(book, tell)
    return book


def send_the_year(book: Book, visits: tuple[Visit, ...], tell: Tell) -> None:
    """Visits and what happens between them, by date; then January, which is still under way."""
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
    send(book, WAITING_VISIT)
    send_unmeasured(book, REFUSED_VISIT, refused_file())
    send_unmeasured(book, UNCLEAR_VISIT, unclear_file())
