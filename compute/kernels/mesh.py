"""Walks over a triangulation: inner edges, patches, triangles in the order of the ground; and near pairs."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from compute.records import FloatArray, IntArray


@njit(cache=True, nogil=True)
def along_curve_of(
    raw: NDArray[np.uint32], along: NDArray[np.int64], x: FloatArray, y: FloatArray, inside: NDArray[np.bool_]
) -> IntArray:
    """(K, 3) int32: triangles inside and of some area, by the lowest place of a corner, then as they came.

    raw    : (T, 3) corners as places on the curve
    along  : (V,) the vertex at each place
    x, y   : (V,) by place
    inside : (T,), or empty where all are
    """
    count = len(raw)
    start = np.zeros(len(along) + 1, np.int64)
    lowest = np.empty(count, np.int32)
    for t in range(count):
        a, b, c = raw[t, 0], raw[t, 1], raw[t, 2]
        area2 = (x[b] - x[a]) * (y[c] - y[a]) - (y[b] - y[a]) * (x[c] - x[a])
        lowest[t] = -1
        if area2 > 0.0 and (len(inside) == 0 or inside[t]):
            lowest[t] = min(a, b, c)
            start[lowest[t] + 1] += 1
    for k in range(len(along)):
        start[k + 1] += start[k]
    out = np.empty((start[len(along)], 3), np.int32)
    for t in range(count):
        if lowest[t] >= 0:
            to = start[lowest[t]]
            start[lowest[t]] += 1
            for k in range(3):
                out[to, k] = along[raw[t, k]]
    return out


@njit(cache=True, nogil=True)
def patches(neighbors: NDArray[np.int64], closed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(T,) number of the patch of each triangle: those joined through sides that are not closed.

    neighbors : (T, 3) the triangle across each side; T or more where there is none
    """
    count = len(neighbors)
    label = np.full(count, -1, np.int64)
    waiting = np.empty(count, np.int64)
    found = 0
    for first in range(count):
        if label[first] >= 0:
            continue
        label[first] = found
        waiting[0] = first
        left = 1
        while left > 0:
            left -= 1
            t = waiting[left]
            for k in range(3):
                other = neighbors[t, k]
                if other < count and not closed[t, k] and label[other] < 0:
                    label[other] = found
                    waiting[left] = other
                    left += 1
        found += 1
    return label


@njit(cache=True, nogil=True)
def inner_edges(triangles: IntArray, vertex_count: int) -> tuple[NDArray[np.int64], ...]:
    """Edges with a triangle on either side, by their lower vertex; each (E, 2).

    Ends as the first of the two triangles has them, the triangles, the third corner of each, and the place of
    the edge in each as 3 × triangle + side; side k runs from corner k to corner k + 1. Of an edge with three
    triangles only two are told.
    """
    start = np.zeros(vertex_count + 1, np.int64)
    for t in range(len(triangles)):
        for k in range(3):
            a, b = triangles[t, k], triangles[t, k + 1 if k < 2 else 0]
            start[min(a, b) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    half = np.empty(3 * len(triangles), np.int64)
    far = np.empty(3 * len(triangles), np.int32)
    fill = start[:-1].copy()
    for t in range(len(triangles)):
        for k in range(3):
            a, b = triangles[t, k], triangles[t, k + 1 if k < 2 else 0]
            low = min(a, b)
            half[fill[low]] = 3 * t + k
            far[fill[low]] = max(a, b)
            fill[low] += 1
    most = len(half) // 2
    ends, sides = np.empty((most, 2), np.int64), np.empty((most, 2), np.int64)
    apexes, halves = np.empty((most, 2), np.int64), np.empty((most, 2), np.int64)
    count = 0
    for v in range(vertex_count):
        for i in range(start[v], start[v + 1]):
            for j in range(i + 1, start[v + 1]):
                if far[i] >= 0 and far[j] == far[i]:
                    for column, of in ((0, half[i]), (1, half[j])):
                        t, k = of // 3, of % 3
                        halves[count, column] = of
                        sides[count, column] = t
                        apexes[count, column] = triangles[t, (k + 2) % 3]
                        if column == 0:
                            ends[count, 0], ends[count, 1] = triangles[t, k], triangles[t, (k + 1) % 3]
                    count += 1
                    far[j] = -1
                    break
    return ends[:count], sides[:count], apexes[:count], halves[:count]


@njit(cache=True, nogil=True)
def near_pairs(x: FloatArray, y: FloatArray, row: IntArray, rows: int, reach: float) -> NDArray[np.int64]:
    """(P, 2) pairs of positions up to `reach` apart, each once.

    x   : ascending
    row : which strip of northing each lies in, strips no narrower than `reach`
    """
    start = np.zeros(rows + 2, np.int64)
    for i in range(len(x)):
        start[row[i] + 1] += 1
    for r in range(rows + 1):
        start[r + 1] += start[r]
    member = np.empty(len(x), np.int64)
    fill = start[:-1].copy()
    for i in range(len(x)):
        member[fill[row[i]]] = i
        fill[row[i]] += 1
    out = np.empty((0, 2), np.int64)
    for step in range(2):
        count = 0
        for r in range(rows):
            first = start[r + 1]
            for at in range(start[r], start[r + 1]):
                i = member[at]
                # On in its own strip, then both ways in the next one.
                while first < start[r + 2] and x[member[first]] < x[i] - reach:
                    first += 1
                for end, begin in ((start[r + 1], at + 1), (start[r + 2], first)):
                    other = begin
                    while other < end and x[member[other]] - x[i] <= reach:
                        j = member[other]
                        if (x[j] - x[i]) ** 2 + (y[j] - y[i]) ** 2 <= reach * reach:
                            if step == 1:
                                out[count, 0], out[count, 1] = i, j
                            count += 1
                        other += 1
        if step == 0:
            out = np.empty((count, 2), np.int64)
    return out
