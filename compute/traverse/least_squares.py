"""Least squares with every observation weighted by its stated precision.

Residuals are adjusted minus observed. Standardised residuals, error ellipses and the test of the variance
factor use the stated precisions (a variance factor of 1 beforehand).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from compute.errors import Refused
from compute.records import FloatArray
from compute.traverse.angles import SECONDS, azimuth_between, half_turn

ROUNDS = 30
CONVERGED = 1e-9
UNCHECKED = 1e-9
"""An observation with a smaller share of redundancy is checked by nothing: no standardised residual."""
TEST_LEVEL = 0.05


class AdjustmentUndetermined(Refused):
    code = "adjustment-undetermined"
    remedy = "Fix one station and one direction, or add observations."


class AdjustmentNotConverging(Refused):
    code = "adjustment-not-converging"
    remedy = "Look for a gross error in the observations; the closure shows where it is most likely."


@dataclass(frozen=True)
class Observation:
    """kind distance (file's unit), azimuth or angle (degrees); `sigma` is one standard deviation in the same
    unit. An angle turns clockwise at `at` from `back` to `to`. `place`: the station or course, in words."""

    kind: str
    at: str
    to: str
    value: float
    sigma: float
    place: str
    back: str = ""


@dataclass(frozen=True)
class Linear:
    """x : (U,); cofactor : (U, U), the covariance for a variance factor of 1; residuals, redundancy,
    standardised : (M,). `variance_factor` is None without redundancy."""

    x: FloatArray
    cofactor: FloatArray
    residuals: FloatArray
    redundancy: FloatArray
    standardised: FloatArray
    degrees_of_freedom: int
    variance_factor: float | None


@dataclass(frozen=True)
class Ellipse:
    """One standard deviation; azimuth of the longer axis in [0, 180)."""

    semi_major: float
    semi_minor: float
    azimuth_deg: float


@dataclass(frozen=True)
class Adjusted:
    """Coordinates (northing, easting) by station, in the file's unit; arrays follow `observations`."""

    coordinates: dict[str, tuple[float, float]]
    observations: tuple[Observation, ...]
    linear: Linear
    ellipses: dict[str, Ellipse]
    converged: bool

    @property
    def variance_bounds(self) -> tuple[float, float]:
        """Two-sided 95 % bounds of the variance factor, if precisions are stated rightly."""
        dof = self.linear.degrees_of_freedom
        low, high = chi2.ppf([TEST_LEVEL / 2, 1 - TEST_LEVEL / 2], dof) / dof
        return float(low), float(high)


def solve(
    design: FloatArray, observed: FloatArray, sigma: FloatArray, fixed: FloatArray | None = None,
    fixed_values: FloatArray | None = None,
) -> Linear:  # fmt: skip
    """Weighted least squares of `design @ x = observed`, exactly subject to `fixed @ x = fixed_values`."""
    count, unknowns = design.shape
    fixed = np.zeros((0, unknowns)) if fixed is None else fixed
    fixed_values = np.zeros(len(fixed)) if fixed_values is None else fixed_values
    whitened, right = design / sigma[:, None], observed / sigma
    normal = whitened.T @ whitened
    size = math.sqrt(max(float(np.abs(normal).max(initial=0.0)), 1.0))
    bordered = np.block([[normal, size * fixed.T], [size * fixed, np.zeros((len(fixed), len(fixed)))]])
    if unknowns and np.linalg.cond(bordered) > 1e14:
        raise AdjustmentUndetermined("The observations do not fix every station.", where="adjustment")
    inverse = np.linalg.inv(bordered)
    x = (inverse @ np.concatenate([whitened.T @ right, size * fixed_values]))[:unknowns]
    cofactor = inverse[:unknowns, :unknowns]
    residuals = design @ x - observed
    share = 1.0 - np.einsum("ij,jk,ik->i", whitened, cofactor, whitened)
    spread = sigma * np.sqrt(np.where(share > UNCHECKED, share, 1.0))
    standardised = np.where(share > UNCHECKED, residuals / spread, 0.0)
    dof = count - unknowns + len(fixed)
    factor = float(((residuals / sigma) ** 2).sum() / dof) if dof > 0 else None
    return Linear(x, cofactor, residuals, share, standardised, dof, factor)


def adjust_levels(
    differences: list[tuple[str, str, float]], sigma: FloatArray, fixed: dict[str, float]
) -> tuple[dict[str, float], Linear]:
    """Heights of a level net from (from, to, height difference), weighted by `sigma`, on `fixed` heights."""
    names = sorted({n for a, b, _ in differences for n in (a, b)} - set(fixed))
    column = {name: i for i, name in enumerate(names)}
    design, observed = np.zeros((len(differences), len(names))), np.zeros(len(differences))
    for row, (start, end, difference) in enumerate(differences):
        observed[row] = difference
        for name, sign in ((end, 1.0), (start, -1.0)):
            if name in column:
                design[row, column[name]] = sign
            else:
                observed[row] -= sign * fixed[name]
    linear = solve(design, observed, sigma)
    return fixed | dict(zip(names, linear.x.tolist(), strict=True)), linear


def adjust_plan(
    observations: list[Observation],
    near: dict[str, tuple[float, float]],
    fixed: dict[str, tuple[float, float]],
    azimuths: dict[tuple[str, str], float],
) -> Adjusted:
    """Stations from distances, azimuths and angles, starting at the coordinates `near`.

    `azimuths` (degrees) are held: between two stations as a condition, to an outside mark as a constant.
    Iterates until no coordinate moves; `converged` tells whether it did.
    """
    free = [name for name in near if name not in fixed]
    column = {name: 2 * i for i, name in enumerate(free)}
    at = dict(near) | fixed
    held = [(a, b) for a, b in azimuths if a in at and b in at and not {a, b} <= set(fixed)]
    factors = np.array([1.0 if o.kind == "distance" else math.radians(1.0) for o in observations])
    sigma = np.array([o.sigma for o in observations]) * factors
    moved, rounds = math.inf, 0
    while True:
        design, short = np.zeros((len(observations), 2 * len(free))), np.zeros(len(observations))
        for row, observation in enumerate(observations):
            short[row] = _linearise(observation, at, azimuths, column, design[row]) * factors[row]
        bound, missing = np.zeros((len(held), 2 * len(free))), np.zeros(len(held))
        for row, (a, b) in enumerate(held):
            _azimuth_row(a, b, at, column, bound[row], 1.0)
            missing[row] = math.radians(half_turn(azimuths[a, b] - _azimuth(a, b, at, azimuths)))
        linear = solve(design, short, sigma, bound, missing)
        if moved < CONVERGED or rounds == ROUNDS:
            break
        for name, i in column.items():
            at[name] = (at[name][0] + float(linear.x[i]), at[name][1] + float(linear.x[i + 1]))
        moved = float(np.abs(linear.x).max(initial=0.0)) / max(1.0, _extent(at))
        rounds += 1
    ellipses = {name: standard_ellipse(linear.cofactor[i : i + 2, i : i + 2]) for name, i in column.items()}
    return Adjusted(at, tuple(observations), linear, ellipses, moved < CONVERGED)


def residuals_as_read(adjusted: Adjusted) -> list[float]:
    """Residuals in the file's unit for distances and in seconds of arc for the rest."""
    return [
        float(v) if o.kind == "distance" else math.degrees(float(v)) * SECONDS
        for o, v in zip(adjusted.observations, adjusted.linear.residuals, strict=True)
    ]


def _extent(at: dict[str, tuple[float, float]]) -> float:
    return float(np.ptp(np.array(list(at.values())), axis=0).max())


def _azimuth(
    a: str, b: str, at: dict[str, tuple[float, float]], known: dict[tuple[str, str], float]
) -> float:
    """By coordinates, or as held where one end is a mark without coordinates."""
    if a in at and b in at:
        return azimuth_between(at[b][0] - at[a][0], at[b][1] - at[a][1])
    return known[a, b] if (a, b) in known else known[b, a] + 180.0


def _azimuth_row(
    a: str, b: str, at: dict[str, tuple[float, float]], column: dict[str, int], row: FloatArray, sign: float
) -> None:
    if a not in at or b not in at:
        return
    north, east = at[b][0] - at[a][0], at[b][1] - at[a][1]
    square = north**2 + east**2
    for name, way in ((b, sign), (a, -sign)):
        if name in column:
            row[column[name]] += way * -east / square
            row[column[name] + 1] += way * north / square


def _linearise(
    observation: Observation, at: dict[str, tuple[float, float]], azimuths: dict[tuple[str, str], float],
    column: dict[str, int], row: FloatArray,
) -> float:  # fmt: skip
    """Fills the row of derivatives; returns observed minus computed, in the observation's unit."""
    a, b = observation.at, observation.to
    if observation.kind == "distance":
        north, east = at[b][0] - at[a][0], at[b][1] - at[a][1]
        length = math.hypot(north, east)
        for name, way in ((b, 1.0), (a, -1.0)):
            if name in column:
                row[column[name]] += way * north / length
                row[column[name] + 1] += way * east / length
        return observation.value - length
    computed = _azimuth(a, b, at, azimuths)
    _azimuth_row(a, b, at, column, row, 1.0)
    if observation.kind == "angle":
        computed -= _azimuth(a, observation.back, at, azimuths)
        _azimuth_row(a, observation.back, at, column, row, -1.0)
    return half_turn(observation.value - computed)


def standard_ellipse(cofactor: FloatArray) -> Ellipse:
    values, vectors = np.linalg.eigh(cofactor)
    minor, major = np.sqrt(np.maximum(values, 0.0))
    return Ellipse(float(major), float(minor), azimuth_between(vectors[0, 1], vectors[1, 1]) % 180.0)
