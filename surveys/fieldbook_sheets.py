"""What pages, print and the API show of a reduction: tables and the geometry of the network.

Lengths are in the unit of the book, angles in degrees and seconds of arc, as a surveyor checks them by hand.
Everything is worked out again from the pinned request, so that nothing can be shown that was not computed.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from compute.traverse.least_squares import Ellipse
from compute.traverse.tables import both_adjustments, reduction_table
from surveys.fieldbook_solving import SolvedBook, solve_book
from surveys.models import BookReduction


@dataclass(frozen=True)
class NetworkStation:
    """`held` fixed, `beside`: known but only compared, else `new`. `ellipse`: one standard deviation."""

    name: str
    northing: float
    easting: float
    elevation: float | None
    standing: str
    occupied: bool
    ellipse: Ellipse | None


@dataclass(frozen=True)
class NetworkLine:
    """A course of the traverse, or a sight to a mark (`course` False); azimuth in degrees."""

    start: str
    end: str
    azimuth_deg: float | None
    distance: float | None
    course: bool


@dataclass(frozen=True)
class Network:
    """The traverse to scale, in the unit of the book.

    Before an adjustment (`adjusted` False) stations lie where the courses put them one after another, so that
    the gap of the misclosure shows. `misclosure`: (latitude, departure), computed minus known, at
    `closes_on`.
    """

    stations: tuple[NetworkStation, ...]
    lines: tuple[NetworkLine, ...]
    misclosure: tuple[float, float] | None
    closes_on: str
    unit: str
    adjusted: bool


def sheet_of(reduction: BookReduction) -> SolvedBook:
    """The reduction solved once more from its pins; the others take it, so that a page solves once."""
    return solve_book(reduction.request, reduction.file.survey.site.organization_id)


def reduction_rows(solved: SolvedBook) -> list[dict[str, Any]]:
    """Every sight in the order of the book, from what was read to what it gives."""
    return [asdict(row) for row in reduction_table(solved.result)]


def closure_of(solved: SolvedBook) -> dict[str, Any]:
    """The closure sheet: misclosures with what is accepted, courses, both adjustments, residuals."""
    record, run = solved.record, solved.result.run
    both = both_adjustments(solved.result)
    return {
        "kind": run.closure.kind,
        "sum_kind": run.closure.sum_kind,
        "angles": run.closure.angles,
        "height_allowed": run.closure.height_allowed,
        "smallest_ratio": solved.result.request.limits.smallest_ratio,
        "closure": record["closure"],
        "courses": record["courses"],
        "stations": record["stations"],
        "adjustments": None if both is None else asdict(both),
        "corrections": record["corrections"],
        "settings": record["settings"],
        "free_stations": record["free_stations"],
        "findings": record["findings"],
        "unit": solved.unit,
    }


def stored_differences(solved: SolvedBook) -> list[dict[str, Any]]:
    """Stored minus reduced by point, the largest first; empty where nothing stored was brought beside."""
    return list(solved.record.get("stored", []))


def network_of(solved: SolvedBook, beside: frozenset[str] = frozenset()) -> Network:
    """Stations, courses and sights of the book, for a drawing to scale. `beside`: marks only compared."""
    result = solved.result
    assert result.book is not None
    places = _places(solved)
    both = both_adjustments(result)
    ellipses = {} if both is None else {row.station: row.ellipse for row in both.rows}
    held, occupied = set(result.request.control.stations), {setup.at for setup in result.book.setups}
    stations = tuple(
        NetworkStation(
            name,
            *place,
            "held" if name in held else "beside" if name in beside else "new",
            name in occupied,
            None if name in held else ellipses.get(name),
        )
        for name, place in places.items()
    )
    closure = result.run.closure
    off_north, off_east = closure.latitude, closure.departure
    gap = None if off_north is None or off_east is None else (off_north, off_east)
    names = result.run.traverse.stations
    return Network(stations, _lines(solved, set(places)), gap, names[-1], solved.unit, solved.closes)


def _places(solved: SolvedBook) -> dict[str, tuple[float, float, float | None]]:
    """Adjusted places; where the book does not close, those of the courses laid one after another."""
    result = solved.result
    known = dict(result.run.control.stations)
    if result.stations is not None:
        return known | result.stations
    names = result.run.traverse.stations
    north, east, _ = known.get(names[0], (0.0, 0.0, None))
    laid: dict[str, tuple[float, float, float | None]] = {names[0]: (north, east, None)}
    steps = zip(names[1:], result.run.latitude.tolist(), result.run.departure.tolist(), strict=True)
    for name, latitude, departure in steps:
        north, east = north + latitude, east + departure
        laid.setdefault(name, (north, east, None))
    return known | laid


def _lines(solved: SolvedBook, drawn: set[str]) -> tuple[NetworkLine, ...]:
    courses = [
        NetworkLine(one["from"], one["to"], one["azimuth_deg"], one["distance"], True)
        for one in solved.record["courses"]
    ]
    there = {frozenset((line.start, line.end)) for line in courses}
    assert solved.result.book is not None
    sights = [
        NetworkLine(setup.at, target.to, None, target.distance, False)
        for setup in solved.result.book.setups
        for target in setup.targets
        if target.kind != "shot" and {setup.at, target.to} <= drawn
    ]
    aside = {frozenset((line.start, line.end)): line for line in reversed(sights)}
    return (*courses, *(line for pair, line in aside.items() if pair not in there))
