"""Exact contours of a triangulated surface.

Inside a triangle a contour is a straight line, so there is nothing to smooth and nothing to choose:
contours of one surface never cross, bend exactly at its breaklines, and end only at its rim. A vertex
at the very height of a contour counts as above it, which leaves every triangle crossed once or not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from compute.errors import BadOption
from compute.records import FloatArray, Surface, read_only

WANTED_LEVELS = 12
"""About how many contours a pile gets when nobody chose an interval."""

MOST_LEVELS = 2_000
"""More is a wrong interval, not a drawing."""


@dataclass(frozen=True)
class Contour:
    """One line of equal height, higher ground on its left.

    points_m : (K, 2) float64, local frame; a closed line does not repeat its first point
    """

    height_m: float
    points_m: FloatArray
    closed: bool


def nice_interval_m(span_m: float, wanted: int = WANTED_LEVELS) -> float:
    """The interval out of 1, 2, 5 × 10ⁿ m that gives at most `wanted` contours over `span_m` > 0."""
    least = span_m / wanted
    power = 10.0 ** math.floor(math.log10(least))
    for step in (1.0, 2.0, 5.0):
        if step * power >= least * (1.0 - 1e-12):
            return step * power
    return 10.0 * power


def contour_heights(low_m: float, high_m: float, interval_m: float | None = None) -> FloatArray:
    """Multiples of the interval strictly between two heights; none for level ground.

    Raises `BadOption` for an interval that is not positive or would draw more than `MOST_LEVELS` lines.
    """
    if not high_m - low_m > 1e-6:
        return np.empty(0)
    step = nice_interval_m(high_m - low_m) if interval_m is None else float(interval_m)
    if not (math.isfinite(step) and step > 0.0) or (high_m - low_m) / step > MOST_LEVELS:
        raise BadOption(
            f"A contour interval of {interval_m} m does not suit heights of {low_m:.2f} m to {high_m:.2f} m.",
            where="contour interval",
            remedy=f"Give an interval of about {nice_interval_m(high_m - low_m):g} m.",
        )
    first, last = math.floor(low_m / step) + 1, math.ceil(high_m / step) - 1
    # Dividing by a whole number where there is one prints 0.3, not 0.30000000000000004.
    if step < 1.0 and abs(round(1.0 / step) - 1.0 / step) < 1e-9:
        return np.arange(first, last + 1, dtype=np.float64) / float(round(1.0 / step))
    return np.arange(first, last + 1, dtype=np.float64) * step


def contours(surface: Surface, heights_m: FloatArray) -> tuple[Contour, ...]:
    """All contours at the given heights, in their order; open ones (ending at the rim) before closed ones."""
    heights = np.unique(np.asarray(heights_m, dtype=np.float64))
    if heights.size == 0:
        return ()
    level, start_key, end_key = _crossings(surface, heights)
    if level.size == 0:
        return ()
    # A node is one side of one triangle at one height; lines run from node to node.
    keys, node = np.unique(
        np.stack([np.tile(level, 2), np.r_[start_key, end_key]]), axis=1, return_inverse=True
    )
    node = node.ravel()
    points = _points(surface.vertices_m, keys[1], heights[keys[0]])
    count = keys.shape[1]
    following = np.full(count, -1, np.int64)
    following[node[: level.size]] = node[level.size :]
    has_before = np.zeros(count, bool)
    has_before[node[level.size :]] = True
    found: list[Contour] = []
    for chain, closed in _chains(following, has_before):
        line = _without_repeats(points[chain], closed)
        if len(line) >= (3 if closed else 2):
            found.append(Contour(float(heights[keys[0, chain[0]]]), read_only(line), closed))
    return tuple(sorted(found, key=lambda c: (c.height_m, c.closed)))


def _crossings(
    surface: Surface, heights: FloatArray
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """One row per triangle and height: index of the height, side where the line enters and leaves."""
    z = surface.vertices_m[:, 2][surface.triangles]
    first = np.searchsorted(heights, z.min(axis=1), "right")
    last = np.searchsorted(heights, z.max(axis=1), "right")
    each = last - first
    triangle = np.repeat(np.arange(len(z)), each)
    level = np.arange(each.sum()) - np.repeat(np.cumsum(each) - each, each) + np.repeat(first, each)
    above = z[triangle] >= heights[level][:, None]
    corner = surface.triangles[triangle].astype(np.int64)
    after = np.roll(corner, -1, axis=1)
    side = np.minimum(corner, after) * len(surface.vertices_m) + np.maximum(corner, after)
    falls = above & ~np.roll(above, -1, axis=1)
    climbs = ~above & np.roll(above, -1, axis=1)
    # Round a counter-clockwise triangle, from the falling to the climbing side: high ground on the left.
    return level, side[falls], side[climbs]


def _points(vertices: FloatArray, side: NDArray[np.int64], height: FloatArray) -> FloatArray:
    """(K, 2) where each side has the height, worked from its lower vertex number so that neighbours agree."""
    a, b = vertices[side // len(vertices)], vertices[side % len(vertices)]
    share = ((height - a[:, 2]) / (b[:, 2] - a[:, 2]))[:, None]
    return np.asarray(a[:, :2] + (b[:, :2] - a[:, :2]) * share)


def _chains(
    following: NDArray[np.int64], has_before: NDArray[np.bool_]
) -> list[tuple[NDArray[np.int64], bool]]:
    """Nodes in order along each line: first those with a beginning, then the closed ones."""
    steps = following.tolist()
    seen = bytearray(len(steps))
    out: list[tuple[NDArray[np.int64], bool]] = []
    starts = np.flatnonzero(~has_before).tolist()
    for closed, candidates in ((False, starts), (True, range(len(steps)))):
        for begin in candidates:
            if seen[begin]:
                continue
            chain = []
            at = begin
            while at >= 0 and not seen[at]:
                seen[at] = 1
                chain.append(at)
                at = steps[at]
            out.append((np.array(chain), closed))
    return out


def _without_repeats(line: FloatArray, closed: bool) -> FloatArray:
    """A line through a vertex meets several sides in one point: kept once."""
    moved = np.any(line != np.roll(line, 1, axis=0), axis=1)
    if not closed:
        moved[0] = True
    return np.ascontiguousarray(line[moved])
