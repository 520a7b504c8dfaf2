"""Two set-ups compared where their shots overlap, as surfaces, and each against the exposed pad.

A shot of one is compared with the triangles of the other, and the other way round. On a convex shape a chord
reads low in both comparisons by the same amount, so half their difference is free of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from compute.blunders.records import Group, PadCheck, SetupShots, StripCheck
from compute.blunders.robust import robust_fit, robust_mean, significance_of
from compute.case import Case
from compute.errors import Refused
from compute.records import FloatArray, Shots
from compute.roles import ROLE_INDEX
from compute.surface import corner_shares, heights_at, heights_on, locate
from compute.traverse.angles import azimuth_between
from compute.triangulate import triangulate

GROUND_ROLES = ("spot", "toe", "crest", "breakline", "floor", "ground")
REACH = 2.5
"""A triangle is trusted up to so many times the usual distance between neighbouring shots."""
FEWEST_PAIRS = 6
FEWEST_PAD = 3
FEWEST_OF_GROUP = 8
TILT_PAIRS = 20
SHIFT_PAIRS = 20
SHIFT_SIGMAS = 6.5
SHIFT_GAIN = 1.7
"""A shift is believed where it is so many standard errors and takes two fifths of the scatter away: few
slopes can be fitted by a wild shift that explains nothing. See the rates in the tests."""
SHARED_CORNERS = 2.0
"""Neighbouring pairs share corners of triangles; standard errors are widened so many times. From simulation
on the standard pile: clean strips then scatter by one standard error."""


@dataclass(frozen=True)
class _Half:
    """Shots of one group over the other's surface: their indices, places and height differences, and the
    slopes (east, north) of the triangles below them."""

    index: NDArray[np.int64]
    xy: FloatArray
    over: FloatArray
    slope: FloatArray


def groups_of(shots: Shots, of: SetupShots) -> tuple[Group, ...]:
    """Set-ups, each divided by recorded target height where two or more heights have enough shots."""
    usable = np.isin(shots.role, [ROLE_INDEX[name] for name in GROUND_ROLES])
    usable &= np.isfinite(shots.x_m + shots.y_m + shots.z_m)
    groups: list[Group] = []
    for i, setup in enumerate(of.setups):
        index = np.flatnonzero((of.setup == i) & usable)
        if not len(index):
            continue
        heights = np.round(of.target_height_m[index], 4)
        kinds, counts = np.unique(heights[np.isfinite(heights)], return_counts=True)
        many = kinds[counts >= FEWEST_OF_GROUP]
        if len(many) < 2:
            only = float(kinds[np.argmax(counts)]) if len(kinds) else None
            groups.append(Group(f"set-up {setup.name}", i, index, only))
            continue
        groups += [
            Group(f"set-up {setup.name}, pole {h:.3f} m", i, index[heights == h], float(h))
            for h in many.tolist()
        ]
    return tuple(groups)


def compare_all(shots: Shots, groups: tuple[Group, ...]) -> tuple[StripCheck, ...]:
    """Every pair of groups that overlaps."""
    xyz = np.column_stack([shots.x_m, shots.y_m, shots.z_m])
    found = []
    for i, first in enumerate(groups):
        for second in groups[i + 1 :]:
            strip = compare_strip(xyz, first, second)
            if strip is not None:
                found.append(strip)
    return tuple(found)


def compare_strip(xyz_m: FloatArray, first: Group, second: Group) -> StripCheck | None:
    """None where fewer than `FEWEST_PAIRS` shots of the two lie over each other's triangles."""
    up, down = _over(xyz_m, second, first), _over(xyz_m, first, second)
    pairs = len(up.over) + len(down.over)
    if pairs < FEWEST_PAIRS:
        return None
    halves = [(sign, *robust_mean(h.over)) for sign, h in ((1.0, up), (-1.0, down)) if len(h.over) >= 3]
    if not halves:
        return None
    step = sum(sign * mean for sign, mean, _, _ in halves) / len(halves)
    error = math.sqrt(sum(e**2 for _, _, e, _ in halves)) / len(halves) * SHARED_CORNERS
    spread = math.sqrt(sum(s**2 for *_, s in halves) / len(halves))
    xy = np.vstack([up.xy, down.xy])
    middle = xy.mean(axis=0)
    # The bias of a convex shape is taken out of each half, so that both tell the same difference.
    values = np.concatenate([up.over - _bias(halves, 1.0, step), -(down.over - _bias(halves, -1.0, step))])
    shift, shift_significance, joint, joint_error = _shift(np.vstack([up.slope, down.slope]), values)
    if shift_significance >= SHIFT_SIGMAS:
        step, error = joint, joint_error
        values = values + np.vstack([up.slope, down.slope]) @ shift
    tilt, azimuth, significance = _tilt(xy - middle, values)
    extent = float(np.ptp(xy, axis=0).max())
    return StripCheck(
        first.name, second.name, pairs, step, spread, error, tilt, azimuth, significance,
        (float(shift[0]), float(shift[1])), shift_significance, extent,
        (float(middle[0]), float(middle[1])), tuple(int(i) for i in np.concatenate([up.index, down.index])),
    )  # fmt: skip


