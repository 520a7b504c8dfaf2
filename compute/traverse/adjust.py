"""Spreading what does not close: compass rule, transit rule, least squares. Heights by distance.

The compass rule shares the misclosure by length of course, the transit rule by the size of the latitude and
of the departure. In a single run least squares with a variance that grows with distance gives the same
heights as sharing by distance, so heights have one rule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from compute.records import FloatArray
from compute.traverse.angles import SECONDS, turn
from compute.traverse.closure import Run
from compute.traverse.least_squares import Adjusted, AdjustmentNotConverging, Observation, adjust_plan

RULES = ("compass", "transit", "least-squares", "none")


@dataclass(frozen=True)
class Precision:
    """One standard deviation of what was observed. Common practice, no source: state your own."""

    angle_seconds: float = 5.0
    distance_m: float = 0.003
    distance_ppm: float = 2.0


def compass(
    distance: FloatArray, latitude: FloatArray, departure: FloatArray, off: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """(n,) adjusted latitudes and departures; `off` is the misclosure (computed minus known)."""
    share = distance / distance.sum()
    return latitude - off[0] * share, departure - off[1] * share


def transit(
    latitude: FloatArray, departure: FloatArray, off: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """(n,) adjusted latitudes and departures. A traverse along one axis alone has nothing across it to share
    by: there the misclosure across is shared evenly."""
    adjusted = []
    for parts, missing in ((latitude, off[0]), (departure, off[1])):
        size = np.abs(parts)
        share = size / size.sum() if size.sum() > 0.0 else np.full(len(parts), 1.0 / len(parts))
        adjusted.append(parts - missing * share)
    return adjusted[0], adjusted[1]


def spread(
    run: Run, rule: str, unit_m: float, precision: Precision
) -> tuple[FloatArray, FloatArray, Adjusted | None]:
    """(n,) latitudes and departures after `rule`; unchanged for `none` and for an open leg."""
    latitude, departure, closure = run.latitude, run.departure, run.closure
    if rule == "none" or closure.latitude is None or closure.departure is None:
        return latitude, departure, None
    off = (closure.latitude, closure.departure)
    if rule == "compass":
        return *compass(run.traverse.distance, latitude, departure, off), None
    if rule == "transit":
        return *transit(latitude, departure, off), None
    adjusted = least_squares(run, unit_m, precision)
    if not adjusted.converged:
        raise AdjustmentNotConverging("The least squares adjustment does not settle.", where="adjustment")
    names = run.traverse.stations
    at = np.array([adjusted.coordinates[name] for name in names])
    steps = np.diff(at, axis=0)
    return steps[:, 0], steps[:, 1], adjusted


def spread_heights(run: Run, rule: str) -> FloatArray:
    height = run.traverse.height
    if rule == "none" or run.closure.height is None:
        return height
    return height - run.closure.height * run.traverse.distance / run.traverse.distance.sum()


def places(run: Run, latitude: FloatArray, departure: FloatArray, height: FloatArray) -> FloatArray:
    """(n + 1, 3) northing, easting, elevation, shifted onto the first station of the run that is known; the
    elevation is NaN beyond a course without a height difference."""
    names, known = run.traverse.stations, run.control.stations
    steps = np.column_stack([latitude, departure])
    plan = np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
    tie = next(i for i, name in enumerate(names) if name in known)
    plan += np.array(known[names[tie]][:2]) - plan[tie]
    up = np.full(len(names), np.nan)
    for i, name in enumerate(names):
        elevation = known[name][2] if name in known else None
        if elevation is not None:
            up[i] = elevation
            for j in range(i, len(names) - 1):
                up[j + 1] = up[j] + height[j]
            for j in range(i, 0, -1):
                up[j - 1] = up[j] - height[j - 1]
            break
    return np.column_stack([plan, up])


def observations_of(run: Run, unit_m: float, precision: Precision) -> list[Observation]:
    """What was observed in plan, as it was observed: nothing balanced beforehand."""
    traverse, n = run.traverse, len(run.traverse.distance)
    names, seen = traverse.stations, []
    sigma_angle = precision.angle_seconds / SECONDS
    for i in range(n + 1):
        angle = traverse.angle_deg[i]
        back = names[i - 1] if i else traverse.start_sight
        fore = names[i + 1] if i < n else traverse.end_sight
        if np.isfinite(angle) and back and fore and _oriented(run, names[i], back, fore):
            place = f"station {names[i]}"
            seen.append(Observation("angle", names[i], fore, float(angle), sigma_angle, place, back))
    for i in range(n):
        length, course = float(traverse.distance[i]), f"course {traverse.course(i)}"
        if np.isfinite(traverse.direction_deg[i]):
            azimuth = float(traverse.direction_deg[i])
            seen.append(Observation("azimuth", names[i], names[i + 1], azimuth, sigma_angle, course))
        sigma = math.hypot(precision.distance_m / unit_m, precision.distance_ppm * 1e-6 * length)
        seen.append(Observation("distance", names[i], names[i + 1], length, sigma, course))
    return seen


def least_squares(run: Run, unit_m: float, precision: Precision) -> Adjusted:
    names, control = run.traverse.stations, run.control
    at = places(run, run.latitude, run.departure, run.traverse.height)
    near = {name: (float(p[0]), float(p[1])) for name, p in zip(names, at, strict=True)}
    first = {names[0]: (float(at[0, 0]), float(at[0, 1]))}
    fixed = {n: known[:2] for n, known in control.stations.items() if n in near}
    azimuths = dict(control.azimuths)
    for pair in ((names[0], run.traverse.start_sight), (names[-1], run.traverse.end_sight)):
        azimuth = control.azimuth(*pair) if pair[1] else None
        if azimuth is not None and pair[1] not in near:
            azimuths[pair] = turn(azimuth)
    return adjust_plan(
        observations_of(run, unit_m, precision), near | (first if not fixed else {}), fixed, azimuths
    )


def _oriented(run: Run, station: str, back: str, fore: str) -> bool:
    """An angle to an outside mark serves only where its azimuth is known."""
    names = run.traverse.stations
    return all(s in names or run.control.azimuth(station, s) is not None for s in (back, fore))
