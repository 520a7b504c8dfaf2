"""Shapes with known volumes, and three outside opinions on the volume between two surfaces."""

from __future__ import annotations

import dataclasses
import math
from fractions import Fraction

import manifold3d
import numpy as np
import shapely

from compute.records import Surface
from compute.triangulate import triangulate


def cone_points(radius_m: float, height_m: float, n: int, centre=(30.0, 40.0)) -> np.ndarray:
    """Toe points on a circle, then the apex: (n + 1, 3)."""
    angle = 2 * math.pi * np.arange(n) / n
    ring = np.column_stack([np.cos(angle) * radius_m + centre[0], np.sin(angle) * radius_m + centre[1]])
    return np.vstack([np.column_stack([ring, np.zeros(n)]), [centre[0], centre[1], height_m]])


def level_soup(level_m: float, size_m: float) -> np.ndarray:
    """A level square from −size to +size as two triangles."""
    s, z = size_m, level_m
    return np.array([[[-s, -s, z], [s, -s, z], [s, s, z]], [[-s, -s, z], [s, s, z], [-s, s, z]]], dtype=float)


def rough_surface(count: int, seed: int, lift: float) -> Surface:
    """Random heights over the 100 m square, corners included."""
    rng = np.random.default_rng(seed)
    xy = np.vstack([rng.uniform(0, 100, (count, 2)), [[0, 0], [100, 0], [100, 100], [0, 100]]])
    return triangulate(np.column_stack([xy, lift + rng.normal(0, 1.5, len(xy))]))


def raised(surface: Surface, vertex: int, by_m: float) -> Surface:
    vertices = surface.vertices_m.copy()
    vertices[vertex, 2] += by_m
    return dataclasses.replace(surface, vertices_m=vertices)


def _solid(surface: Surface, floor_m: float) -> manifold3d.Manifold:
    """The body between a surface over the 100 m square and a floor, for the solid-boolean library."""
    v, t = surface.vertices_m, surface.triangles
    edges = np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    directed = np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
    _, inverse, counts = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    rim = directed[counts[inverse] == 1]
    n = len(v)
    lower = np.column_stack([v[:, :2], np.full(n, floor_m)])
    walls = [[a, a + n, b + n] for a, b in rim] + [[a, b + n, b] for a, b in rim]
    faces = np.vstack([t, t[:, ::-1] + n, np.array(walls)])
    mesh = manifold3d.Mesh64(
        vert_properties=np.vstack([v, lower]).astype(np.float64), tri_verts=faces.astype(np.uint64)
    )
    body = manifold3d.Manifold(mesh)
    assert body.status() == manifold3d.Error.NoError
    assert body.volume() > 0
    return body


def solid_boolean_above_below(top: Surface, base: Surface) -> tuple[float, float]:
    """Volume of top over base and of base over top, by `manifold3d` (Apache-2.0)."""
    floor = float(min(top.vertices_m[:, 2].min(), base.vertices_m[:, 2].min())) - 10.0
    upper, lower = _solid(top, floor), _solid(base, floor)
    return (upper - lower).volume(), (lower - upper).volume()


def polygon_overlay_net(top: Surface, base: Surface) -> float:
    """Net volume by `shapely` polygon intersections: area times height difference at the centroid."""
    a = shapely.polygons(top.corners_m[:, :, :2])
    b = shapely.polygons(base.corners_m[:, :, :2])
    left, right = shapely.STRtree(b).query(a, predicate="intersects")
    part = shapely.intersection(a[left], b[right])
    areas, middle = shapely.area(part), shapely.centroid(part)
    keep = areas > 0
    x, y = shapely.get_x(middle[keep]), shapely.get_y(middle[keep])
    top_z = _heights(top.corners_m[left[keep]], x, y)
    base_z = _heights(base.corners_m[right[keep]], x, y)
    return math.fsum(areas[keep] * (top_z - base_z))


def _heights(corners: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    gx = (u[:, 2] * v[:, 1] - v[:, 2] * u[:, 1]) / det
    gy = (v[:, 2] * u[:, 0] - u[:, 2] * v[:, 0]) / det
    return corners[:, 0, 2] + gx * (x - corners[:, 0, 0]) + gy * (y - corners[:, 0, 1])


def rational_above_below(top: Surface, base: Surface) -> tuple[Fraction, Fraction]:
    """The slow, obvious, exact twin: every pair of triangles clipped in rational arithmetic."""
    tops = [[[Fraction(c) for c in p] for p in t] for t in top.corners_m.tolist()]
    bases = [[[Fraction(c) for c in p] for p in t] for t in base.corners_m.tolist()]
    above = below = Fraction(0)
    for t in tops:
        for b in bases:
            polygon = _clip(t, b)
            if len(polygon) < 3:
                continue
            difference = [_z(t, p) - _z(b, p) for p in polygon]
            above += _positive_part(polygon, difference)
            below += _positive_part(polygon, [-d for d in difference])
    return above, below


def _clip(triangle, by):
    polygon = [p[:2] for p in triangle]
    for k in range(3):
        (ax, ay), (bx, by_) = by[k][:2], by[(k + 1) % 3][:2]
        side = [(bx - ax) * (p[1] - ay) - (by_ - ay) * (p[0] - ax) for p in polygon]
        polygon = _keep(polygon, side)[0]
    return polygon


def _keep(polygon, side, extra=None):
    out, kept = [], []
    for i in range(len(polygon)):
        j = (i + 1) % len(polygon)
        if side[i] >= 0:
            out.append(polygon[i])
            kept.append(extra[i] if extra else None)
        if (side[i] > 0 and side[j] < 0) or (side[i] < 0 and side[j] > 0):
            s = side[i] / (side[i] - side[j])
            out.append([a + (b - a) * s for a, b in zip(polygon[i], polygon[j], strict=True)])
            kept.append(extra[i] + (extra[j] - extra[i]) * s if extra else None)
    return out, kept


def _z(triangle, point):
    (x0, y0, z0), (x1, y1, z1), (x2, y2, z2) = triangle
    det = (x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0)
    l1 = ((point[0] - x0) * (y2 - y0) - (point[1] - y0) * (x2 - x0)) / det
    l2 = ((x1 - x0) * (point[1] - y0) - (y1 - y0) * (point[0] - x0)) / det
    return z0 + l1 * (z1 - z0) + l2 * (z2 - z0)


def _positive_part(polygon, difference):
    part, heights = _keep(polygon, difference, difference)
    total = Fraction(0)
    for i in range(1, len(part) - 1):
        (x0, y0), (x1, y1), (x2, y2) = part[0], part[i], part[i + 1]
        area = ((x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0)) / 2
        total += area * (heights[0] + heights[i] + heights[i + 1]) / 3
    return total