def _bias(halves: list[tuple[float, float, float, float]], sign: float, step: float) -> float:
    return next((mean - sign * step for s, mean, _, _ in halves if s == sign), 0.0)


def _over(xyz: FloatArray, top: Group, under: Group) -> _Half:
    """Shots of `top` that lie over trusted triangles of `under`."""
    nothing = _Half(np.empty(0, np.int64), np.empty((0, 2)), np.empty(0), np.empty((0, 2)))
    corners = xyz[under.shots]
    _, keep = np.unique(corners[:, :2], axis=0, return_index=True)
    corners = corners[np.sort(keep)]
    if len(corners) < 3:
        return nothing
    away, _ = cKDTree(corners[:, :2]).query(corners[:, :2], k=2)
    reach = REACH * float(np.median(away[:, 1]))
    try:
        surface = triangulate(corners)
    except Refused:
        return nothing  # All on one line: there is no surface to compare with.
    at = locate(surface, xyz[top.shots, :2])
    inside = np.flatnonzero(at >= 0)
    sides = surface.corners_m[at[inside]] - np.roll(surface.corners_m[at[inside]], 1, axis=1)
    inside = inside[np.hypot(sides[:, :, 0], sides[:, :, 1]).max(axis=1) <= reach]
    if not len(inside):
        return nothing
    index, triangle = top.shots[inside], at[inside]
    shares = corner_shares(surface, xyz[index, :2], triangle)
    below = heights_on(surface, triangle, shares)
    facet = surface.corners_m[triangle]
    normal = np.cross(facet[:, 1] - facet[:, 0], facet[:, 2] - facet[:, 0])
    slope = -normal[:, :2] / normal[:, 2:]
    return _Half(index, xyz[index, :2], xyz[index, 2] - below, slope)


def _shift(slopes: FloatArray, values: FloatArray) -> tuple[FloatArray, float, float, float]:
    """Shift in plan, its significance, and the step that is left with its standard error.

    A surface that lies `shift` further on stands lower by its slope times the shift: level places show the
    step alone, faces show both.
    """
    nothing = np.zeros(2)
    if len(values) < SHIFT_PAIRS:
        return nothing, 0.0, 0.0, 0.0
    x, cofactor, spread = robust_fit(np.column_stack([np.ones(len(slopes)), -slopes]), values)
    if robust_mean(values)[2] < SHIFT_GAIN * spread:
        return nothing, 0.0, 0.0, 0.0
    scaled = cofactor * (spread * SHARED_CORNERS) ** 2
    return x[1:], significance_of(x[1:], scaled[1:, 1:]), float(x[0]), math.sqrt(float(scaled[0, 0]))


def _tilt(xy: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Slope of the difference along its steepest direction, that direction, and slope over standard error."""
    if len(values) < TILT_PAIRS:
        return 0.0, 0.0, 0.0
    x, cofactor, spread = robust_fit(np.column_stack([np.ones(len(xy)), xy]), values)
    slope = math.hypot(float(x[1]), float(x[2]))
    if slope == 0.0:
        return 0.0, 0.0, 0.0
    along = x[1:] / slope
    error = spread * math.sqrt(max(float(along @ cofactor[1:, 1:] @ along), 0.0)) * SHARED_CORNERS
    return slope, azimuth_between(float(x[2]), float(x[1])), slope / error if error > 0.0 else 0.0


def compare_pads(case: Case, groups: tuple[Group, ...]) -> tuple[PadCheck, ...]:
    """Floor shots of each group over a base that does not come from this survey; none on a base that does."""
    if case.has_own_base:
        return ()
    found = []
    for group in groups:
        pad = group.shots[case.shots.role[group.shots] == ROLE_INDEX["floor"]]
        over = case.shots.z_m[pad] - heights_at(
            case.base.surface, np.column_stack([case.shots.x_m[pad], case.shots.y_m[pad]])
        )
        pad, over = pad[np.isfinite(over)], over[np.isfinite(over)]
        if len(over) >= FEWEST_PAD:
            step, error, spread = robust_mean(over)
            found.append(PadCheck(group.name, len(over), step, spread, error, tuple(int(i) for i in pad)))
    return tuple(found)
