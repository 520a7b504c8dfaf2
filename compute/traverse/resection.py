"""A free station: where an instrument stands, from two or more known points sighted from it.

Unknown are northing, easting and the azimuth of the circle's zero. Directions and distances are adjusted
together by least squares with their stated precision; heights are carried from every point that has one and
averaged. What cannot be placed, or only in the air, is refused: fewer points than it takes, all points in one
narrow sector, the instrument on the circle through the points (the danger circle). A point left out is listed
with its residual like the others; none is dropped by the calculation itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from compute.errors import Refused
from compute.records import FloatArray
from compute.traverse.adjust import Precision
from compute.traverse.angles import SECONDS, azimuth_between, half_turn, turn
from compute.traverse.least_squares import (
    CONVERGED,
    ROUNDS,
    AdjustmentNotConverging,
    AdjustmentUndetermined,
    Ellipse,
    Linear,
    solve,
    standard_ellipse,
)

NARROW_DEG = 30.0
WIDE_DEG = 150.0
"""All points within the one, or two points beyond the other: from memory of surveying texts."""
WEAK = 20.0
"""Refused where an error in a direction comes out so many times larger in the place: within about a twentieth
of its radius of the danger circle. Common practice, no source."""


class ResectionRefused(Refused):
    code = "resection-refused"
    remedy = "Set up elsewhere, or sight more known points, with distances."


class ResectionUndetermined(ResectionRefused):
    code = "resection-undetermined"
    remedy = "Sight two known points with distances, or three with directions; better three with both."


class ResectionNarrow(ResectionRefused):
    code = "resection-narrow"
    remedy = "Sight a known point on another side, or move the set-up so that the points lie around it."


class ResectionDangerCircle(ResectionRefused):
    code = "resection-danger-circle"
    remedy = "Measure a distance to one of the points, sight a point off that circle, or move the set-up."


@dataclass(frozen=True)
class KnownSight:
    """A known point as sighted: circle reading in face one, degrees; horizontal distance and height
    difference from mark to mark in the book's unit, None where not observed."""

    name: str
    northing: float
    easting: float
    elevation: float | None
    direction_deg: float
    distance: float | None = None
    height_difference: float | None = None


@dataclass(frozen=True)
class PointResidual:
    """How a known point fits, in the book's unit. `across` (right positive) and `along` (outward positive):
    where the sight puts the point, minus where it is known to be; `height` likewise. `used`: in the
    adjustment."""

    point: str
    across: float
    along: float | None
    plan: float | None
    height: float | None
    used: bool


@dataclass(frozen=True)
class FreeStation:
    """`orientation_deg`: azimuth of the circle's zero. `ellipse` is one standard deviation. `height_spread`:
    largest minus smallest elevation carried. `cautions`: words on weak geometry that was not refused."""

    name: str
    northing: float
    easting: float
    elevation: float | None
    orientation_deg: float
    residuals: tuple[PointResidual, ...]
    ellipse: Ellipse
    variance_factor: float | None
    height_spread: float | None
    dropped: tuple[str, ...]
    degrees_of_freedom: int
    cautions: tuple[str, ...] = ()

    @property
    def place(self) -> tuple[float, float, float | None]:
        return self.northing, self.easting, self.elevation

    @property
    def worst_plan(self) -> float:
        """Largest plan residual of a point that was used."""
        return max((max(abs(r.across), r.plan or 0.0) for r in self.residuals if r.used), default=0.0)


def resect(
    name: str,
    sights: tuple[KnownSight, ...],
    unit_m: float = 1.0,
    precision: Precision | None = None,
    drop: tuple[str, ...] = (),
) -> FreeStation:
    """Place the set-up `name`; raises a `ResectionRefused` where its sights do not hold it.

    `drop` leaves points out of the adjustment on purpose; their residuals are told all the same.
    """
    precision = precision or Precision()
    used = tuple(s for s in sights if s.name not in drop)
    _enough(name, used)
    spread = sector_deg(tuple(s.direction_deg for s in used))
    if spread < NARROW_DEG:
        raise ResectionNarrow(
            f"All points sighted from {name} lie within {spread:.0f}° of each other; at least "
            f"{NARROW_DEG:.0f}° is needed to hold the set-up across the line of sight. Nothing was computed.",
            where=f"set-up on {name}",
        )
    sigma_m = precision.distance_m / unit_m
    linear, at, zero = _adjusted(name, used, precision, sigma_m)
    ellipse = standard_ellipse(linear.cofactor[:2, :2])
    _strong(name, used, at, ellipse, precision)
    heights = [
        s.elevation - s.height_difference
        for s in used
        if s.elevation is not None and s.height_difference is not None
    ]
    elevation = math.fsum(heights) / len(heights) if heights else None
    return FreeStation(
        name, float(at[0]), float(at[1]), elevation, turn(math.degrees(zero)),
        tuple(_residual(s, at, zero, elevation, s.name not in drop) for s in sights), ellipse,
        linear.variance_factor, max(heights) - min(heights) if len(heights) > 1 else None,
        tuple(dict.fromkeys(s.name for s in sights if s.name in drop)), linear.degrees_of_freedom,
        _cautions(used, spread, heights, linear),
    )  # fmt: skip


