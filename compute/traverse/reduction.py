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

EARTH_RADIUS_M = 6_371_000.0
REFRACTION_K = 0.13


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
    sights: list[Sight], instrument_height: float | None, unit_m: float, mark_to_mark: bool
) -> Reduced:
    """One target of one set-up. `mark_to_mark`: the book's height differences are already between the marks,
    because it holds no instrument and no target height anywhere."""
    faces = [face_of(s) for s in sights]
    directions = [turn(s.circle_deg - (180.0 if f == 2 else 0.0)) for s, f in zip(sights, faces, strict=True)]
    zeniths = [_face_one_zenith(s, f) for s, f in zip(sights, faces, strict=True)]
    distances, heights = [], []
    zenith_mean = {f: _mean([z for z, g in zip(zeniths, faces, strict=True) if g == f]) for f in (1, 2)}
    both = [z for z in zenith_mean.values() if z is not None]
    for sight in sights:
        distance, height = _reduce_one(sight, _mean(both), instrument_height, unit_m, mark_to_mark)
        distances.append(distance)
        heights.append(height)
    first, second = ([d for d, g in zip(directions, faces, strict=True) if g == f] for f in (1, 2))
    collimation = (
        half_turn(mean_direction(first) - mean_direction(second)) / 2.0 * SECONDS
        if first and second
        else None
    )
    index = (both[0] - both[1]) / 2.0 * SECONDS if len(both) == 2 else None
    # Each face weighs the same, however many pointings it has: that is what cancels the collimation.
    direction = mean_direction([mean_direction(group) for group in (first, second) if group])
    return Reduced(
        sights[0].to, sights[0].kind, direction, _mean(distances), _mean(heights), sights[0].code,
        collimation, index, len(sights), sights[0].line,
    )  # fmt: skip


def _face_one_zenith(sight: Sight, face: int) -> float | None:
    if sight.zenith_deg is None:
        return None
    return 360.0 - sight.zenith_deg if face == 2 and sight.zenith_deg > 180.0 else sight.zenith_deg


def _reduce_one(
    sight: Sight, zenith: float | None, hi: float | None, unit_m: float, mark_to_mark: bool
) -> tuple[float | None, float | None]:
    distance, over_axis = sight.horizontal_distance, sight.height_difference
    if sight.slope_distance is not None and zenith is not None:
        flat = horizontal_distance(sight.slope_distance, zenith)
        distance = flat if distance is None else distance
        if over_axis is None:
            over_axis = vertical_distance(sight.slope_distance, zenith)
            over_axis += curvature_and_refraction(flat, unit_m)
    elif over_axis is None and distance is not None and zenith is not None:
        over_axis = distance / math.tan(math.radians(zenith)) + curvature_and_refraction(distance, unit_m)
    if mark_to_mark:
        return distance, over_axis if sight.height_difference is not None else None
    if over_axis is None or hi is None or sight.target_height is None:
        return distance, None
    return distance, over_axis + hi - sight.target_height


def _mean(values: list[float | None] | list[float]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None
