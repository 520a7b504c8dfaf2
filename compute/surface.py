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


@dataclass(frozen=True)
class Indexed:
    """A soup of triangles with the grid that finds them. `soup` : (T, 3, 3) float64."""

    soup: FloatArray
    start: IntArray
    item: IntArray
    grid: FloatArray


def indexed(soup: FloatArray) -> Indexed:
    """Index `soup` by about one cell for every two triangles."""
    low = soup[:, :, :2].min(axis=(0, 1))
    high = soup[:, :, :2].max(axis=(0, 1))
    width, depth = (max(float(v), 1e-12) for v in high - low)
    cells = max(1.0, soup.shape[0] / 2)
    cell = max(math.sqrt(width * depth / cells), width / 4096, depth / 4096)
    columns = max(1, math.ceil(width / cell))
    rows = max(1, math.ceil(depth / cell))
    start, item = overlay.build_index(soup, float(low[0]), float(low[1]), cell, columns, rows)
    return Indexed(soup, start, item, np.array([low[0], low[1], cell, columns, rows], dtype=np.float64))


_INDEX_OF: WeakKeyDictionary[Surface, Indexed] = WeakKeyDictionary()


def index_of(surface: Surface | FloatArray | Indexed) -> Indexed:
    """The index of a surface, made once for each surface; a bare soup is indexed anew."""
    if isinstance(surface, Indexed):
        return surface
    if not isinstance(surface, Surface):
        return indexed(np.ascontiguousarray(surface))
    found = _INDEX_OF.get(surface)
    if found is None:
        found = _INDEX_OF[surface] = indexed(surface.corners_m)
    return found


def edge_soup(edge: Edge) -> FloatArray:
    """The inside of an edge as triangles at height zero, (T, 3, 3)."""
    flat = np.column_stack([edge.ring_m, np.zeros(len(edge.ring_m))])
    inside = triangulate(flat, ring=np.arange(len(flat), dtype=np.int32))
    return inside.corners_m


def cut_to(soup: FloatArray, mask: Indexed) -> tuple[FloatArray, IntArray]:
    """`soup` cut to the mask in plan, heights kept: (K, 3, 3) pieces and the triangle each came from."""
    room = 4 * soup.shape[0] + 64
    while True:
        pieces = np.empty((room, 3, 3))
        parent = np.empty(room, np.int32)
        count = overlay.cut(soup, mask.soup, mask.start, mask.item, mask.grid, pieces, parent)
        if count <= room:
            return pieces[:count], parent[:count]
        room = count


def locate(index: Indexed, xy: FloatArray) -> NDArray[np.int64]:
    """(K,) triangle that holds each plan position, −1 outside."""
    found = np.empty(len(xy), np.int64)
    x = np.ascontiguousarray(xy[:, 0])
    y = np.ascontiguousarray(xy[:, 1])
    overlay.locate(index.soup, index.start, index.item, index.grid, x, y, found)
    return found


def corner_shares(index: Indexed, xy: FloatArray, triangle: NDArray[np.int64]) -> FloatArray:
    """(K, 3) barycentric shares of the corners; they sum to one. `triangle` must be ≥ 0 everywhere."""
    a, b, c = (index.soup[triangle, k, :2] for k in range(3))
    u, v, w = b - a, c - a, xy - a
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    second = (w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / det
    third = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / det
    return np.column_stack([1.0 - second - third, second, third])


def heights_at(surface: Surface | Indexed, xy: FloatArray) -> FloatArray:
    """(K,) heights of the surface at plan positions (K, 2), NaN outside it."""
    index = index_of(surface)
    triangle = locate(index, xy)
    inside = triangle >= 0
    heights = np.full(len(xy), np.nan)
    if inside.any():
        shares = corner_shares(index, xy[inside], triangle[inside])
        heights[inside] = (shares * index.soup[triangle[inside], :, 2]).sum(axis=1)
    return heights


def plan_areas(soup: FloatArray) -> FloatArray:
    """(T,) plan areas, m²."""
    u = soup[:, 1, :2] - soup[:, 0, :2]
    v = soup[:, 2, :2] - soup[:, 0, :2]
    areas: FloatArray = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    return areas


def surface_area_m2(soup: FloatArray) -> float:
    """Area along the slope, m²."""
    normal = np.cross(soup[:, 1] - soup[:, 0], soup[:, 2] - soup[:, 0])
    return 0.5 * math.fsum(np.sqrt((normal * normal).sum(axis=1)))


def slopes_deg(soup: FloatArray) -> FloatArray:
    """(T,) steepest slope of each triangle, degrees from level."""
    normal = np.cross(soup[:, 1] - soup[:, 0], soup[:, 2] - soup[:, 0])
    slopes: FloatArray = np.degrees(np.arctan2(np.hypot(normal[:, 0], normal[:, 1]), normal[:, 2]))
    return slopes


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
