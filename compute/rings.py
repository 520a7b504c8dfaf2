"""Closed plan lines through shots: are they simple, where do they cross, and how to undo it.

A tour is a permutation (N,) int32 of the places x, y; it closes from its last shot to its first.
"""

from __future__ import annotations

import numpy as np
import shapely

from compute.errors import ToeRingAmbiguous
from compute.kernels.tour import signed_area, tour_length
from compute.records import FloatArray, IntArray


def canonical_ring(x: FloatArray, y: FloatArray, tour: IntArray) -> IntArray:
    """The tour counter-clockwise, from its first shot in canonical order."""
    if signed_area(x, y, tour) < 0:
        tour = tour[::-1]
    return np.roll(tour, -int(np.argmin(tour))).astype(np.int32)


def linear_ring(x: FloatArray, y: FloatArray, tour: IntArray) -> shapely.LinearRing:
    return shapely.linearrings(np.column_stack([x[tour], y[tour]]))


def is_simple(x: FloatArray, y: FloatArray, tour: IntArray) -> bool:
    return len(tour) >= 3 and bool(shapely.is_valid(shapely.polygons(linear_ring(x, y, tour))))


def crossing_edges(x: FloatArray, y: FloatArray, tour: IntArray) -> IntArray:
    """(C, 2) places whose edges meet elsewhere than at a shared corner, or fold back on one another."""
    plan = np.column_stack([x[tour], y[tour]])
    edges = shapely.linestrings(np.stack([plan, np.roll(plan, -1, axis=0)], axis=1))
    pairs = shapely.STRtree(edges).query(edges, predicate="intersects").T
    pairs = pairs[pairs[:, 0] < pairs[:, 1]]
    step = pairs[:, 1] - pairs[:, 0]
    beside = (step == 1) | (step == len(tour) - 1)
    folded = shapely.length(shapely.intersection(edges[pairs[:, 0]], edges[pairs[:, 1]])) > 0
    return pairs[~beside | folded].astype(np.int32)


def uncrossed(x: FloatArray, y: FloatArray, tour: IntArray) -> IntArray:
    """The tour with every crossing undone. Each exchange shortens it, so this comes to an end."""
    while not is_simple(x, y, tour):
        crossings = crossing_edges(x, y, tour)
        shorter = None
        for i, j in crossings:
            candidate = np.concatenate([tour[: i + 1], tour[i + 1 : j + 1][::-1], tour[j + 1 :]])
            if tour_length(x, y, candidate) < tour_length(x, y, tour) * (1 - 1e-15):
                shorter = candidate
                break
            shorter = _untouched(x, y, tour, int(i), int(j))
            if shorter is not None:
                break
        if shorter is None:
            raise ToeRingAmbiguous(
                "The toe shots cannot be joined to a ring that does not touch itself: "
                "several lie on one line with others.",
                where="toe shots",
            )
        tour = shorter
    return tour


def _untouched(x: FloatArray, y: FloatArray, tour: IntArray, i: int, j: int) -> IntArray | None:
    """A corner of edge i or j that lies on the other edge, carried into it, if that does not lengthen."""
    n = len(tour)
    before = tour_length(x, y, tour)
    for corner, edge in ((i, j), ((i + 1) % n, j), (j, i), ((j + 1) % n, i)):
        if corner in (edge, (edge + 1) % n):
            continue
        shot, behind = tour[corner], tour[edge]
        rest = np.delete(tour, corner)
        place = int(np.flatnonzero(rest == behind)[0]) + 1
        candidate = np.insert(rest, place, shot)
        if tour_length(x, y, candidate) < before * (1 - 1e-15):
            return candidate
    return None