def sector_deg(directions_deg: tuple[float, ...]) -> float:
    """The smallest sector that holds all directions, in degrees."""
    around = sorted(turn(d) for d in directions_deg)
    gaps = [b - a for a, b in zip(around, [*around[1:], around[0] + 360.0], strict=True)]
    return 360.0 - max(gaps)


def _enough(name: str, used: tuple[KnownSight, ...]) -> None:
    points = {s.name for s in used}
    places = {(s.northing, s.easting) for s in used}
    ranged = {s.name for s in used if s.distance is not None}
    if len(places) < 2 or (len(points) == 2 and len(ranged) < 2):
        have = f"{len(points)} known point{'s' if len(points) != 1 else ''}, {len(ranged)} with a distance"
        raise ResectionUndetermined(
            f"{name} cannot be placed from {have}: two points need distances to both, directions alone need "
            "three points. Nothing was computed.",
            where=f"set-up on {name}",
        )


def _adjusted(
    name: str, used: tuple[KnownSight, ...], precision: Precision, sigma_m: float
) -> tuple[Linear, FloatArray, float]:
    """Northing and easting, and the azimuth of the circle's zero in radians."""
    known = np.array([[s.northing, s.easting] for s in used])
    read = np.radians([s.direction_deg for s in used])
    ranged = np.array([i for i, s in enumerate(used) if s.distance is not None], dtype=int)
    distance = np.array([used[i].distance for i in ranged], dtype=float)
    # An angle is the difference of two directions: each has its share of the variance.
    sigma_direction = math.radians(precision.angle_seconds / SECONDS) / math.sqrt(2.0)
    sigma = np.concatenate(
        [
            np.full(len(used), sigma_direction),
            np.hypot(sigma_m, precision.distance_ppm * 1e-6 * distance),
        ]
    )
    at, zero = _start(name, known, read, ranged, distance)
    extent = max(1.0, float(np.ptp(known, axis=0).max()))
    for _ in range(ROUNDS):
        away = known - at
        length = np.hypot(away[:, 0], away[:, 1])
        if not (length > 1e-9).all():
            break
        azimuth = np.arctan2(away[:, 1], away[:, 0])
        design = np.zeros((len(sigma), 3))
        design[: len(used), 0] = away[:, 1] / length**2
        design[: len(used), 1] = -away[:, 0] / length**2
        design[: len(used), 2] = -1.0
        design[len(used) :, :2] = -(away / length[:, None])[ranged]
        short = np.concatenate([_wrapped(read - (azimuth - zero)), distance - length[ranged]])
        try:
            linear = solve(design, short, sigma)
        except AdjustmentUndetermined as error:
            raise _danger(name, used, at) from error
        at, zero = at + linear.x[:2], zero + float(linear.x[2])
        if float(np.abs(linear.x[:2]).max()) / extent < CONVERGED and abs(float(linear.x[2])) < CONVERGED:
            return linear, at, zero
    raise AdjustmentNotConverging(f"The place of {name} does not settle.", where=f"set-up on {name}")


def _wrapped(radians: FloatArray) -> FloatArray:
    return np.asarray((radians + math.pi) % (2.0 * math.pi) - math.pi)


def _start(
    name: str, known: FloatArray, read: FloatArray, ranged: FloatArray, distance: FloatArray
) -> tuple[FloatArray, float]:
    """Near enough to begin: the points as seen turned onto the points as known, else directions alone."""
    if len(np.unique(known[ranged], axis=0)) >= 2:
        seen = distance[:, None] * np.column_stack([np.cos(read[ranged]), np.sin(read[ranged])])
        a, b = seen - seen.mean(axis=0), known[ranged] - known[ranged].mean(axis=0)
        zero = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
        back = np.array([[math.cos(zero), math.sin(zero)], [-math.sin(zero), math.cos(zero)]])
        return known[ranged].mean(axis=0) - seen.mean(axis=0) @ back, zero
    return _by_directions(name, known, read)


