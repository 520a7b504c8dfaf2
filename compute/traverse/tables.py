"""A solved book as tables: the reduction line by line, and two adjustments side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass

from compute.traverse.adjust import compass, least_squares, places
from compute.traverse.book import Sight
from compute.traverse.corrections import apply_corrections
from compute.traverse.least_squares import Ellipse, residuals_as_read
from compute.traverse.reduction import reduce_each
from compute.traverse.setups import grouped, is_mark_to_mark
from compute.traverse.solve import TraverseResult
from compute.units import LENGTH_IN_M

Plan = tuple[float, float]


@dataclass(frozen=True)
class ReductionRow:
    """One pointing from what was read to what it gives, in the book's unit and degrees; None where absent.

    `direction_deg` and `zenith_deg` in face one, the zenith meaned over the faces; `corrected_slope` with
    prism constant and scale; `over_axis` with curvature and refraction (`curvature`); `height_difference`
    from mark to mark. `corrected` tells that a correction was laid over the sight.
    """

    line: int
    setup: str
    at: str
    to: str
    kind: str
    face: int
    code: str
    circle_deg: float
    direction_deg: float
    zenith_deg: float | None
    slope_distance: float | None
    prism_constant: float
    ppm: float
    corrected_slope: float | None
    horizontal_distance: float | None
    curvature: float | None
    over_axis: float | None
    instrument_height: float | None
    target_height: float | None
    height_difference: float | None
    corrected: bool


def reduction_table(result: TraverseResult) -> tuple[ReductionRow, ...]:
    """Every sight of a field book in its order, as it can be checked by hand; empty for the other forms."""
    if result.book is None:
        return ()
    used = apply_corrections(result.file, result.request.corrections)
    read_as = {s.line: s for s in result.file.sights}
    height_of = {s.name: s.instrument_height for s in result.book.setups}
    mark_to_mark = is_mark_to_mark(used.sights)
    rows: list[ReductionRow] = []
    for name, sights in grouped(used.sights).items():
        targets: dict[tuple[str, str], list[Sight]] = {}
        for sight in sights:
            targets.setdefault((sight.kind, sight.to), []).append(sight)
        for group in targets.values():
            steps = reduce_each(group, height_of[name], result.request.reducing, mark_to_mark)
            rows += [
                ReductionRow(
                    s.line, s.setup, s.at, s.to, s.kind, r.face, s.code, s.circle_deg, r.direction_deg,
                    r.zenith_deg, s.slope_distance, r.prism_constant, r.ppm, r.corrected_slope,
                    r.horizontal_distance, r.curvature, r.over_axis, height_of[name], s.target_height,
                    r.height_difference, s != read_as[s.line],
                )
                for s, r in zip(group, steps, strict=True)
            ]  # fmt: skip
    return tuple(sorted(rows, key=lambda row: row.line))


@dataclass(frozen=True)
class BothRow:
    """A station after either adjustment; `northing`, `easting` and `apart` are compass minus least squares.
    `ellipse`: one standard deviation, None for a known station."""

    station: str
    compass: Plan
    least_squares: Plan
    northing: float
    easting: float
    apart: float
    ellipse: Ellipse | None


@dataclass(frozen=True)
class ResidualRow:
    """`residual` is adjusted minus observed: in the book's unit for distances (`unit` length), in seconds of
    arc for the rest. `redundancy`: the share of an error in this observation that the net shows."""

    kind: str
    place: str
    observed: float
    residual: float
    unit: str
    sigma: float
    standardised: float
    redundancy: float


@dataclass(frozen=True)
class BothAdjustments:
    """`low` to `high` is where the variance factor lies 95 times in a hundred if the stated precisions are
    right (chi-square, two-sided); `test_passes` is None without redundancy."""

    rows: tuple[BothRow, ...]
    residuals: tuple[ResidualRow, ...]
    variance_factor: float | None
    low: float | None
    high: float | None
    degrees_of_freedom: int
    test_passes: bool | None


def both_adjustments(result: TraverseResult) -> BothAdjustments | None:
    """Compass rule and least squares beside each other, whichever was asked for.

    None where nothing closes, or where the least squares do not settle. A misclosure beyond its limit is
    shown as well, since that is when one looks.
    """
    run, request = result.run, result.request
    off = run.closure.latitude, run.closure.departure
    if off[0] is None or off[1] is None or len(run.traverse.distance) < 2:
        return None
    unit_m = float(LENGTH_IN_M[request.unit])
    adjusted = result.adjusted or least_squares(run, unit_m, request.precision)
    if not adjusted.converged:
        return None
    latitude, departure = compass(run.traverse.distance, run.latitude, run.departure, (off[0], off[1]))
    at = places(run, latitude, departure, run.traverse.height)
    rows: dict[str, BothRow] = {}
    for name, place in zip(run.traverse.stations, at.tolist(), strict=True):
        other = adjusted.coordinates[name]
        north, east = place[0] - other[0], place[1] - other[1]
        rows.setdefault(
            name,
            BothRow(
                name, (place[0], place[1]), other, north, east, math.hypot(north, east),
                adjusted.ellipses.get(name),
            ),
        )  # fmt: skip
    linear = adjusted.linear
    factor = linear.variance_factor
    low, high = adjusted.variance_bounds if factor is not None else (None, None)
    passes = None if factor is None or low is None or high is None else low <= factor <= high
    residuals = tuple(
        ResidualRow(
            o.kind, o.place, o.value, v, "length" if o.kind == "distance" else "seconds",
            o.sigma if o.kind == "distance" else o.sigma * 3600.0, float(w), float(r),
        )
        for o, v, w, r in zip(
            adjusted.observations, residuals_as_read(adjusted), linear.standardised, linear.redundancy,
            strict=True,
        )
    )  # fmt: skip
    return BothAdjustments(
        tuple(rows.values()), residuals, factor, low, high, linear.degrees_of_freedom, passes
    )
