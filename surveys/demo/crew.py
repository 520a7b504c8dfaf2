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
from surveys.demo.walks import SPOT_FROM_M, Walk, walks_over
from surveys.demo.yard import SITE, DemoPile

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

PLAN_NOISE_M = 0.010
HEIGHT_NOISE_M = 0.012
SETUP_BIAS_M = 0.004
DAY_BIAS_M = 0.006
TOE_JUDGEMENT_M = 0.05
"""Where exactly the toe is, two people see differently by about this much."""
CHECK_NOISE_M = 0.004
OVERLAP_SHOTS = 2
STRIPS_AT = "KTV"
"""This crew shoots a strip of the next set-up's face as well, so that the office can compare the two."""
STRIP_SHOTS = 14
STRIP_SHIFT_M = 0.9
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
    """The list of shots of one day on one pile; points and strings are numbered as they come."""

    def __init__(self, first_point: int) -> None:
        self.next_point = first_point
        self.strings: dict[str, int] = {}
        self.shots: list[Shot] = []

    def write(self, e_m: float, n_m: float, z_m: float, code: str, note: str = "", point: str = "") -> None:
        if not point:
            point, self.next_point = str(self.next_point), self.next_point + 1
        self.shots.append(Shot(point, n_m, e_m, z_m, code, note))

    def new_string(self, code: str) -> str:
        self.strings[code] = self.strings.get(code, 0) + 1
        return f"{code} {self.strings[code]}"


def shoot(
    pile: DemoPile, heap: Heap, on: date, first_point: int = 1, without: tuple[str, ...] = ()
) -> tuple[Shot, ...]:
    """The shots of one pile on one day, numbered from `first_point` in the order they were taken.

    `without` names stations that could not be occupied that day.
    """
    rng = np.random.default_rng([pile.seed, on.toordinal()])
    stations = tuple(name for name in stations_around(pile, heap) if name not in without)
    control = SITE[pile.site].control_m
    walks, floor = walks_over(heap, pile.spots_m, pile.tops_m, rng)
    seen = [
        _shared_out(walk, heap, _bearings(heap, control, stations)) for walk in (*walks, Walk("FLR", floor))
    ]
    day_bias_m = rng.normal(0.0, DAY_BIAS_M)
    book = _Book(first_point)
    strips = np.random.default_rng([pile.seed, on.toordinal(), 5])
    for number, station in enumerate(stations):
        bias_m = day_bias_m + rng.normal(0.0, SETUP_BIAS_M)
        _occupy(book, control, station, stations[number - 1], rng)
        for walk, parts in zip((*walks, Walk("FLR", floor)), seen, strict=True):
            for part in parts[number]:
                _shoot_part(book, heap, walk, part, bias_m, rng)
        if pile.site == STRIPS_AT:
            _shoot_strip(book, heap, walks[-1], seen[len(walks) - 1], number, bias_m, strips)
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


def _bearings(
    heap: Heap, control: dict[str, tuple[float, float, float]], stations: tuple[str, ...]
) -> FloatArray:
    return np.array([_bearing(heap, control[name][1], control[name][0]) for name in stations])


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


def _shared_out(walk: Walk, heap: Heap, bearings: FloatArray) -> list[list[IntArray]]:
    """For each set-up the parts of a walk that it sees best, as lists of indices in order of walking."""
    places = walk.places_m
    if places.shape[0] == 0:
        return [[] for _ in bearings]
    sides = np.arctan2(places[:, 1] - heap.centre_m[1], places[:, 0] - heap.centre_m[0])
    owners = np.argmax(np.cos(bearings[:, None] - sides[None, :]), axis=0)
    if walk.from_one:
        owners[:] = np.bincount(owners).argmax()
    if not walk.is_string and walk.code != "TOE":
        return [[np.flatnonzero(owners == number)] for number in range(bearings.size)]
    return [
        _runs(np.flatnonzero(owners == number), len(places), walk.closed) for number in range(bearings.size)
    ]


