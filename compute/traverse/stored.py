"""Coordinates as the instrument itself stored them, beside those from the observations.

An instrument stores its shots from the station and back-sight coordinates it was given on the day. When the
stations are adjusted afterwards, each set-up's shots can be moved with its station.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from compute.errors import BadOption
from compute.traverse.angles import azimuth_between, half_turn
from compute.traverse.book import TraverseFile
from compute.traverse.detail import Place, Shot
from compute.traverse.solve import TraverseResult
from compute.units import FOOT_M, LENGTH_IN_M

TOLERANCE_M = float(FOOT_M) / 100.0
"""A hundredth of a foot. Common practice, no source."""


@dataclass(frozen=True)
class StoredPoint:
    """A point as stored, in the book's unit."""

    point: str
    northing: float
    easting: float
    elevation: float | None = None

    @property
    def place(self) -> Place:
        return self.northing, self.easting, self.elevation


@dataclass(frozen=True)
class StoredDifference:
    """Stored minus computed, in the book's unit; `kind` station or shot. `beyond` the tolerance in plan or in
    height."""

    point: str
    kind: str
    northing: float
    easting: float
    plan: float
    height: float | None
    beyond: bool


@dataclass(frozen=True)
class SetupMove:
    """A set-up as the instrument knew it and as it was adjusted: its station and its back-sight."""

    setup: str
    stored_station: Place
    stored_backsight: Place
    station: Place
    backsight: Place

    @property
    def turn_deg(self) -> float:
        """Clockwise turn of the line to the back-sight."""
        before = azimuth_between(*_step(self.stored_station, self.stored_backsight))
        return half_turn(azimuth_between(*_step(self.station, self.backsight)) - before)


def stored_of(file: TraverseFile) -> tuple[StoredPoint, ...]:
    """The coordinates in the book's own columns, the first for each point."""
    found: dict[str, StoredPoint] = {}
    for s in file.sights:
        if s.northing is not None and s.easting is not None:
            found.setdefault(s.to, StoredPoint(s.to, s.northing, s.easting, s.elevation))
    return tuple(found.values())


def compare_stored(
    result: TraverseResult, stored: tuple[StoredPoint, ...], tolerance_m: float = TOLERANCE_M
) -> tuple[StoredDifference, ...]:
    """Each stored point against the adjusted station or the shot of its name; points of other names are left
    out. Nothing to compare with where a misclosure stopped the adjustment. The largest first."""
    if not (math.isfinite(tolerance_m) and tolerance_m > 0.0):
        raise BadOption(f"A tolerance of {tolerance_m} m accepts nothing.", where="tolerance")
    tolerance = tolerance_m / float(LENGTH_IN_M[result.request.unit])
    computed = {s.point: ("shot", s.place) for s in result.shots}
    computed |= {name: ("station", place) for name, place in (result.stations or {}).items()}
    found = []
    for point in stored:
        if point.point not in computed:
            continue
        kind, place = computed[point.point]
        north, east = point.northing - place[0], point.easting - place[1]
        up = None if point.elevation is None or place[2] is None else point.elevation - place[2]
        plan = math.hypot(north, east)
        beyond = max(plan, abs(up or 0.0)) > tolerance * (1.0 + 1e-9)
        found.append(StoredDifference(point.point, kind, north, east, plan, up, beyond))
    return tuple(sorted(found, key=lambda d: (-max(d.plan, abs(d.height or 0.0)), d.point)))


def moves_of(result: TraverseResult, stored: tuple[StoredPoint, ...]) -> tuple[SetupMove, ...]:
    """The set-ups whose station and back-sight are both stored and adjusted."""
    known = {p.point: p.place for p in stored}
    adjusted = dict(result.request.control.stations) | (result.stations or {})
    if result.book is None:
        return ()
    return tuple(
        SetupMove(s.name, known[s.at], known[s.backsight.to], adjusted[s.at], adjusted[s.backsight.to])
        for s in result.book.setups
        if {s.at, s.backsight.to} <= known.keys() & adjusted.keys()
    )


def move_with_stations(shots: tuple[Shot, ...], moves: tuple[SetupMove, ...]) -> tuple[Shot, ...]:
    """Each set-up's shots shifted with its station and turned with its back-sight; heights go with the
    station's. Shots of set-ups without a move stay. Distances are not scaled: they were measured."""
    of_setup = {move.setup: move for move in moves}
    return tuple(_moved(shot, of_setup[shot.setup]) if shot.setup in of_setup else shot for shot in shots)


def stored_shots(result: TraverseResult, stored: tuple[StoredPoint, ...]) -> tuple[Shot, ...]:
    """The book's shots with the coordinates that were stored for them; shots without are left out."""
    known = {p.point: p.place for p in stored}
    return tuple(replace(s, place=known[s.point]) for s in result.shots if s.point in known)


def _moved(shot: Shot, move: SetupMove) -> Shot:
    north, east = _step(move.stored_station, shot.place)
    angle = math.radians(move.turn_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    up = shot.place[2]
    if up is not None and move.stored_station[2] is not None and move.station[2] is not None:
        up += move.station[2] - move.stored_station[2]
    place = (
        move.station[0] + north * cos - east * sin,
        move.station[1] + north * sin + east * cos,
        up,
    )
    return replace(shot, place=place)


def _step(a: Place, b: Place) -> tuple[float, float]:
    return b[0] - a[0], b[1] - a[1]
