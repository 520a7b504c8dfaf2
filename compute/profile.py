"""The silhouette of a pile: its own longest section, small enough to stand in a table row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from compute.records import Edge, FloatArray, Surface, read_only
from compute.sections import Profile, long_axis_rad, section, turned

if TYPE_CHECKING:
    from compute.case import Case

LINES_TRIED = 24
"""Parallel lines along the long axis among which the longest inside the edge is taken."""

LARGEST_POINTS = 64


@dataclass(frozen=True)
class Silhouette:
    """Outline of top and base along the pile's longest section.

    top_m, base_m : each (K, 2) float64: distance along the section from its west end, height; metres
    line_m        : (2, 2) ends of the section in plan, local frame
    """

    top_m: FloatArray
    base_m: FloatArray
    line_m: FloatArray


def silhouette(top: Surface, base: Surface, edge: Edge) -> Silhouette:
    """The longest section along the edge's long axis, thinned to what a small drawing shows."""
    line = longest_line(edge)
    reach = float(np.hypot(*(line[1] - line[0])))
    upper, lower = (_outline(section(surface, line)) for surface in (top, base))
    rise = max(float(np.ptp(np.r_[upper[:, 1], lower[:, 1]])), 1e-3) if len(upper) else 1.0
    tolerance = max(reach, 2.0 * rise) / 1000.0
    return Silhouette(
        read_only(simplified(upper, tolerance)), read_only(simplified(lower, tolerance)), read_only(line)
    )


def silhouette_of(case: Case) -> Silhouette:
    return silhouette(case.top, case.base.surface, case.edge)


def longest_line(edge: Edge) -> FloatArray:
    """(2, 2) the longest straight line inside the edge parallel to its long axis, from west to east."""
    angle = long_axis_rad(edge.ring_m)
    u, v = turned(edge.ring_m, angle)
    polygon = shapely.make_valid(shapely.Polygon(np.column_stack([u, v])))
    share = (np.arange(LINES_TRIED) + 0.5) / LINES_TRIED
    across = np.append(float(v.min()) + share * float(np.ptp(v)), float(polygon.centroid.y))
    west, east = float(u.min()) - 1.0, float(u.max()) + 1.0
    best = (0.0, (float(u.min()), float(v.mean())), (float(u.max()), float(v.mean())))
    for at in across.tolist():
        inside = polygon.intersection(shapely.LineString([(west, at), (east, at)]))
        for part in shapely.get_parts(inside):
            # Through the middle first: a line only a little longer near the rim shows less of the pile.
            length = part.length * (1.0 + 1e-3 * (at == across[-1]))
            if length > best[0]:
                ends = shapely.get_coordinates(part)
                best = (length, tuple(ends[0]), tuple(ends[-1]))
    ends = np.array([best[1], best[2]])
    ends = ends[np.argsort(ends[:, 0])]
    back = np.column_stack(turned(ends, -angle))
    return np.ascontiguousarray(back if back[0, 0] <= back[1, 0] else back[::-1])


def _outline(profile: Profile) -> FloatArray:
    """Distance and height of all pieces in one row."""
    if not profile.pieces:
        return np.empty((0, 2))
    return np.vstack(profile.pieces)[:, [0, 3]]


def simplified(line: FloatArray, tolerance: float) -> FloatArray:
    """`line` (K, 2) with fewer points, none off by more than a tolerance that grows until it is small."""
    if len(line) < 3:
        return np.ascontiguousarray(line)
    drawn = shapely.LineString(line)
    thin = shapely.get_coordinates(shapely.simplify(drawn, tolerance))
    while len(thin) > LARGEST_POINTS:
        tolerance *= 1.5
        thin = shapely.get_coordinates(shapely.simplify(drawn, tolerance))
    return thin
