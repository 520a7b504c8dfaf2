"""Constrained Delaunay triangulation, one canonical way.

The triangulator is `pythoncdt` (exact adaptive predicates, constraints). Vertices go in sorted by
easting, then northing, so that the order of rows in a file cannot change a triangle.
"""

from __future__ import annotations

import numpy as np
import pythoncdt
import shapely
from numpy.typing import NDArray

from compute.curve import along_curve
from compute.errors import TooFewShots
from compute.frame import order_by
from compute.kernels import mesh
from compute.records import FloatArray, IntArray, Surface, read_only

LARGE = 5_000
"""Sets beyond this are worked on in the order of a space-filling curve."""


def triangulate(points_m: FloatArray, lines: IntArray | None = None, ring: IntArray | None = None) -> Surface:
    """Triangulate points of the local frame.

    points_m : (N, 3) float64, no two at one plan position (merge them before)
    lines    : (L, 2) point indices honoured as edges; they may not cross each other or the ring
    ring     : (M,) point indices of a simple closed ring; triangles outside it are dropped

    Without a ring the surface covers the convex hull of the points. `Surface.shot_index` gives the
    index into `points_m`. Raises `TooFewShots` when there is no triangle to make.
    """
    if points_m.shape[0] < 3:
        raise TooFewShots(f"{points_m.shape[0]} shots do not make a surface.", where="top")
    order = order_by(points_m[:, 0], points_m[:, 1])
    rank = _inverse(order)
    vertices = np.ascontiguousarray(points_m[order])
    constraints = _constraint_edges(rank, lines, ring)
    # The super-triangle's removal can leave the rim a little short of the hull: hold the hull as an edge.
    held = constraints if ring is not None else np.vstack([constraints, _hull_edges(vertices)])
    along = along_curve(vertices[:, :2]) if len(vertices) > LARGE else None
    raw, neighbors = _run(vertices, held, along)
    inside = np.empty(0, np.bool_)
    if ring is not None:
        corners = raw.astype(np.int64) if along is None else along[raw]
        inside = _inside_ring(vertices, corners, neighbors.astype(np.int64), rank[ring])
    triangles = _kept(vertices, raw, along, inside)
    if len(triangles) == 0:
        raise TooFewShots("All shots lie on one line: there is no surface.", where="top")
    return Surface(
        vertices_m=read_only(vertices),
        triangles=read_only(triangles),
        shot_index=read_only(order.astype(np.int32)),
        lines=read_only(constraints.astype(np.int32)),
    )


def _constraint_edges(
    rank: NDArray[np.int64], lines: IntArray | None, ring: IntArray | None
) -> NDArray[np.int64]:
    """(L, 2) vertex pairs, sorted and each once."""
    parts = [np.empty((0, 2), np.int64)]
    if ring is not None:
        parts.append(np.column_stack([rank[ring], rank[np.roll(ring, -1)]]))
    if lines is not None and len(lines):
        parts.append(rank[np.asarray(lines)])
    edges = np.sort(np.vstack(parts), axis=1)
    edges = edges[edges[:, 0] != edges[:, 1]]
    return np.unique(edges, axis=0)


def hull_corners(vertices: FloatArray) -> NDArray[np.int64]:
    """Corners of the convex hull of sorted vertices, in ring order; empty when all lie on one line."""
    rim = _perhaps_on_hull(vertices)
    hull = shapely.convex_hull(shapely.multipoints(vertices[rim, :2]))
    if hull.geom_type != "Polygon":
        return np.empty(0, np.int64)
    ring = shapely.get_coordinates(hull)[:-1]
    return np.array([_find(vertices, x, y) for x, y in ring], np.int64)


def _perhaps_on_hull(vertices: FloatArray) -> NDArray[np.int64]:
    """All but the vertices well inside the octagon of the extreme ones, which cannot be on the hull."""
    x, y = vertices[:, 0], vertices[:, 1]
    if len(vertices) < 1000:
        return np.arange(len(vertices))
    extremes = [int(np.argmax(v)) for v in (x, x + y, y, y - x, -x, -x - y, -y, x - y)]
    inside = np.ones(len(vertices), np.bool_)
    for a, b in zip(extremes, extremes[1:] + extremes[:1], strict=True):
        if a != b:
            inside &= (x[b] - x[a]) * (y - y[a]) - (y[b] - y[a]) * (x - x[a]) > 0.0
    return np.flatnonzero(~inside)


def _hull_edges(vertices: FloatArray) -> NDArray[np.int64]:
    index = hull_corners(vertices)
    return np.sort(np.column_stack([index, np.roll(index, -1)]), axis=1)


def _find(vertices: FloatArray, x: float, y: float) -> int:
    """Index of an exact plan position among sorted vertices."""
    low = int(np.searchsorted(vertices[:, 0], x, "left"))
    high = int(np.searchsorted(vertices[:, 0], x, "right"))
    return low + int(np.searchsorted(vertices[low:high, 1], y, "left"))


