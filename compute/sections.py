"""Volume once more by parallel vertical sections, and profiles along drawn lines.

The sections stand across the long axis of the outer edge. Between two neighbouring corners of the
surfaces a section's area changes as a quadratic, for which the prismoidal formula is exact; a small
survey therefore gets a section at every corner besides the evenly spaced ones. Nothing here uses
the overlay of triangles, so that the two ways to the volume do not share a fault.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from compute.errors import BadOption, NothingToMeasure
from compute.kernels.sections import areas_between, cut_by_stations
from compute.records import Edge, FloatArray, Surface, read_only

if TYPE_CHECKING:
    from compute.case import Case

EVEN_INTERVALS = 160
"""Intervals of a large survey. On a smooth pile end areas are then right to about 1 in 20,000."""

MOST_CORNER_STATIONS = 3_000
"""Up to here every corner gets its section; more would cost time and gain nothing."""

INSET = 1e-11
"""Sections at the ends of an interval stand this share of the whole length inside it: at a vertical end
the area jumps, and turning the axes leaves such an end straight only to rounding."""


@dataclass(frozen=True)
class CrossCheck:
    """The same volume by sections. `difference_m3` is this one minus the overlay's net.

    expected_error_m3 : how far the spacing of the sections alone may move `net_m3`
    covered_share     : share of the sections' length inside the edge where both surfaces are known
    """

    kind: str
    net_m3: float
    difference_m3: float
    above_m3: float
    below_m3: float
    average_end_area_m3: float
    expected_error_m3: float
    sections: int
    axis_azimuth_deg: float
    covered_share: float

    def as_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "net_m3": self.net_m3,
            "difference_m3": self.difference_m3,
            "above_m3": self.above_m3,
            "below_m3": self.below_m3,
            "average_end_area_m3": self.average_end_area_m3,
            "expected_error_m3": self.expected_error_m3,
            "sections": self.sections,
            "axis_azimuth_deg": self.axis_azimuth_deg,
        }


@dataclass(frozen=True)
class Profile:
    """Heights of a surface along a line.

    pieces   : each (K, 4) float64: distance along the line, x, y, z, in metres; one row at each crossing of
               an edge of the triangulation and at each bend of the line. A new piece begins after a gap
    length_m : length of the whole line
    """

    pieces: tuple[FloatArray, ...]
    length_m: float


def average_end_area(areas: FloatArray, spacing: float) -> float:
    """Volume of equally spaced sections, each pair joined by its mean area. Any one unit of length.

    Only an approximation where the area changes between sections (USACE EM 1110-2-1003, ch. 15).
    """
    return float(spacing * (areas.sum() - 0.5 * (areas[0] + areas[-1])))


def prismoidal(areas: FloatArray, spacing: float) -> float:
    """Volume of an odd number of equally spaced sections by Simpson's rule (the prismoidal formula)."""
    if len(areas) < 3 or len(areas) % 2 == 0:
        raise BadOption(
            f"The prismoidal formula wants an odd number of sections, three or more; {len(areas)} are given.",
            where="sections",
            remedy="Add a section, or use average end areas.",
        )
    return float(
        spacing / 3.0 * (areas[0] + areas[-1] + 4.0 * areas[1:-1:2].sum() + 2.0 * areas[2:-1:2].sum())
    )


def long_axis_rad(ring_m: FloatArray) -> float:
    """Direction of the long axis, radians counter-clockwise from east, by the second moments of area."""
    x, y = (ring_m - ring_m.mean(axis=0)).T
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y2 - x2 * y
    area = cross.sum() / 2.0
    cx = ((x + x2) * cross).sum() / (6.0 * area)
    cy = ((y + y2) * cross).sum() / (6.0 * area)
    xx = ((x * x + x * x2 + x2 * x2) * cross).sum() / 12.0 - area * cx * cx
    yy = ((y * y + y * y2 + y2 * y2) * cross).sum() / 12.0 - area * cy * cy
    xy = ((x * y2 + 2.0 * x * y + 2.0 * x2 * y2 + x2 * y) * cross).sum() / 24.0 - area * cx * cy
    return 0.5 * math.atan2(2.0 * xy, xx - yy)


