"""Questions to a triangulated surface: heights, areas, and the index that finds its triangles."""

from __future__ import annotations

import math
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from compute.kernels import overlay
from compute.records import Edge, FloatArray, IntArray, Surface, read_only
from compute.triangulate import triangulate

FEW = 64
"""Points are looked up without an index of the triangles while there are so many triangles to a point."""


@dataclass(frozen=True)
class Indexed:
    """Triangles with the grid that finds them.

    vertices_m : (V, 3) float64
    triangles  : (T, 3) int32
    """

    vertices_m: FloatArray
    triangles: IntArray
    start: IntArray
    item: IntArray
    grid: FloatArray


Triangles = Surface | FloatArray | Indexed
"""A surface, or a bare soup of triangles (T, 3, 3), or either with its index."""


def meshed(surface: Triangles) -> tuple[FloatArray, IntArray]:
    """Vertices (V, 3) and triangles (T, 3); each triangle of a soup has vertices of its own."""
    if isinstance(surface, Surface | Indexed):
        return surface.vertices_m, surface.triangles
    corners = np.ascontiguousarray(surface).reshape(-1, 3)
    numbers = np.arange(len(corners), dtype=np.int32).reshape(-1, 3)
    # Read-only as a surface's are: for others every loop would be compiled once more.
    return read_only(corners), read_only(numbers)


def indexed(surface: Surface | FloatArray) -> Indexed:
    """Index a surface or a soup by about one cell for every two triangles."""
    vertices, triangles = meshed(surface)
    grid = _grid_over(vertices, len(triangles) / 2)
    start, item = overlay.build_index(vertices, triangles, *grid[:3].tolist(), *grid[3:].astype(int).tolist())
    return Indexed(vertices, triangles, start, item, grid)


def _grid_over(xy: FloatArray, cells: float) -> FloatArray:
    """West, south, side of a cell, columns, rows of a grid over some positions."""
    x, y = xy[:, 0], xy[:, 1]
    west, south = float(x.min()), float(y.min())
    width, depth = max(float(x.max()) - west, 1e-12), max(float(y.max()) - south, 1e-12)
    cell = max(math.sqrt(width * depth / max(1.0, cells)), width / 4096, depth / 4096)
    columns, rows = max(1, math.ceil(width / cell)), max(1, math.ceil(depth / cell))
    return np.array([west, south, cell, columns, rows], dtype=np.float64)


_INDEX_OF: WeakKeyDictionary[Surface, Indexed] = WeakKeyDictionary()


def index_of(surface: Triangles) -> Indexed:
    """The index of a surface, made once for each surface; a bare soup is indexed anew."""
    if isinstance(surface, Indexed):
        return surface
    if not isinstance(surface, Surface):
        return indexed(surface)
    found = _INDEX_OF.get(surface)
    if found is None:
        found = _INDEX_OF[surface] = indexed(surface)
    return found


def edge_soup(edge: Edge) -> FloatArray:
    """The inside of an edge as triangles at height zero, (T, 3, 3)."""
    flat = np.column_stack([edge.ring_m, np.zeros(len(edge.ring_m))])
    inside = triangulate(flat, ring=np.arange(len(flat), dtype=np.int32))
    return inside.corners_m


def cut_to(surface: Surface | FloatArray, mask: Indexed) -> tuple[FloatArray, IntArray]:
    """A surface cut to the mask in plan, heights kept: (K, 3, 3) pieces and the triangle each came from."""
    vertices, triangles = meshed(surface)
    room = 4 * len(triangles) + 64
    while True:
        pieces = np.empty((room, 3, 3))
        parent = np.empty(room, np.int32)
        count = overlay.cut(
            vertices,
            triangles,
            mask.vertices_m,
            mask.triangles,
            mask.start,
            mask.item,
            mask.grid,
            pieces,
            parent,
        )
        if count <= room:
            return pieces[:count], parent[:count]
        room = count


def locate(surface: Triangles, xy: FloatArray) -> NDArray[np.int64]:
    """(K,) triangle that holds each plan position, −1 outside."""
    found = np.empty(len(xy), np.int64)
    x = np.ascontiguousarray(xy[:, 0])
    y = np.ascontiguousarray(xy[:, 1])
    if isinstance(surface, Surface) and surface not in _INDEX_OF and FEW * len(xy) < len(surface.triangles):
        _locate_few(surface, x, y, found)
    else:
        index = index_of(surface)
        overlay.locate(index.vertices_m, index.triangles, index.start, index.item, index.grid, x, y, found)
    return found


