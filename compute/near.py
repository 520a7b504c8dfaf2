"""Neighbours in plan."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from compute.kernels.mesh import near_pairs
from compute.records import FloatArray, IntArray

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

FEW = 1_000
"""Up to here all distances are quicker than a tree, and far quicker than loading its library."""


def tree_of(xy_m: FloatArray) -> cKDTree:
    """A tree over plan positions. Its library is loaded only when something has to be looked up."""
    from scipy.spatial import cKDTree

    return cKDTree(xy_m)


def nearest(xy_m: FloatArray, count: int) -> NDArray[np.int64]:
    """(N, count) the nearest positions of each, itself among them, nearest first."""
    if len(xy_m) > FEW:
        return np.asarray(tree_of(xy_m).query(xy_m, k=count)[1]).reshape(len(xy_m), count)
    apart = sum(np.subtract.outer(axis, axis) ** 2 for axis in xy_m.T)
    order: NDArray[np.int64] = np.argsort(apart, axis=1, kind="stable")[:, :count]
    return order


def pairs_within(xy_m: FloatArray, reach_m: float) -> IntArray:
    """(P, 2) all pairs of positions up to `reach_m` apart, the lower index first, in ascending order."""
    order = np.argsort(xy_m[:, 0], kind="stable")
    x, y = np.ascontiguousarray(xy_m[order].T)
    depth = float(np.ptp(y)) if len(y) else 0.0
    strip = max(reach_m, depth / math.sqrt(max(1, len(y))), 1e-9)
    row = ((y - y.min(initial=np.inf)) / strip).astype(np.int32)
    found = near_pairs(x, y, row, int(row.max(initial=0)) + 1, reach_m)
    pairs = np.sort(order[found], axis=1)
    return np.asarray(pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))], dtype=np.int32)
