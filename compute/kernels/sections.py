"""Cutting a triangulation by parallel vertical planes, and the area between two such cuts.

Shares no code with the overlay, so that a fault of the one does not hide in the other. Plan axes here
are `u` along the row of sections and `v` along each section. A corner with `u <= station` counts as
left of the section: each triangle then gives one segment or none, also when a corner or a side lies
exactly on the section, and neighbours meet without gap or overlap.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def _first_at_or_above(stations, value):  # type: ignore[no-untyped-def]
    low = 0
    high = stations.shape[0]
    while low < high:
        middle = (low + high) // 2
        if stations[middle] < value:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True, nogil=True)
def _cross(u, v, z, i, j, station):  # type: ignore[no-untyped-def]
    """Where side i–j meets the station; always worked from the lower index, so that neighbours agree."""
    a, b = (i, j) if i < j else (j, i)
    share = (station - u[a]) / (u[b] - u[a])
    return v[a] + (v[b] - v[a]) * share, z[a] + (z[b] - z[a]) * share


@njit(cache=True, nogil=True)
def cut_by_stations(u, v, z, triangles, stations):  # type: ignore[no-untyped-def]
    """Segments of every section: `start` (S + 1,) and rows `v0, z0, v1, z1, triangle`, sorted by v0."""
    n = stations.shape[0]
    start = np.zeros(n + 1, np.int64)
    rank = np.empty(u.shape[0], np.int32)
    for corner in range(u.shape[0]):
        rank[corner] = _first_at_or_above(stations, u[corner])
    for t in range(triangles.shape[0]):
        ra, rb, rc = rank[triangles[t, 0]], rank[triangles[t, 1]], rank[triangles[t, 2]]
        for s in range(min(ra, rb, rc), max(ra, rb, rc)):
            start[s + 1] += 1
    for s in range(n):
        start[s + 1] += start[s]
    rows = np.empty((start[n], 5))
    fill = start[:-1].copy()
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        for s in range(min(rank[a], rank[b], rank[c]), max(rank[a], rank[b], rank[c])):
            station = stations[s]
            la, lb, lc = u[a] <= station, u[b] <= station, u[c] <= station
            if la != lb and la != lc:
                p, q, r = a, b, c
            elif lb != la and lb != lc:
                p, q, r = b, c, a
            else:
                p, q, r = c, a, b
            v0, z0 = _cross(u, v, z, p, q, station)
            v1, z1 = _cross(u, v, z, p, r, station)
            k = fill[s]
            fill[s] += 1
            if v0 <= v1:
                rows[k, 0], rows[k, 1], rows[k, 2], rows[k, 3] = v0, z0, v1, z1
            else:
                rows[k, 0], rows[k, 1], rows[k, 2], rows[k, 3] = v1, z1, v0, z0
            rows[k, 4] = t
    for s in range(n):
        part = rows[start[s] : start[s + 1]]
        part[:] = part[np.argsort(part[:, 0], kind="mergesort")]
    return start, rows


@njit(cache=True, nogil=True)
def _ring_crossings(ring_u, ring_v, station, out):  # type: ignore[no-untyped-def]
    """Sorted positions where the closed ring meets the section; always an even count."""
    count = 0
    m = ring_u.shape[0]
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        if (ring_u[i] <= station) != (ring_u[j] <= station):
            share = (station - ring_u[i]) / (ring_u[j] - ring_u[i])
            out[count] = ring_v[i] + (ring_v[j] - ring_v[i]) * share
            count += 1
    out[:count].sort()
    return count


@njit(cache=True, nogil=True)
def _add_trapezoid(d0, d1, width, total):  # type: ignore[no-untyped-def]
    """Adds the parts above and below zero of a linear difference over `width` to total[0], total[1]."""
    if d0 >= 0.0 and d1 >= 0.0:
        total[0] += 0.5 * (d0 + d1) * width
    elif d0 <= 0.0 and d1 <= 0.0:
        total[1] -= 0.5 * (d0 + d1) * width
    else:
        share = d0 / (d0 - d1)
        if d0 > 0.0:
            total[0] += 0.5 * d0 * width * share
            total[1] -= 0.5 * d1 * width * (1.0 - share)
        else:
            total[1] -= 0.5 * d0 * width * share
            total[0] += 0.5 * d1 * width * (1.0 - share)


@njit(cache=True, nogil=True)
def _height_on(row, v):  # type: ignore[no-untyped-def]
    width = row[2] - row[0]
    if width <= 0.0:
        return row[1]
    return row[1] + (row[3] - row[1]) * ((v - row[0]) / width)


@njit(cache=True, nogil=True)
def areas_between(top_start, top, base_start, base, ring_u, ring_v, stations):  # type: ignore[no-untyped-def]
    """(S, 4): area above, area below, length inside the ring, length of it where both surfaces are."""
    n = stations.shape[0]
    out = np.zeros((n, 4))
    crossing = np.empty(ring_u.shape[0])
    for s in range(n):
        count = _ring_crossings(ring_u, ring_v, stations[s], crossing)
        i, i_end = top_start[s], top_start[s + 1]
        j, j_end = base_start[s], base_start[s + 1]
        for p in range(0, count - 1, 2):
            low, high = crossing[p], crossing[p + 1]
            out[s, 2] += high - low
            while i < i_end and j < j_end:
                begin = max(low, top[i, 0], base[j, 0])
                end = min(top[i, 2], base[j, 2])
                stop = min(end, high)
                if stop > begin:
                    d0 = _height_on(top[i], begin) - _height_on(base[j], begin)
                    d1 = _height_on(top[i], stop) - _height_on(base[j], stop)
                    _add_trapezoid(d0, d1, stop - begin, out[s])
                    out[s, 3] += stop - begin
                if end >= high:
                    break
                if top[i, 2] <= base[j, 2]:
                    i += 1
                else:
                    j += 1
    return out
