"""Which triangles of a surface are neighbours, how long its edges are, and patches of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from compute.kernels import mesh
from compute.records import FloatArray, Surface


@dataclass(frozen=True)
class InnerEdges:
    """Edges with a triangle on either side.

    ends      : (E, 2) int64 vertices
    triangles : (E, 2) int64 the triangles on the two sides
    apexes    : (E, 2) int64 the third corner of each
    length_m  : (E,) plan length
    halves    : (E, 2) int64 the side that it is of each: 3 × triangle + side
    """

    ends: NDArray[np.int64]
    triangles: NDArray[np.int64]
    apexes: NDArray[np.int64]
    length_m: FloatArray
    halves: NDArray[np.int64]

    @cached_property
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
    ends, sides, apexes, halves = mesh.inner_edges(surface.triangles, len(surface.vertices_m))
    a, b = np.ascontiguousarray(ends.T)
    run, rise = (axis[b] - axis[a] for axis in np.ascontiguousarray(surface.vertices_m[:, :2].T))
    return InnerEdges(ends, sides, apexes, np.hypot(run, rise), halves)


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
    edges = inner_edges(surface)
    inside = chosen[edges.triangles].all(axis=1)
    size = len(surface.triangles)
    beside = np.full(3 * size, size)
    beside[edges.halves[inside, 0]] = edges.triangles[inside, 1]
    beside[edges.halves[inside, 1]] = edges.triangles[inside, 0]
    label = mesh.patches(beside.reshape(-1, 3), np.zeros((size, 3), np.bool_))
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