def _locate_few(surface: Surface, x: FloatArray, y: FloatArray, found: NDArray[np.int64]) -> None:
    """One pass over all triangles costs less than an index of them."""
    if not len(x):
        return
    grid = _grid_over(np.column_stack([x, y]), 64.0 * len(x))
    columns, rows = int(grid[3]), int(grid[4])
    column, row = (
        np.clip(np.floor((at - low) / grid[2]).astype(np.int64), 0, most - 1)
        for at, low, most in ((x, grid[0], columns), (y, grid[1], rows))
    )
    cell = row * columns + column
    item = np.argsort(cell, kind="stable").astype(np.int32)
    start = np.searchsorted(cell[item], np.arange(columns * rows + 1)).astype(np.int32)
    overlay.locate_few(surface.vertices_m, surface.triangles, start, item, grid, x, y, found)


def corner_shares(surface: Triangles, xy: FloatArray, triangle: NDArray[np.int64]) -> FloatArray:
    """(K, 3) barycentric shares of the corners; they sum to one. `triangle` must be ≥ 0 everywhere."""
    vertices, triangles = meshed(surface)
    a, b, c = (vertices[triangles[triangle, k], :2] for k in range(3))
    u, v, w = b - a, c - a, xy - a
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    second = (w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / det
    third = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / det
    return np.column_stack([1.0 - second - third, second, third])


def heights_on(surface: Triangles, triangle: NDArray[np.int64], shares: FloatArray) -> FloatArray:
    """(K,) heights at barycentric shares (K, 3) of given triangles."""
    vertices, triangles = meshed(surface)
    heights: FloatArray = (shares * vertices[triangles[triangle], 2]).sum(axis=1)
    return heights


def heights_at(surface: Triangles, xy: FloatArray) -> FloatArray:
    """(K,) heights of the surface at plan positions (K, 2), NaN outside it."""
    triangle = locate(surface, xy)
    inside = triangle >= 0
    heights = np.full(len(xy), np.nan)
    if inside.any():
        shares = corner_shares(surface, xy[inside], triangle[inside])
        heights[inside] = heights_on(surface, triangle[inside], shares)
    return heights


@dataclass(frozen=True)
class Facets:
    """Of each triangle: plan area, area along the slope, steepest slope from level.

    area_m2, slant_m2, slope_deg : (T,) float64
    """

    area_m2: FloatArray
    slant_m2: FloatArray
    slope_deg: FloatArray


_FACETS_OF: WeakKeyDictionary[Surface, Facets] = WeakKeyDictionary()


def facets_of(surface: Surface) -> Facets:
    """The facets of a surface, worked out once for each surface."""
    found = _FACETS_OF.get(surface)
    if found is None:
        found = _FACETS_OF[surface] = facets(surface)
    return found


def facets(surface: Surface | FloatArray) -> Facets:
    """The facets of a surface or a soup."""
    vertices, triangles = meshed(surface)
    a, b, c = triangles.T
    ux, uy, uz = (np.take(axis, b) - np.take(axis, a) for axis in np.ascontiguousarray(vertices.T))
    vx, vy, vz = (np.take(axis, c) - np.take(axis, a) for axis in np.ascontiguousarray(vertices.T))
    east, north, up = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    level2 = east * east + north * north
    slope = np.degrees(np.arctan2(np.sqrt(level2), up))
    return Facets(read_only(0.5 * up), read_only(0.5 * np.sqrt(level2 + up * up)), read_only(slope))


def plan_areas(soup: FloatArray) -> FloatArray:
    """(T,) plan areas, m²."""
    u = soup[:, 1, :2] - soup[:, 0, :2]
    v = soup[:, 2, :2] - soup[:, 0, :2]
    areas: FloatArray = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    return areas


def make_edge(kind: str, ring_m: FloatArray, shot_index: IntArray) -> Edge:
    """An `Edge` turned counter-clockwise, with its area and perimeter."""
    ring = np.asarray(ring_m, dtype=np.float64)
    shots = np.asarray(shot_index, dtype=np.int32)
    step = np.roll(ring, -1, axis=0) - ring
    local = ring - ring[0]
    nxt = np.roll(local, -1, axis=0)
    area = 0.5 * math.fsum(local[:, 0] * nxt[:, 1] - local[:, 1] * nxt[:, 0])
    if area < 0:
        ring, shots = ring[::-1].copy(), shots[::-1].copy()
    return Edge(
        kind=kind,
        ring_m=read_only(ring.copy()),
        shot_index=read_only(shots.copy()),
        area_m2=abs(area),
        perimeter_m=math.fsum(np.hypot(step[:, 0], step[:, 1])),
    )
