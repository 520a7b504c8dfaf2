"""Shots as a crew takes them: from several set-ups, toe first, then crest, breaklines, faces and floor.

Every shot lies on the true surface where the pole stood, plus what an instrument and a pole add. The
generator is seeded by pile and date, so that the same demo has the same bytes wherever it is built.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from surveys.demo.shapes import Heap
from surveys.demo.walks import Walk, walks_over
from surveys.demo.yard import SITE, DemoPile

FloatArray = NDArray[np.float64]

PLAN_NOISE_M = 0.010
HEIGHT_NOISE_M = 0.012
SETUP_BIAS_M = 0.004
DAY_BIAS_M = 0.006
TOE_JUDGEMENT_M = 0.05
"""Where exactly the toe is, two people see differently by about this much."""
CHECK_NOISE_M = 0.004
OVERLAP_SHOTS = 2
POLES_M = ("1.800", "2.000", "2.200")


@dataclass(frozen=True)
class Shot:
    """One line of a point file, metres."""

    point: str
    northing_m: float
    easting_m: float
    elevation_m: float
    code: str
    note: str = ""


class _Book:
    """The list of shots of one day on one pile, numbered as they come."""

    def __init__(self, first_point: int) -> None:
        self.next_point = first_point
        self.shots: list[Shot] = []

    def write(self, e_m: float, n_m: float, z_m: float, code: str, note: str = "", point: str = "") -> None:
        if not point:
            point, self.next_point = str(self.next_point), self.next_point + 1
        self.shots.append(Shot(point, n_m, e_m, z_m, code, note))


def shoot(pile: DemoPile, heap: Heap, on: date, first_point: int = 1) -> tuple[Shot, ...]:
    """The shots of one pile on one day, numbered from `first_point` in the order they were taken."""
    rng = np.random.default_rng([pile.seed, on.toordinal()])
    stations = stations_around(pile, heap)
    control = SITE[pile.site].control_m
    walks, floor = walks_over(heap, pile.spots_m, pile.tops_m, rng)
    bearings = np.array([_bearing(heap, control[name][1], control[name][0]) for name in stations])
    day_bias_m = rng.normal(0.0, DAY_BIAS_M)
    book = _Book(first_point)
    for number, station in enumerate(stations):
        bias_m = day_bias_m + rng.normal(0.0, SETUP_BIAS_M)
        _occupy(book, control, station, stations[number - 1], rng)
        for walk in walks:
            for place in _part_seen(walk, heap, bearings, number, rng):
                _pole(book, heap, place, walk.code, bias_m, rng)
        for place in _part_seen(Walk("FLR", floor), heap, bearings, number, rng):
            _pole(book, heap, place, "FLR", bias_m, rng)
    _check(book, control[stations[0]], rng, f"closing on {stations[0]}")
    return tuple(book.shots)


def raised(shots: tuple[Shot, ...], by_m: float) -> tuple[Shot, ...]:
    """The same shots reduced with a wrong pole height: all but the occupied stations move."""
    return tuple(s if s.code == "CTL" else replace(s, elevation_m=s.elevation_m + by_m) for s in shots)


def stations_around(pile: DemoPile, heap: Heap) -> tuple[str, ...]:
    """The nearest station in each quarter around the pile; in front of a bay only those that see into it."""
    centre_e, centre_n = heap.centre_m
    nearest: dict[int, tuple[float, str]] = {}
    for name, (northing, easting, _) in SITE[pile.site].control_m.items():
        if heap.walls_m is not None and northing > heap.walls_m[:, 1].min():
            continue
        quarter = int(np.floor(_bearing(heap, easting, northing) / (0.5 * np.pi))) % 4
        distance_m = float(np.hypot(northing - centre_n, easting - centre_e))
        if quarter not in nearest or distance_m < nearest[quarter][0]:
            nearest[quarter] = (distance_m, name)
    return tuple(nearest[quarter][1] for quarter in sorted(nearest))


def _bearing(heap: Heap, easting_m: float, northing_m: float) -> float:
    return float(np.arctan2(northing_m - heap.centre_m[1], easting_m - heap.centre_m[0]))


def _occupy(
    book: _Book,
    control: dict[str, tuple[float, float, float]],
    station: str,
    backsight: str,
    rng: np.random.Generator,
) -> None:
    """The first lines of a set-up: the station itself, and the backsight measured again."""
    instrument_m = 1.5 + 0.001 * int(rng.integers(0, 160))
    pole = POLES_M[int(rng.integers(0, len(POLES_M)))]
    northing, easting, elevation = control[station]
    told = f"set-up {station} hi {instrument_m:.3f} hp {pole}"
    book.write(easting, northing, elevation, "CTL", told, point=station)
    _check(book, control[backsight], rng, f"backsight {backsight}")


def _check(book: _Book, known: tuple[float, float, float], rng: np.random.Generator, note: str) -> None:
    off_n, off_e, off_z = rng.normal(0.0, CHECK_NOISE_M, 3)
    book.write(known[1] + off_e, known[0] + off_n, known[2] + off_z, "CHK", note)


def _part_seen(
    walk: Walk, heap: Heap, bearings: FloatArray, owner: int, rng: np.random.Generator
) -> FloatArray:
    """(K, 2) the part of a walk that this set-up sees best, in the order of walking.

    At both ends of its part of the toe a set-up goes on a little over what the next one takes, a step
    beside those shots: that overlap is how the office finds a wrong pole.
    """
    places = walk.places_m
    if places.shape[0] == 0:
        return places
    sides = np.arctan2(places[:, 1] - heap.centre_m[1], places[:, 0] - heap.centre_m[0])
    owners = np.argmax(np.cos(bearings[:, None] - sides[None, :]), axis=0)
    mine = np.flatnonzero(owners == owner)
    if mine.size == 0 or walk.code != "TOE" or mine.size == places.shape[0]:
        return places[mine]
    gaps = np.diff(mine)
    if gaps.size and gaps.max() > 1:
        # The part runs through the start of the ring: begin after the hole.
        cut = int(np.argmax(gaps)) + 1
        mine = np.concatenate([mine[cut:], mine[:cut]])
    last = places.shape[0] - 1
    closed = heap.walls_m is None
    beyond = [int(mine[-1]) + step for step in range(1, OVERLAP_SHOTS + 1)]
    beyond = [i % (last + 1) for i in beyond] if closed else [i for i in beyond if i <= last]
    extra = [_beside(places, i, rng) for i in beyond]
    return np.concatenate([places[mine], np.array(extra).reshape(-1, 2)])


def _beside(places: FloatArray, index: int, rng: np.random.Generator) -> FloatArray:
    """A place on the toe about a third of the way back towards the shot before."""
    share = rng.uniform(0.25, 0.45)
    return (1.0 - share) * places[index] + share * places[index - 1]


def _pole(
    book: _Book, heap: Heap, place: FloatArray, code: str, bias_m: float, rng: np.random.Generator
) -> None:
    """One shot: the pole stands on the surface there, the record is a little off."""
    e, n = float(place[0]), float(place[1])
    if code == "TOE":
        out_m = rng.normal(0.0, TOE_JUDGEMENT_M)
        away = place - heap.centre_m if heap.walls_m is None else np.array([0.0, -1.0])
        away = away / np.hypot(*away)
        e, n = e + out_m * float(away[0]), n + out_m * float(away[1])
    z = float(heap.surface_m(np.array(e), np.array(n)))
    off_e, off_n = rng.normal(0.0, PLAN_NOISE_M, 2)
    off_z = rng.normal(0.0, HEIGHT_NOISE_M)
    book.write(e + off_e, n + off_n, z + off_z + bias_m, code)
