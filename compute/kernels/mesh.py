"""Walks over a triangulation: its inner edges, its patches, its triangles in the order of the ground."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from compute.records import IntArray


@njit(cache=True, nogil=True)
def by_lowest(corners: NDArray[np.int64], place: NDArray[np.int64], keep: NDArray[np.bool_]) -> IntArray:
    """(K, 3) int32: the triangles to keep, by the lowest place of a corner, then as they came."""
    start = np.zeros(len(place) + 1, np.int64)
    lowest = np.empty(len(corners), np.int64)
    for t in range(len(corners)):
        if keep[t]:
            low = min(place[corners[t, 0]], place[corners[t, 1]], place[corners[t, 2]])
            lowest[t] = low
            start[low + 1] += 1
    for k in range(len(place)):
        start[k + 1] += start[k]
    out = np.empty((start[len(place)], 3), np.int32)
    for t in range(len(corners)):
        if keep[t]:
            to = start[lowest[t]]
            start[lowest[t]] += 1
            for k in range(3):
                out[to, k] = corners[t, k]
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
def inner_sides(triangles: IntArray, vertex_count: int) -> NDArray[np.int64]:
    """(E, 2): the two half-edges of each inner edge, as 3 × triangle + side, by its lower vertex.

    Side k of a triangle runs from corner k to corner k + 1. Of an edge with more than two triangles only two
    are told.
    """
    start = np.zeros(vertex_count + 1, np.int64)
    for t in range(len(triangles)):
        for k in range(3):
            a, b = triangles[t, k], triangles[t, (k + 1) % 3]
            start[min(a, b) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    half = np.empty(3 * len(triangles), np.int64)
    far = np.empty(3 * len(triangles), np.int32)
    fill = start[:-1].copy()
    for t in range(len(triangles)):
        for k in range(3):
            a, b = triangles[t, k], triangles[t, (k + 1) % 3]
            low = min(a, b)
            half[fill[low]] = 3 * t + k
            far[fill[low]] = max(a, b)
            fill[low] += 1
    out = np.empty((len(half) // 2, 2), np.int64)
    count = 0
    for v in range(vertex_count):
        for i in range(start[v], start[v + 1]):
            if far[i] < 0:
                continue
            for j in range(i + 1, start[v + 1]):
                if far[j] == far[i]:
                    out[count, 0], out[count, 1] = half[i], half[j]
                    count += 1
                    far[j] = -1
                    break
    return out[:count]
