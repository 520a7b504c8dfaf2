"""Which triangles of a surface are neighbours, how long its edges are, and patches of it."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from compute.records import FloatArray, Surface


@dataclass(frozen=True)
class InnerEdges:
    """Edges with a triangle on either side.

    ends      : (E, 2) int64 vertices
    triangles : (E, 2) int64 the triangles on the two sides
    apexes    : (E, 2) int64 the third corner of each
    length_m  : (E,) plan length
    """

    ends: NDArray[np.int64]
    triangles: NDArray[np.int64]
    apexes: NDArray[np.int64]
    length_m: FloatArray

    @property
    def usual_m(self) -> float:
        """Median plan length; 0 where there is no inner edge."""
        return float(np.median(self.length_m)) if len(self.length_m) else 0.0


_EDGES_OF: WeakKeyDictionary[Surface, InnerEdges] = WeakKeyDictionary()


def inner_edges(surface: Surface) -> InnerEdges:
    """The inner edges, found once for each surface."""
    found = _EDGES_OF.get(surface)
    if found is None:
        found = _EDGES_OF[surface] = _found_edges(surface)
    return found


def _found_edges(surface: Surface) -> InnerEdges:
    corners = surface.triangles.astype(np.int64)
    start, end, apex = (np.roll(corners, -k, axis=1).ravel() for k in range(3))
    key = np.minimum(start, end) * len(surface.vertices_m) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    twin = np.flatnonzero(np.diff(np.take(key, order)) == 0)
    both = np.column_stack([order[twin], order[twin + 1]])
    ends = np.column_stack([start[both[:, 0]], end[both[:, 0]]])
    run = surface.vertices_m[ends[:, 1], :2] - surface.vertices_m[ends[:, 0], :2]
    return InnerEdges(ends, both // 3, apex[both], np.hypot(run[:, 0], run[:, 1]))


@dataclass(frozen=True)
class Patch:
    """Neighbouring triangles; `is_hollow` when every vertex of it also belongs to a triangle outside it."""

    triangles: NDArray[np.int64]
    is_hollow: bool


def patches(surface: Surface, chosen: NDArray[np.bool_]) -> list[Patch]:
    """Connected patches of the chosen triangles, by their first triangle."""
    which = np.flatnonzero(chosen)
    if not len(which):
        return []
    sides = inner_edges(surface).triangles
    both = sides[chosen[sides[:, 0]] & chosen[sides[:, 1]]]
    size = len(surface.triangles)
    graph = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    own = np.where(chosen, label, -1)
    lowest = np.full(len(surface.vertices_m), size)
    highest = np.full(len(surface.vertices_m), -2)
    for k in range(3):
        np.minimum.at(lowest, surface.triangles[:, k], own)
        np.maximum.at(highest, surface.triangles[:, k], own)
    full = {int(one) for one in np.unique(highest[(lowest == highest) & (lowest >= 0)])}
    order = which[np.argsort(own[which], kind="stable")]
    groups = np.split(order, np.flatnonzero(np.diff(own[order])) + 1)
    return [Patch(group, int(own[group[0]]) not in full) for group in groups]