def _runs(mine: IntArray, total: int, closed: bool) -> list[IntArray]:
    """Indices cut where they skip; on a closed line the last part goes on into the first."""
    if mine.size == 0:
        return []
    parts = np.split(mine, np.flatnonzero(np.diff(mine) > 1) + 1)
    if closed and len(parts) > 1 and mine[0] == 0 and mine[-1] == total - 1:
        parts = [np.concatenate([parts[-1], parts[0]]), *parts[1:-1]]
    return parts


def _shoot_part(
    book: _Book, heap: Heap, walk: Walk, part: IntArray, bias_m: float, rng: np.random.Generator
) -> None:
    """Pole after pole along a part. On the toe the set-up goes on a little over what the next one takes."""
    places = walk.places_m[part]
    code = walk.code
    if code == "TOE":
        places = np.concatenate([places, _overlap(walk, heap, part, rng)])
        places = places + _judged(heap, places, rng)
    elif walk.is_string:
        if part.size < 2:
            return
        code = book.new_string(code)
    z = heap.surface_m(places[:, 0], places[:, 1])
    off_m = rng.normal(0.0, PLAN_NOISE_M, places.shape)
    up_m = rng.normal(0.0, HEIGHT_NOISE_M, len(places)) + bias_m
    for (e, n), height in zip(places + off_m, z + up_m, strict=True):
        book.write(float(e), float(n), float(height), code)


def _shoot_strip(
    book: _Book,
    heap: Heap,
    spots: Walk,
    shares: list[list[IntArray]],
    number: int,
    bias_m: float,
    rng: np.random.Generator,
) -> None:
    """Spots among those that the next set-up takes nearest to this one's own."""
    mine, theirs = (np.concatenate(shares[i % len(shares)]) for i in (number, number + 1))
    if mine.size == 0 or theirs.size == 0:
        return
    away = spots.places_m[theirs][:, None, :] - spots.places_m[mine][None, :, :]
    nearest = np.argsort(np.hypot(*away.transpose(2, 0, 1)).min(axis=1), kind="stable")[:STRIP_SHOTS]
    places = spots.places_m[theirs[nearest]] + rng.uniform(-STRIP_SHIFT_M, STRIP_SHIFT_M, (len(nearest), 2))
    places = places[heap.thickness_m(places[:, 0], places[:, 1]) > SPOT_FROM_M]
    z = heap.surface_m(places[:, 0], places[:, 1]) + bias_m + rng.normal(0.0, HEIGHT_NOISE_M, len(places))
    for (e, n), height in zip(places, z, strict=True):
        book.write(float(e), float(n), float(height), "SPT")


def _overlap(walk: Walk, heap: Heap, part: IntArray, rng: np.random.Generator) -> FloatArray:
    """(K, 2) places a third of a step short of the next set-up's first toe shots.

    That overlap is how the office finds a wrong pole.
    """
    total = len(walk.places_m)
    beyond = int(part[-1]) + np.arange(1, OVERLAP_SHOTS + 1)
    beyond = beyond % total if walk.closed else beyond[beyond < total]
    if part.size == total:
        beyond = beyond[:0]
    share = rng.uniform(0.25, 0.45, beyond.size)[:, None]
    between = (1.0 - share) * walk.places_m[beyond] + share * walk.places_m[beyond - 1]
    if not walk.closed:
        return between
    # Between two shots the toe bends: back onto it.
    bearing = np.arctan2(between[:, 1] - heap.centre_m[1], between[:, 0] - heap.centre_m[0])
    out = np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    return heap.centre_m + heap.toe_radius_m(bearing)[:, None] * out


def _judged(heap: Heap, places: FloatArray, rng: np.random.Generator) -> FloatArray:
    """(K, 2) how far off the true toe the pole stood, outwards and inwards."""
    away = places - heap.centre_m if heap.walls_m is None else np.tile([0.0, -1.0], (len(places), 1))
    return away / np.hypot(*away.T)[:, None] * rng.normal(0.0, TOE_JUDGEMENT_M, (len(places), 1))
