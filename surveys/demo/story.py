"""What happens in the invented year: which crew goes where on which day and what it sends.

Surveys of the year go wrong in ways that surveys do go wrong, and are put right:

* April, DRV-05: the pole stood at 2.200 m and was entered as 2.000 m, so that every shot is 0.20 m high.
* June, KTV-01: the export lost its code column, so that three control stations are taken for spots.
* September, TUL-03: measured against the pad as it was before the regrade of 5 September.

Kettlevarn sends field books, and two of them hold a mistake that the tool finds:

* March, KTV-02: the circle was misread by ten minutes at one set-up, so that the traverse does not close.
* October, KTV-01: the pole of one set-up stood at 6.50 ft and was written as 6.00 ft.

January 2026 is under way: one pile waits for approval, one file was refused, one waits for its columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from itertools import groupby

from surveys.demo.crew import Shot, raised, shoot
from surveys.demo.fieldbook import Mistake, field_book
from surveys.demo.fieldfiles import FieldFile, outline_around, without_codes, without_heading, written
from surveys.demo.monthly import Wanted, heap_on, wanted
from surveys.demo.yard import PILE

WRONG_POLE = ("DRV-05", date(2025, 4, 30))
WRONG_POLE_M = 0.20
LOST_CODES = ("KTV-01", date(2025, 6, 29))
STATION_BLOCKED = ("K5",)
"""A lorry stood on it in June, so that three stations were occupied."""
OLD_BASE = ("TUL-03", date(2025, 9, 27))
MISREAD = ("KTV-02", date(2025, 3, 28))
MISREAD_MINUTES = 10
POLE_OF_ONE_SETUP = ("KTV-01", date(2025, 10, 28))
POLE_FT, POLE_WRITTEN_FT = 6.5, 6.0
MISTAKES: dict[tuple[str, date], Mistake] = {
    MISREAD: Mistake(3, misread_deg=MISREAD_MINUTES / 60.0),
    POLE_OF_ONE_SETUP: Mistake(2, pole_ft=POLE_WRITTEN_FT),
}

WAITING_FOR_APPROVAL = Wanted("DRV-05", date(2026, 1, 29), 14_240.0, 2_470.0)
REFUSED = Wanted("DRV-02", date(2026, 1, 30), 10_720.0, 2_050.0)
COLUMNS_UNCLEAR = (
    Wanted("KTV-01", date(2026, 1, 29), 11_840.0, 2_180.0),
    Wanted("KTV-02", date(2026, 1, 29), 7_460.0, 1_690.0),
)


@dataclass(frozen=True)
class Visit:
    """One crew at one site on one day, and the piles it measures."""

    site: str
    on: date
    piles: tuple[Wanted, ...]


def visits_of_the_year() -> tuple[Visit, ...]:
    """Every visit of 2025 in order of date and site."""
    days = sorted(wanted(), key=lambda want: (want.surveyed_on, want.pile))
    grouped = groupby(days, key=lambda want: (want.surveyed_on, want.pile[:3]))
    return tuple(Visit(site, on, tuple(piles)) for (on, site), piles in grouped)


def files_of(visit: Visit) -> tuple[FieldFile, ...]:
    """One file of the whole yard in even months, one for each pile in odd ones or for a single pile.

    Kettlevarn sends the field book of each pile. The wrong files of the year come as they were first sent.
    """
    site, on = visit.site, visit.on
    if site == "KTV":
        return tuple(
            _wrong_file(want) if (want.pile, on) == LOST_CODES else book_file(want) for want in visit.piles
        )
    ordinary = [want for want in visit.piles if (want.pile, on) not in (WRONG_POLE, LOST_CODES)]
    if on.month % 2 == 0 and len(ordinary) > 1:
        shots = [shot for part in _one_after_another(ordinary) for shot in part]
        files = [FieldFile(f"{site}-{on}{_ending(site)}", written(site, shots))]
    else:
        parts = zip(ordinary, _one_after_another(ordinary), strict=True)
        files = [_pile_file(want, written(site, shots)) for want, shots in parts]
    return (*files, *(_wrong_file(want) for want in visit.piles if want not in ordinary))


def book_file(want: Wanted) -> FieldFile:
    """The field book of one pile on one day, with the mistake that the story gives it."""
    pile, on = PILE[want.pile], want.surveyed_on
    data = field_book(
        pile.site, shoot(pile, heap_on(want), on), (pile.seed, on), MISTAKES.get((want.pile, on))
    )
    return FieldFile(f"{want.pile}-{on}-book.csv", data, want.pile if on.month % 2 else "")


def _one_after_another(piles: list[Wanted]) -> list[tuple[Shot, ...]]:
    """The shots of several piles of a day; point numbers run on."""
    taken: list[tuple[Shot, ...]] = []
    first_point = 1
    for want in piles:
        shots = shoot(PILE[want.pile], heap_on(want), want.surveyed_on, first_point)
        first_point += sum(shot.point.isdigit() for shot in shots)
        taken.append(shots)
    return taken


def _pile_file(want: Wanted, data: bytes, suffix: str = "") -> FieldFile:
    name = f"{want.pile}-{want.surveyed_on}{suffix}{_ending(want.pile[:3])}"
    return FieldFile(name, data, want.pile)


def _ending(site: str) -> str:
    return ".txt" if site == "KTV" else ".csv"


# --- what goes wrong, and the files that put it right ----------------------------------------------


def _wrong_file(want: Wanted) -> FieldFile:
    if (want.pile, want.surveyed_on) == WRONG_POLE:
        # Nobody took a check shot that day: it would have shown the 0.20 m at once.
        shots = tuple(s for s in raised(_shots_put_right(want), WRONG_POLE_M) if s.code != "CHK")
        return _pile_file(want, written(want.pile[:3], shots))
    return _pile_file(want, without_codes(corrected_file(want).data))


def corrected_file(want: Wanted) -> FieldFile:
    """The file that replaces a wrong one."""
    return _pile_file(want, written(want.pile[:3], _shots_put_right(want)), "-corrected")


def _shots_put_right(want: Wanted) -> tuple[Shot, ...]:
    blocked = STATION_BLOCKED if (want.pile, want.surveyed_on) == LOST_CODES else ()
    return shoot(PILE[want.pile], heap_on(want), want.surveyed_on, without=blocked)


def wanted_on(pile: str, on: date) -> Wanted:
    """The pile-month of the story; `StopIteration` for one that is not in it."""
    return next(want for want in wanted() if (want.pile, want.surveyed_on) == (pile, on))


# --- January 2026, under way -----------------------------------------------------------------------


WAITING_VISIT = Visit("DRV", WAITING_FOR_APPROVAL.surveyed_on, (WAITING_FOR_APPROVAL,))
REFUSED_VISIT = Visit("DRV", REFUSED.surveyed_on, (REFUSED,))
UNCLEAR_VISIT = Visit("KTV", COLUMNS_UNCLEAR[0].surveyed_on, COLUMNS_UNCLEAR)


def refused_file() -> FieldFile:
    """A file that was edited by hand on the way: decimal commas, an empty height, a word for a number."""
    (file,) = files_of(REFUSED_VISIT)
    return FieldFile(file.name, spoiled(file.data), file.pile)


def unclear_file() -> FieldFile:
    """A yard file that lost its first line: which column is northing is a question for a person."""
    shots = [shot for part in _one_after_another(list(COLUMNS_UNCLEAR)) for shot in part]
    data = without_heading(written(UNCLEAR_VISIT.site, shots))
    return FieldFile(f"KTV-{UNCLEAR_VISIT.on}.txt", data)


def spoiled(data: bytes) -> bytes:
    """A comma-separated file with four lines damaged in three ways."""
    lines = data.decode("utf-8").split("\n")
    for number, column, harm in ((57, 3, "comma"), (58, 3, "comma"), (90, 3, "empty"), (121, 1, "word")):
        fields = lines[number - 1].split(",")
        if harm == "comma":
            fields[column] = f'"{fields[column].replace(".", ",")}"'
        else:
            fields[column] = "" if harm == "empty" else "see sketch"
        lines[number - 1] = ",".join(fields)
    return "\n".join(lines).encode("utf-8")


@cache
def outlines() -> dict[str, list[list[float]]]:
    """Pile code → the outline that the book gets: around every toe of the year and of January."""
    heaps: dict[str, list[Wanted]] = {}
    for want in (*wanted(), WAITING_FOR_APPROVAL, REFUSED, *COLUMNS_UNCLEAR):
        heaps.setdefault(want.pile, []).append(want)
    return {pile: outline_around(heap_on(want) for want in wants) for pile, wants in heaps.items()}
