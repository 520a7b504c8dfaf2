"""Planes of triangles carried on to the far corner of each neighbour."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from compute.records import FloatArray, IntArray


@njit(cache=True, nogil=True)
def above_planes(
    vertices: FloatArray,
    corners: IntArray,
    source: NDArray[np.int64],
    vertex: NDArray[np.int64],
    thinnest: float,
) -> FloatArray:
    """(P,) height of each `vertex` over the plane of its `source` triangle, m; NaN where that is too thin.

    thinnest : least double area over the square of the longest plan side
    """
    above = np.empty(len(source))
    for k in range(len(source)):
        a, b, c = corners[source[k], 0], corners[source[k], 1], corners[source[k], 2]
        ux, uy = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1]
        wx, wy = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1]
        det = ux * wy - uy * wx
        longest = max(ux * ux + uy * uy, wx * wx + wy * wy, (wx - ux) ** 2 + (wy - uy) ** 2)
        if det <= thinnest * longest:
            above[k] = np.nan
            continue
        dx, dy = vertices[vertex[k], 0] - vertices[a, 0], vertices[vertex[k], 1] - vertices[a, 1]
        rise = (dx * wy - dy * wx) / det * (vertices[b, 2] - vertices[a, 2])
        rise += (ux * dy - uy * dx) / det * (vertices[c, 2] - vertices[a, 2])
        above[k] = vertices[vertex[k], 2] - vertices[a, 2] - rise
    return above


@njit(cache=True, nogil=True)
def tallied(vertex: NDArray[np.int64], above: FloatArray, count: int) -> FloatArray:
    """(count, 3): how many planes speak of each vertex, how many of them put it above, mean size, m."""
    tally = np.zeros((count, 3))
    for k in range(len(vertex)):
        row = tally[vertex[k]]
        row[0] += 1.0
        row[1] += 1.0 if above[k] > 0.0 else 0.0
        row[2] += abs(above[k])
    for k in range(count):
        if tally[k, 0] > 0.0:
            tally[k, 2] /= tally[k, 0]
    return tally
