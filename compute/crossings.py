"""Segments that cross: joined where their heights agree, otherwise the less important one is dropped."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.quantities import metres
from compute.records import Finding, FloatArray

MOST_ROUNDS = 30
"""A crossing point is rounded, so a split may graze another line; after so many rounds nothing is split."""

SHOWN = 5


@dataclass(frozen=True)
class Segments:
    """Pieces of lines, the most important first.

    ends  : (S, 2) int64 indices of points
    rank  : (S,) 0 for the outer edge, then by role
    label : (S,) names of the lines
    """

    ends: NDArray[np.int64]
    rank: NDArray[np.int64]
    label: NDArray[Any]

    def pick(self, which: NDArray[Any]) -> Segments:
        return Segments(self.ends[which], self.rank[which], self.label[which])


@dataclass(frozen=True)
class _Crossing:
    winner: int
    loser: int
    xy: tuple[float, float]
    winner_z: float
    loser_z: float


def without_repeats(segments: Segments, points: FloatArray) -> Segments:
    """Without segments of no length in plan, and each pair of positions only once, the first kept."""
    _, position = np.unique(points[:, :2], axis=0, return_inverse=True)
    pair = np.sort(position.ravel()[segments.ends], axis=1)
    _, first = np.unique(pair, axis=0, return_index=True)
    keep = np.zeros(len(pair), dtype=np.bool_)
    keep[first] = True
    return segments.pick(keep & (pair[:, 0] != pair[:, 1]))


class _Places:
    """Points of the segments; new ones come from shots at exactly that place, or are made."""

    def __init__(self, points: FloatArray, usable: NDArray[np.bool_], members: NDArray[np.int64]) -> None:
        self._all, self._usable = points, usable
        self.index = members.tolist()
        self.xyz = points[members]

    def made(self) -> FloatArray:
        """(P, 3) points that are no shots."""
        return self.xyz[np.array(self.index) >= len(self._all)]

    def at(self, xy: tuple[float, float], height: float) -> int:
        """The point there: one in use, a shot in use, or a new one at `height`."""
        here = np.flatnonzero((self.xyz[:, 0] == xy[0]) & (self.xyz[:, 1] == xy[1]))
        if len(here):
            return int(here[0])
        shots = np.flatnonzero(self._usable & (self._all[:, 0] == xy[0]) & (self._all[:, 1] == xy[1]))
        made = sum(index >= len(self._all) for index in self.index)
        self.index.append(int(shots[0]) if len(shots) else len(self._all) + made)
        z = float(self._all[shots[0], 2]) if len(shots) else height
        self.xyz = np.vstack([self.xyz, [*xy, z]])
        return len(self.index) - 1


def resolve(
    segments: Segments,
    points: FloatArray,
    usable: NDArray[np.bool_],
    tolerance_m: float,
    place: Callable[[int], str],
) -> tuple[Segments, FloatArray, list[Finding]]:
    """Segments free of crossings, extra points (P, 3), findings. Rank 0 is never split or dropped."""
    members, local = np.unique(segments.ends, return_inverse=True)
    places = _Places(points, usable, members)
    segments = Segments(local.reshape(-1, 2), segments.rank, segments.label)

    def words_of(point: int) -> str:
        index = places.index[point]
        return place(index) if index < len(points) else "a crossing"

    joined: list[tuple[str, str]] = []
    dropped: list[tuple[str, str]] = []
    for round_number in range(MOST_ROUNDS + 1):
        crossings = _crossings(segments, places.xyz)
        if not crossings:
            break
        tolerance = tolerance_m if round_number < MOST_ROUNDS else -1.0
        split: dict[int, int] = {}
        lost: set[int] = set()
        for crossing in crossings:
            if {crossing.winner, crossing.loser} & (lost | split.keys()):
                continue
            apart = abs(crossing.winner_z - crossing.loser_z)
            told = _told(segments, crossing, words_of)
            if apart <= tolerance and segments.rank[crossing.winner] > 0:
                where = places.at(crossing.xy, 0.5 * (crossing.winner_z + crossing.loser_z))
                split[crossing.winner] = split[crossing.loser] = where
                joined.append(told)
            else:
                lost.add(crossing.loser)
                dropped.append(told)
        segments = without_repeats(_changed(segments, split, lost), places.xyz)
    shot_ends = np.array(places.index, dtype=np.int64)[segments.ends]
    kept = Segments(shot_ends, segments.rank, segments.label)
    return kept, places.made(), _findings(joined, dropped)


def _crossings(segments: Segments, points: FloatArray) -> list[_Crossing]:
    """Proper crossings, the most important winners first; touching at ends is no crossing."""
    lines = shapely.linestrings(points[segments.ends][:, :, :2])
    one, two = shapely.STRtree(lines).query(lines, predicate="crosses")
    found = []
    for a, b in sorted((int(a), int(b)) for a, b in zip(one, two, strict=True) if a < b):
        if segments.rank[a] == segments.rank[b] == 0:
            continue
        meeting = shapely.intersection(lines[a], lines[b])
        if meeting.geom_type != "Point":
            continue
        xy = float(meeting.x), float(meeting.y)
        found.append(_Crossing(a, b, xy, _height(segments, points, a, xy), _height(segments, points, b, xy)))
    return found


def _height(segments: Segments, points: FloatArray, row: int, xy: tuple[float, float]) -> float:
    a, b = points[segments.ends[row]]
    whole = float(np.hypot(b[0] - a[0], b[1] - a[1]))
    share = float(np.hypot(xy[0] - a[0], xy[1] - a[1])) / whole
    return float(a[2] + share * (b[2] - a[2]))


def _changed(segments: Segments, split: dict[int, int], lost: set[int]) -> Segments:
    """Split segments become two in their place, lost ones go."""
    rows: list[int] = []
    ends: list[tuple[int, int]] = []
    for row in range(len(segments.ends)):
        a, b = (int(end) for end in segments.ends[row])
        if row in split:
            rows += [row, row]
            ends += [(a, split[row]), (split[row], b)]
        elif row not in lost:
            rows.append(row)
            ends.append((a, b))
    picked = segments.pick(np.array(rows, dtype=np.int64))
    return Segments(np.array(ends, dtype=np.int64).reshape(-1, 2), picked.rank, picked.label)


def _told(segments: Segments, crossing: _Crossing, words_of: Callable[[int], str]) -> tuple[str, str]:
    """Which two lines cross, and the sentence with their heights."""

    def line(row: int) -> str:
        a, b = (words_of(int(end)) for end in segments.ends[row])
        return f"{segments.label[row]} between {a} and {b}"

    winner, loser = line(crossing.winner), line(crossing.loser)
    high, low = metres(crossing.winner_z, ".3f"), metres(crossing.loser_z, ".3f")
    return f"{winner} and {loser}", f"{winner} at height {high} crosses {loser} at height {low}"


def _findings(joined: list[tuple[str, str]], dropped: list[tuple[str, str]]) -> list[Finding]:
    findings = []
    if dropped:
        findings.append(
            Finding(
                code="crossing-breaklines",
                severity="warn",
                message=f"{_counted(dropped)} Two heights at one place cannot both be the surface. "
                "The line named first was kept; the crossing piece of the other was not held as an edge, "
                "its shots stay in the surface.",
                where=dropped[0][0],
                remedy="Check the numbers of the strings and the heights of the shots named, "
                "or add a shot where the lines meet.",
            )
        )
    if joined:
        findings.append(
            Finding(
                code="crossing-breaklines",
                severity="note",
                message=f"{_counted(joined)} The heights agree, so the lines were joined there by a point "
                "of mean height.",
                where=joined[0][0],
                remedy="Nothing to do, unless the lines should not meet: then check their numbers.",
            )
        )
    return findings


def _counted(told: list[tuple[str, str]]) -> str:
    more = f", and {len(told) - SHOWN} more places" if len(told) > SHOWN else ""
    return "; ".join(words for _, words in told[:SHOWN]) + more + "."
