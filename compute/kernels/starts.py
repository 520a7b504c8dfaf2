"""First tours to be shortened: one joined from the shortest links, one by direction from the middle."""

from __future__ import annotations

import numpy as np
from numba import njit

from compute.records import FloatArray, IntArray


def angular_start(x: FloatArray, y: FloatArray) -> IntArray:
    """Shots by direction from their mean, as a permutation (N,) int32."""
    return np.argsort(np.arctan2(y - y.mean(), x - x.mean()), kind="stable").astype(np.int32)


def fragment_start(x: FloatArray, y: FloatArray, near: IntArray) -> IntArray:
    """Shots joined by the shortest links first, at most two links a shot; the pieces are strung together."""
    n = len(x)
    first = np.repeat(np.arange(n, dtype=np.int32), near.shape[1])
    second = near.ravel()
    real = second > first
    first, second = first[real], second[real]
    length = np.hypot(x[first] - x[second], y[first] - y[second])
    rank = np.lexsort((second, first, length))
    return _join(x, y, first[rank], second[rank])


@njit(cache=True, nogil=True)
def _root(parent: IntArray, city: int) -> int:
    while parent[city] != city:
        parent[city] = parent[parent[city]]
        city = parent[city]
    return city


@njit(cache=True, nogil=True)
def _join(x: FloatArray, y: FloatArray, first: IntArray, second: IntArray) -> IntArray:
    n = len(x)
    links = np.full((n, 2), -1, dtype=np.int32)
    degree = np.zeros(n, dtype=np.int32)
    parent = np.arange(n).astype(np.int32)
    for k in range(len(first)):
        a, b = first[k], second[k]
        if degree[a] < 2 and degree[b] < 2:
            root_a, root_b = _root(parent, a), _root(parent, b)
            if root_a != root_b:
                links[a, degree[a]] = b
                links[b, degree[b]] = a
                degree[a] += 1
                degree[b] += 1
                parent[max(root_a, root_b)] = min(root_a, root_b)
    return _string_together(x, y, links, degree)


@njit(cache=True, nogil=True)
def _string_together(x: FloatArray, y: FloatArray, links: IntArray, degree: IntArray) -> IntArray:
    """Walk the fragments; from the end of each go on with the nearest open end that is left."""
    n = len(x)
    tour = np.empty(n, dtype=np.int32)
    used = np.zeros(n, dtype=np.bool_)
    city = int(np.argmax(degree < 2))
    count = 0
    while True:
        previous = -1
        while city >= 0:
            tour[count] = city
            used[city] = True
            count += 1
            onward = -1
            for k in range(degree[city]):
                if links[city, k] != previous and not used[links[city, k]]:
                    onward = links[city, k]
            previous, city = city, onward
        if count == n:
            return tour
        best = np.inf
        for other in range(n):
            if not used[other] and degree[other] < 2:
                apart = (x[other] - x[previous]) ** 2 + (y[other] - y[previous]) ** 2
                if apart < best:
                    best, city = apart, other