def _by_directions(name: str, known: FloatArray, read: FloatArray) -> tuple[FloatArray, float]:
    """With u = cos w and v = sin w of the orientation w, a = E u - N v and b = E v + N u, each direction is
    one homogeneous linear equation in (u, v, a, b); three leave one solution, on the danger circle two."""
    middle, size = known.mean(axis=0), max(float(np.ptp(known, axis=0).max()), 1e-12)
    north, east = ((known - middle) / size).T
    c, s = np.cos(read), np.sin(read)
    rows = np.column_stack([east * c - north * s, -east * s - north * c, -c, s])
    _, values, vectors = np.linalg.svd(rows, full_matrices=True)
    u, v, a, b = vectors[-1]
    if values[2] < 1e-9 * values[0] or math.hypot(u, v) < 1e-9:
        raise _danger_of(name, "The directions fit everywhere on one circle or line.")
    square = u * u + v * v
    at = middle + size * np.array([b * u - a * v, a * u + b * v]) / square
    zero = math.atan2(v, u)
    away = known - at
    ahead = away[:, 0] * np.cos(zero + read) + away[:, 1] * np.sin(zero + read)
    return at, zero if float(ahead.sum()) > 0.0 else zero + math.pi


def _strong(
    name: str, used: tuple[KnownSight, ...], at: FloatArray, ellipse: Ellipse, precision: Precision
) -> None:
    if any(s.distance is not None for s in used):
        return
    length = np.mean([math.hypot(s.northing - at[0], s.easting - at[1]) for s in used])
    usual = math.radians(precision.angle_seconds / SECONDS) * float(length)
    if ellipse.semi_major > WEAK * usual:
        raise _danger(name, used, at)


def _danger(name: str, used: tuple[KnownSight, ...], at: FloatArray) -> ResectionDangerCircle:
    points = ", ".join(dict.fromkeys(s.name for s in used))
    away = circle_distance([(s.northing, s.easting) for s in used], (float(at[0]), float(at[1])))
    near = f", {abs(away):.2f} from it" if away is not None else ""
    return _danger_of(name, f"It stands on or near the circle through {points}{near}.")


def _danger_of(name: str, why: str) -> ResectionDangerCircle:
    return ResectionDangerCircle(
        f"{name} cannot be placed from directions alone. {why} There a small error in a direction moves the "
        "set-up far along the circle. Nothing was computed.",
        where=f"set-up on {name}",
    )


def circle_distance(points: list[tuple[float, float]], at: tuple[float, float]) -> float | None:
    """Distance of `at` from the circle through the first three points; None where they lie on a line."""
    (a, b, c) = (np.array(p) for p in list(dict.fromkeys(points))[:3])
    rows = 2.0 * np.array([b - a, c - a])
    if abs(float(np.linalg.det(rows))) < 1e-9 * float(np.abs(rows).max()) ** 2:
        return None
    middle = np.linalg.solve(rows, np.array([b @ b - a @ a, c @ c - a @ a]))
    return float(np.hypot(*(np.array(at) - middle)) - np.hypot(*(a - middle)))


def _residual(
    sight: KnownSight, at: FloatArray, zero: float, elevation: float | None, used: bool
) -> PointResidual:
    north, east = sight.northing - at[0], sight.easting - at[1]
    length = math.hypot(north, east)
    off = half_turn(math.degrees(zero) + sight.direction_deg - azimuth_between(north, east))
    across, along = math.radians(off) * length, None
    if sight.distance is not None:
        across = sight.distance * math.sin(math.radians(off))
        along = sight.distance * math.cos(math.radians(off)) - length
    height = None
    if elevation is not None and sight.elevation is not None and sight.height_difference is not None:
        height = elevation + sight.height_difference - sight.elevation
    plan = None if along is None else math.hypot(across, along)
    return PointResidual(sight.name, across, along, plan, height, used)


def _cautions(
    used: tuple[KnownSight, ...], spread: float, heights: list[float], linear: Linear
) -> tuple[str, ...]:
    told = []
    points = {s.name for s in used}
    if len(points) == 2 and spread > WIDE_DEG:
        told.append(f"The two points lie {spread:.0f}° apart, nearly on one line through the set-up.")
    if len(points) == 2:
        told.append("Two known points check each other in distance only; a third would check them.")
    if linear.degrees_of_freedom == 0:
        told.append("No observation is left over: nothing checks this station.")
    if len(heights) == 1:
        told.append("The elevation is carried from one point alone: nothing checks it.")
    if not heights:
        told.append("No known point gives an elevation.")
    return tuple(told)