def turned(xy_m: FloatArray, angle_rad: float) -> tuple[FloatArray, FloatArray]:
    """Plan positions as (u along the direction, v to its left)."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return (
        np.ascontiguousarray(xy_m[:, 0] * c + xy_m[:, 1] * s),
        np.ascontiguousarray(xy_m[:, 1] * c - xy_m[:, 0] * s),
    )


def _bounds(corner_u: FloatArray, low: float, high: float) -> FloatArray:
    """Ends of the intervals between sections: evenly spaced, and at every corner unless they are many."""
    even = np.linspace(low, high, EVEN_INTERVALS + 1)
    inside = np.unique(corner_u[(corner_u > low) & (corner_u < high)])
    if inside.size > MOST_CORNER_STATIONS:
        return even
    ends = np.unique(np.concatenate((even, inside)))
    wide = np.concatenate(([True], np.diff(ends) > (high - low) * 1e-9))
    # The last end must stay: of two ends too close, the earlier one goes.
    wide[-2:] = [wide[-2] and wide[-1], True]
    return ends[wide]


def by_sections(top: Surface, base: Surface, edge: Edge, net_m3: float) -> CrossCheck:
    """Volume between two surfaces inside an edge by sections, beside the net volume of the overlay.

    `difference_m3` = sections − `net_m3`. Raises `NothingToMeasure` for an edge without extent.
    """
    angle = long_axis_rad(edge.ring_m)
    ring_u, ring_v = turned(edge.ring_m, angle)
    top_u, top_v = turned(top.vertices_m, angle)
    base_u, base_v = turned(base.vertices_m, angle)
    low, high = float(ring_u.min()), float(ring_u.max())
    if not high > low:
        raise NothingToMeasure("The outer edge has no length to lay sections along.", where="outer edge")
    bounds = _bounds(np.concatenate((top_u, base_u, ring_u)), low, high)
    width = np.diff(bounds)
    inset = (high - low) * INSET
    stations = np.column_stack((bounds[:-1] + inset, bounds[:-1] + width * 0.5, bounds[1:] - inset)).ravel()
    cuts = [
        cut_by_stations(u, v, np.ascontiguousarray(s.vertices_m[:, 2]), s.triangles, stations)
        for u, v, s in ((top_u, top_v, top), (base_u, base_v, base))
    ]
    (top_start, top_rows), (base_start, base_rows) = cuts
    found = areas_between(top_start, top_rows, base_start, base_rows, ring_u, ring_v, stations)
    first, middle, last = found[0::3], found[1::3], found[2::3]
    by_prismoid = width @ ((first + 4.0 * middle + last) / 6.0)
    by_end_area = width @ ((first + last) / 2.0)
    net = float(by_prismoid[0] - by_prismoid[1])
    net_area = found[:, 0] - found[:, 1]
    return CrossCheck(
        kind="parallel sections",
        net_m3=net,
        difference_m3=net - net_m3,
        above_m3=float(by_prismoid[0]),
        below_m3=float(by_prismoid[1]),
        average_end_area_m3=float(by_end_area[0] - by_end_area[1]),
        expected_error_m3=_expected_error(net_area.reshape(-1, 3), width),
        sections=len(stations),
        axis_azimuth_deg=(90.0 - math.degrees(angle)) % 180.0,
        covered_share=float(by_prismoid[3] / by_prismoid[2]) if by_prismoid[2] > 0.0 else 0.0,
    )


def _expected_error(area: FloatArray, width: FloatArray) -> float:
    """Bound on what the spacing of the sections does to the volume, m³.

    Where an interval's area is no quadratic, the prismoidal formula and the end areas of its two halves
    disagree. They also disagree where it is one, so the bound is wide, but it is always small.
    """
    rounding = 1e-10 * float(width @ np.abs(area).max(axis=1))
    return float(width @ np.abs(area[:, 0] - 2.0 * area[:, 1] + area[:, 2])) / 12.0 + rounding


def cross_check(case: Case) -> CrossCheck:
    """The case's volume by sections; its `difference_m3` should be no more than `expected_error_m3`."""
    return by_sections(case.top, case.base.surface, case.edge, case.volume.net_m3)


# --- profiles ------------------------------------------------------------------------------------


def section(surface: Surface, line_m: FloatArray) -> Profile:
    """Exact heights of `surface` along the polyline `line_m` (K, 2), K ≥ 2, local frame.

    Where the line leaves the surface the profile has a gap, never a made-up height. A line along the
    outer edge itself is on the surface. Raises `BadOption` for a line without length.
    """
    line = np.asarray(line_m, dtype=np.float64)
    if line.ndim != 2 or line.shape[0] < 2 or line.shape[1] != 2 or not np.isfinite(line).all():
        raise BadOption(
            "A section line needs two or more points, each an easting and a northing.",
            where="section line",
            remedy="Draw the line with at least two different points.",
        )
    steps = np.hypot(*np.diff(line, axis=0).T)
    if not steps.sum() > 0.0:
        raise BadOption(
            "The section line has no length.",
            where="section line",
            remedy="Draw the line with at least two different points.",
        )
    rows: list[FloatArray] = []
    done = 0.0
    for start, end, length in zip(line[:-1], line[1:], steps, strict=True):
        if length > 0.0:
            rows.extend(_leg(surface, start, end, float(length), done))
        done += float(length)
    return Profile(tuple(read_only(piece) for piece in _joined(rows, done)), done)


def _leg(
    surface: Surface, start: FloatArray, end: FloatArray, length: float, done: float
) -> list[FloatArray]:
    """The straight runs of one leg, each (2, 4): distance, x, y, z at its two ends."""
    angle = math.atan2(end[1] - start[1], end[0] - start[0])
    along, across = turned(surface.vertices_m[:, :2] - start, angle)
    z = np.ascontiguousarray(surface.vertices_m[:, 2])
    here = np.zeros(1)
    # Both sides of the line are asked: along an outer edge only one of them has triangles.
    sides = [cut_by_stations(u, along, z, surface.triangles, here)[1] for u in (-across, across)]
    rows = np.concatenate(sides)
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    runs: list[FloatArray] = []
    reached = 0.0
    direction = (end - start) / length
    for v0, z0, v1, z1, _ in rows:
        begin, stop = max(v0, reached), min(v1, length)
        if stop <= begin or stop - begin <= length * 1e-12:
            continue
        slope = (z1 - z0) / (v1 - v0)
        distance = np.array([begin, stop])
        run = np.empty((2, 4))
        run[:, 0] = distance + done
        run[:, 1:3] = start + distance[:, None] * direction
        run[:, 3] = z0 + slope * (distance - v0)
        runs.append(run)
        reached = stop
    return runs


def _joined(runs: list[FloatArray], length: float) -> list[FloatArray]:
    """Runs that follow on each other without a gap, as polylines."""
    pieces: list[list[FloatArray]] = []
    for run in runs:
        if pieces and run[0, 0] - pieces[-1][-1][0] <= 1e-9 * max(length, 1.0):
            pieces[-1].append(run[1])
        else:
            pieces.append([run[0], run[1]])
    return [np.array(piece) for piece in pieces]
