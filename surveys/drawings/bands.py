"""Height bands of a triangulated surface as outlines, and the contour lines between them."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from surveys.drawings.svg import FloatArray, nice_step, steps_within


def contour_levels(low: float, high: float, unit_m: float, wanted: int = 12) -> tuple[float, list[float]]:
    """Step and levels, round numbers in the site's unit, returned in metres."""
    step = nice_step((high - low) / unit_m, wanted)
    return step * unit_m, [level * unit_m for level in steps_within(low / unit_m, high / unit_m, step)]


def region_above(vertices_m: FloatArray, triangles: Any, level_m: float) -> Any:
    """The plan region where the surface is above `level_m`, as one shapely geometry.

    vertices_m : (V, 3) float64; triangles : (T, 3) int. Empty where nothing is that high.
    """
    # A vertex exactly at the level would be cut at itself, a rounding apart for each of its triangles.
    # A nanometre aside, the pieces share their edges to the bit, and joining them takes no overlay.
    level_m += 1e-9
    inside = vertices_m[:, 2][triangles] >= level_m
    count = inside.sum(axis=1)
    pieces = [shapely.polygons(vertices_m[triangles[count == 3]][:, :, :2])] if (count == 3).any() else []
    for wanted, lone_is_inside in ((1, True), (2, False)):
        rows = np.flatnonzero(count == wanted)
        if len(rows):
            pieces.append(_clipped(vertices_m, triangles[rows], inside[rows], level_m, lone_is_inside))
    if not pieces:
        return shapely.Polygon()
    return shapely.coverage_union_all(np.concatenate(pieces))


def _clipped(
    vertices_m: FloatArray, triangles: Any, inside: Any, level_m: float, lone_is_inside: bool
) -> Any:
    """Triangles cut by the level: the tip (lone corner inside) or the rest (lone corner outside)."""
    lone = np.argmax(inside == lone_is_inside, axis=1)
    rows = np.arange(len(triangles))
    tip = triangles[rows, lone]
    left = triangles[rows, (lone + 1) % 3]
    right = triangles[rows, (lone + 2) % 3]
    cut_left, cut_right = _cut(vertices_m, tip, left, level_m), _cut(vertices_m, tip, right, level_m)
    if lone_is_inside:
        ring = np.stack([vertices_m[tip, :2], cut_left, cut_right], axis=1)
    else:
        ring = np.stack([cut_left, vertices_m[left, :2], vertices_m[right, :2], cut_right], axis=1)
    return shapely.polygons(ring)


def _cut(vertices_m: FloatArray, tip: Any, other: Any, level_m: float) -> FloatArray:
    """Where edges meet the level. Ordered by vertex index, so both neighbours find the same point."""
    first, second = np.minimum(tip, other), np.maximum(tip, other)
    a, b = vertices_m[first], vertices_m[second]
    part = (level_m - a[:, 2]) / (b[:, 2] - a[:, 2])
    return a[:, :2] + part[:, None] * (b[:, :2] - a[:, :2])


def contour_lines(vertices_m: FloatArray, triangles: Any, level_m: float) -> list[FloatArray]:
    """Polylines (K, 2) of the surface at `level_m`."""
    height = vertices_m[:, 2][triangles]
    above = height >= level_m
    rows = np.flatnonzero((above.sum(axis=1) % 3) != 0)
    if not len(rows):
        return []
    cut = triangles[rows]
    inside = above[rows]
    lone_value = inside.sum(axis=1) == 1
    lone = np.argmax(inside == lone_value[:, None], axis=1)
    index = np.arange(len(cut))
    tip, left, right = cut[index, lone], cut[index, (lone + 1) % 3], cut[index, (lone + 2) % 3]
    ends = np.stack([_cut(vertices_m, tip, left, level_m), _cut(vertices_m, tip, right, level_m)], axis=1)
    merged = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(ends)))
    return [shapely.get_coordinates(line) for line in shapely.get_parts(merged)]
