"""From what was read at the instrument to directions, horizontal distances and height differences.

    HD = SD sin Z;  dH = SD cos Z + hi - ht + (1 - k) HD^2 / 2R

The last term is curvature and refraction. Its two constants are printed with every result, since texts differ
in them (0.0673 and 0.0675 m at 1 km).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from compute.traverse.angles import SECONDS, half_turn, mean_direction, turn
from compute.traverse.book import Sight
from compute.traverse.edm import EARTH_RADIUS_M, REFRACTION_K, Reducing


@dataclass(frozen=True)
class Reduced:
    """All pointings of one set-up to one target, reduced to one.

    `direction_deg` is the mean circle reading in face one; `distance` horizontal; `height_difference` from
    mark to mark. `collimation_seconds` and `index_seconds` are half-differences of the faces.
    """

    to: str
    kind: str
    direction_deg: float
    distance: float | None
    height_difference: float | None
    code: str
    collimation_seconds: float | None
    index_seconds: float | None
    pointings: int
    line: int


@dataclass(frozen=True)
class SightReduction:
    """One pointing reduced, step by step, in the book's unit; None where a step has nothing to work on.

    `zenith_deg` is the mean of the set-up's pointings to the target, turned to face one; `over_axis` the
    height of the target over the instrument's axis with `curvature` in it; `height_difference` from mark to
    mark.
    """

    face: int
    direction_deg: float
    zenith_deg: float | None
    prism_constant: float
    ppm: float
    corrected_slope: float | None
    horizontal_distance: float | None
    curvature: float | None
    over_axis: float | None
    height_difference: float | None


def curvature_and_refraction(distance: float, unit_m: float, k: float = REFRACTION_K) -> float:
    """Added to a height difference, in the unit of `distance` (horizontal); `unit_m` metres in that unit."""
    return (1.0 - k) * distance**2 * unit_m / (2.0 * EARTH_RADIUS_M)


def horizontal_distance(slope_distance: float, zenith_deg: float) -> float:
    return slope_distance * math.sin(math.radians(zenith_deg))


def vertical_distance(slope_distance: float, zenith_deg: float) -> float:
    """Height of the target over the instrument's axis, without curvature and refraction; up is positive."""
    return slope_distance * math.cos(math.radians(zenith_deg))


def face_of(sight: Sight) -> int:
    """The face noted, else the one the zenith angle shows: beyond 180° the telescope is turned over."""
    return sight.face or (2 if sight.zenith_deg is not None and sight.zenith_deg > 180.0 else 1)


def reduce_sights(
    sights: list[Sight], instrument_height: float | None, reducing: Reducing, mark_to_mark: bool
) -> Reduced:
    """One target of one set-up. `mark_to_mark`: the book's height differences are already between the marks,
    because it holds no instrument and no target height anywhere."""
    steps = reduce_each(sights, instrument_height, reducing, mark_to_mark)
    zenith_mean = {
        f: _mean([_face_one_zenith(s, f) for s, r in zip(sights, steps, strict=True) if r.face == f])
        for f in (1, 2)
    }
    both = [z for z in zenith_mean.values() if z is not None]
    first, second = ([r.direction_deg for r in steps if r.face == f] for f in (1, 2))
    collimation = (
        half_turn(mean_direction(first) - mean_direction(second)) / 2.0 * SECONDS
        if first and second
        else None
    )
    index = (both[0] - both[1]) / 2.0 * SECONDS if len(both) == 2 else None
    # Each face weighs the same, however many pointings it has: that is what cancels the collimation.
    direction = mean_direction([mean_direction(group) for group in (first, second) if group])
    return Reduced(
        sights[0].to, sights[0].kind, direction, _mean([r.horizontal_distance for r in steps]),
        _mean([r.height_difference for r in steps]), sights[0].code, collimation, index, len(sights),
        sights[0].line,
    )  # fmt: skip


def reduce_each(
    sights: list[Sight], instrument_height: float | None, reducing: Reducing, mark_to_mark: bool
) -> list[SightReduction]:
    """The pointings of one set-up to one target, each by itself but for the zenith angle, which is the mean
    of the faces."""
    faces = [face_of(s) for s in sights]
    zeniths = [_face_one_zenith(s, f) for s, f in zip(sights, faces, strict=True)]
    zenith_mean = {f: _mean([z for z, g in zip(zeniths, faces, strict=True) if g == f]) for f in (1, 2)}
    zenith = _mean([z for z in zenith_mean.values() if z is not None])
    return [
        _reduce_one(sight, face, zenith, instrument_height, reducing, mark_to_mark)
        for sight, face in zip(sights, faces, strict=True)
    ]


def _face_one_zenith(sight: Sight, face: int) -> float | None:
    if sight.zenith_deg is None:
        return None
    return 360.0 - sight.zenith_deg if face == 2 and sight.zenith_deg > 180.0 else sight.zenith_deg


def _reduce_one(
    sight: Sight, face: int, zenith: float | None, hi: float | None, reducing: Reducing, mark_to_mark: bool
) -> SightReduction:
    edm = reducing.edm_of(sight.setup, sight.prism_constant, sight.ppm)
    distance, over_axis = sight.horizontal_distance, sight.height_difference
    slope = None if sight.slope_distance is None else edm.corrected(sight.slope_distance)
    curvature: float | None = None
    if slope is not None and zenith is not None:
        flat = horizontal_distance(slope, zenith)
        distance = flat if distance is None else distance
        if over_axis is None:
            curvature = curvature_and_refraction(flat, reducing.unit_m, reducing.refraction_k)
            over_axis = vertical_distance(slope, zenith) + curvature
    elif over_axis is None and distance is not None and zenith is not None:
        curvature = curvature_and_refraction(distance, reducing.unit_m, reducing.refraction_k)
        over_axis = distance / math.tan(math.radians(zenith)) + curvature
    height: float | None = None
    if mark_to_mark:
        height = over_axis if sight.height_difference is not None else None
    elif over_axis is not None and hi is not None and sight.target_height is not None:
        height = over_axis + hi - sight.target_height
    direction = turn(sight.circle_deg - (180.0 if face == 2 else 0.0))
    return SightReduction(
        face, direction, zenith, edm.prism_constant, edm.ppm, slope, distance, curvature, over_axis, height
    )


def _mean(values: list[float | None] | list[float]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None