def _run(
    vertices: FloatArray, edges: NDArray[np.int64], along: NDArray[np.int64] | None
) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """Corners, as places on the curve where there is one, and neighbours.

    A large set is handed over along the curve: the triangulator then finds near points near in memory and
    takes half the time. It chooses its own order by position, so that the triangles stay the same.
    """
    plan = vertices[:, :2] if along is None else vertices[along, :2]
    machine = pythoncdt.Triangulation(
        pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.NOT_ALLOWED, 0.0
    )
    # The stubs cannot say that an array is a buffer before Python 3.12.
    machine.insert_vertices(np.ascontiguousarray(plan))  # type: ignore[call-overload]
    if len(edges):
        held = edges if along is None else _inverse(along)[edges]
        machine.insert_edges(np.ascontiguousarray(held, dtype=np.uintc))  # type: ignore[call-overload]
    machine.erase_super_triangle()
    found = machine.triangles_array()
    return np.ascontiguousarray(found["vertices"]), found["neighbors"]


def _kept(
    vertices: FloatArray,
    raw: NDArray[np.uint32],
    along: NDArray[np.int64] | None,
    inside: NDArray[np.bool_],
) -> IntArray:
    """(K, 3) int32 triangles inside and of some area, in the order of the curve where there is one."""
    if along is None:
        keep = _plan_area2(vertices, raw.astype(np.int64)) > 0.0
        return np.ascontiguousarray(raw[keep & inside if len(inside) else keep], dtype=np.int32)
    x, y = np.ascontiguousarray(vertices[along, :2].T)
    return mesh.along_curve_of(raw, along, x, y, inside)


def _inverse(order: NDArray[np.int64]) -> NDArray[np.int64]:
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    return place


def _plan_area2(vertices: FloatArray, corners: NDArray[np.int64]) -> FloatArray:
    a, b, c = np.ascontiguousarray(corners.T)
    x, y = np.ascontiguousarray(vertices[:, :2].T)
    area2: FloatArray = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a])
    return area2


def _inside_ring(
    vertices: FloatArray,
    corners: NDArray[np.int64],
    neighbors: NDArray[np.int64],
    ring: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Which triangles lie inside the ring.

    Triangles are joined to their neighbours except across the ring; each such patch is wholly in or
    out, so one look at its largest triangle settles it, however thin its slivers are.
    """
    wall = _edge_keys(_ring_walls(vertices, ring), len(vertices))
    on_ring = np.zeros(len(vertices), np.bool_)
    on_ring[wall // len(vertices)] = on_ring[wall % len(vertices)] = True
    # Neighbour k of a triangle lies across the edge from corner k to corner k + 1.
    closed = on_ring[corners] & on_ring[np.roll(corners, -1, axis=1)]
    side = np.nonzero(closed)
    across = np.column_stack([corners[side], corners[side[0], (side[1] + 1) % 3]])
    closed[side] = np.isin(_edge_keys(across, len(vertices)), wall)
    label = mesh.patches(neighbors, closed)
    patches = int(label.max()) + 1
    area2 = _plan_area2(vertices, corners)
    order = np.lexsort((area2, label))
    largest = order[np.searchsorted(label[order], np.arange(patches), side="right") - 1]
    middle = vertices[corners[largest], :2].mean(axis=1)
    polygon = shapely.polygons(vertices[ring, :2])
    shapely.prepare(polygon)
    inside: NDArray[np.bool_] = shapely.contains_xy(polygon, middle[:, 0], middle[:, 1])[label]
    return inside


def _edge_keys(edges: NDArray[np.int64], vertex_count: int) -> NDArray[np.int64]:
    ordered = np.sort(edges, axis=1)
    keys: NDArray[np.int64] = ordered[:, 0] * vertex_count + ordered[:, 1]
    return keys


def _ring_walls(vertices: FloatArray, ring: NDArray[np.int64]) -> NDArray[np.int64]:
    """Ring edges as the triangulator has them: split at vertices that lie exactly on an edge."""
    pairs = np.column_stack([ring, np.roll(ring, -1)])
    pieces: list[tuple[int, int]] = []
    for a, b in pairs:
        pa, pb = vertices[a, :2], vertices[b, :2]
        low, high = np.minimum(pa, pb), np.maximum(pa, pb)
        first = int(np.searchsorted(vertices[:, 0], low[0], "left"))
        last = int(np.searchsorted(vertices[:, 0], high[0], "right"))
        near = vertices[first:last, :2]
        cross = (pb[0] - pa[0]) * (near[:, 1] - pa[1]) - (pb[1] - pa[1]) * (near[:, 0] - pa[0])
        on = np.flatnonzero((cross == 0.0) & (near[:, 1] >= low[1]) & (near[:, 1] <= high[1])) + first
        along = on[np.argsort((vertices[on, :2] - pa) @ (pb - pa), kind="stable")]
        pieces.extend(zip(along[:-1].tolist(), along[1:].tolist(), strict=True))
    return np.array(pieces, np.int64).reshape(-1, 2)
