"""Exact overlay of two triangulations: clip triangle by triangle, integrate in closed form.

No grid of heights and no cell size enters the answer; the grid below only finds which triangles can
meet. Every function is compiled once and cached on disk, releases the interpreter lock, and writes
one row for each triangle of the first set, so that any number of threads gives the same bits.

A *soup* is a (T, 3, 3) float64 array of corners, counter-clockwise in plan.
"""

# The loops below are long because a compiled kernel pays for each call with arrays it must pass on.

from __future__ import annotations

import numpy as np
from numba import njit

SUMS = 7
"""above m³, below m³, above area m², below area m², in-band above m³, in-band below m³, in-band area m²."""

COLUMNS = 9
"""The sums, then greatest height above and greatest depth below, m."""

COINCIDE_M = 1e-11
"""Heights that differ by less are one height: rounding of a plane at an elevation of some 1,000 m."""


@njit(cache=True, nogil=True)
def _row_span(soup, t, low, high):  # type: ignore[no-untyped-def]
    """West and east end of triangle `t` between two northings; west > east if it is not there."""
    west = np.inf
    east = -np.inf
    for k in range(3):
        ax = soup[t, k, 0]
        ay = soup[t, k, 1]
        bx = soup[t, (k + 1) % 3, 0]
        by = soup[t, (k + 1) % 3, 1]
        if low <= ay <= high:
            west = min(west, ax)
            east = max(east, ax)
        if (ay < low) != (by < low):
            x = ax + (bx - ax) * ((low - ay) / (by - ay))
            west = min(west, x)
            east = max(east, x)
        if (ay > high) != (by > high):
            x = ax + (bx - ax) * ((high - ay) / (by - ay))
            west = min(west, x)
            east = max(east, x)
    return west, east


@njit(cache=True, nogil=True)
def build_index(soup, west, south, cell, columns, rows):  # type: ignore[no-untyped-def]
    """Which triangles touch which cell, as (start, item); a long thin triangle takes the cells it crosses."""
    slack = cell * 1e-9
    start = np.zeros(columns * rows + 1, np.int64)
    for step in range(2):
        if step == 1:
            total = start[columns * rows]
            for c in range(columns * rows, 0, -1):
                start[c] = start[c - 1]
            start[0] = 0
            running = np.int64(0)
            for c in range(1, columns * rows + 1):
                running += start[c]
                start[c] = running
            total = start[columns * rows]
            item = np.empty(total, np.int32)
            fill = start[:-1].copy()
        else:
            item = np.empty(0, np.int32)
            fill = start
        for t in range(soup.shape[0]):
            y0 = min(soup[t, 0, 1], soup[t, 1, 1], soup[t, 2, 1])
            y1 = max(soup[t, 0, 1], soup[t, 1, 1], soup[t, 2, 1])
            r0 = min(max(int((y0 - slack - south) / cell), 0), rows - 1)
            r1 = min(max(int((y1 + slack - south) / cell), 0), rows - 1)
            for r in range(r0, r1 + 1):
                a, b = _row_span(soup, t, south + r * cell - slack, south + (r + 1) * cell + slack)
                if a > b:
                    continue
                c0 = min(max(int((a - slack - west) / cell), 0), columns - 1)
                c1 = min(max(int((b + slack - west) / cell), 0), columns - 1)
                for c in range(c0, c1 + 1):
                    at = r * columns + c
                    if step == 0:
                        start[at] += 1
                    else:
                        item[fill[at]] = t
                        fill[at] += 1
    return start, item


@njit(cache=True, nogil=True)
def _candidates(soup, t, start, item, west, south, cell, columns, rows, stamp, mark, found):  # type: ignore[no-untyped-def]
    """Triangles of the index that may meet triangle `t`, each once, in index order; returns their count."""
    slack = cell * 1e-9
    y0 = min(soup[t, 0, 1], soup[t, 1, 1], soup[t, 2, 1])
    y1 = max(soup[t, 0, 1], soup[t, 1, 1], soup[t, 2, 1])
    count = 0
    r0 = int(np.floor((y0 - slack - south) / cell))
    r1 = int(np.floor((y1 + slack - south) / cell))
    if r1 < 0 or r0 >= rows:
        return 0
    r0 = max(r0, 0)
    r1 = min(r1, rows - 1)
    for r in range(r0, r1 + 1):
        a, b = _row_span(soup, t, south + r * cell - slack, south + (r + 1) * cell + slack)
        if a > b:
            continue
        c0 = int(np.floor((a - slack - west) / cell))
        c1 = int(np.floor((b + slack - west) / cell))
        if c1 < 0 or c0 >= columns:
            continue
        for c in range(max(c0, 0), min(c1, columns - 1) + 1):
            for k in range(start[r * columns + c], start[r * columns + c + 1]):
                other = item[k]
                if stamp[other] != mark:
                    stamp[other] = mark
                    found[count] = other
                    count += 1
    return count


@njit(cache=True, nogil=True)
def _clip_to_triangle(px, py, qx, qy, other, u):  # type: ignore[no-untyped-def]
    """Clip the triangle in px[:3], py[:3] by triangle `u` of `other`; the result is left in px, py."""
    n = 3
    for k in range(3):
        ax = other[u, k, 0]
        ay = other[u, k, 1]
        ex = other[u, (k + 1) % 3, 0] - ax
        ey = other[u, (k + 1) % 3, 1] - ay
        m = 0
        last = ex * (py[n - 1] - ay) - ey * (px[n - 1] - ax)
        lx = px[n - 1]
        ly = py[n - 1]
        for i in range(n):
            here = ex * (py[i] - ay) - ey * (px[i] - ax)
            if (here >= 0.0) != (last >= 0.0):
                share = last / (last - here)
                qx[m] = lx + (px[i] - lx) * share
                qy[m] = ly + (py[i] - ly) * share
                m += 1
            if here >= 0.0:
                qx[m] = px[i]
                qy[m] = py[i]
                m += 1
            last = here
            lx = px[i]
            ly = py[i]
        if m < 3:
            return 0
        n = m
        for i in range(n):
            px[i] = qx[i]
            py[i] = qy[i]
    return n


@njit(cache=True, nogil=True)
def _plane(soup, t):  # type: ignore[no-untyped-def]
    """Slope east, slope north of a triangle; zero for one without area."""
    ux = soup[t, 1, 0] - soup[t, 0, 0]
    uy = soup[t, 1, 1] - soup[t, 0, 1]
    uz = soup[t, 1, 2] - soup[t, 0, 2]
    vx = soup[t, 2, 0] - soup[t, 0, 0]
    vy = soup[t, 2, 1] - soup[t, 0, 1]
    vz = soup[t, 2, 2] - soup[t, 0, 2]
    det = ux * vy - uy * vx
    if det == 0.0:
        return 0.0, 0.0
    return (uz * vy - vz * uy) / det, (vz * ux - uz * vx) / det


@njit(cache=True, nogil=True)
def _part_above(px, py, pd, n, level):  # type: ignore[no-untyped-def]
    """Area and integral of (d − level) over the part of a convex polygon where d > level."""
    area = 0.0
    volume = 0.0
    started = False
    fx = 0.0
    fy = 0.0
    fd = 0.0
    gx = 0.0
    gy = 0.0
    gd = 0.0
    have = 0
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        di = pd[i] - level
        dj = pd[j] - level
        for step in range(2):
            if step == 0:
                if di < 0.0:
                    continue
                x = px[i]
                y = py[i]
                d = di
            else:
                if (di < 0.0) == (dj < 0.0):
                    continue
                share = di / (di - dj)
                x = px[i] + (px[j] - px[i]) * share
                y = py[i] + (py[j] - py[i]) * share
                d = 0.0
            if not started:
                fx = x
                fy = y
                fd = d
                started = True
                have = 1
            else:
                if have >= 2:
                    a = 0.5 * ((gx - fx) * (y - fy) - (gy - fy) * (x - fx))
                    area += a
                    volume += a * (fd + gd + d) / 3.0
                gx = x
                gy = y
                gd = d
                have += 1
    return area, volume


@njit(cache=True, nogil=True)
def integrate(top, base, start, item, grid, first, last, band, snap, out):  # type: ignore[no-untyped-def]
    """Rows first..last of `out`: what lies between each top triangle and the base (see COLUMNS).

    Differences up to `snap` are rounding of the heights, not material, and count as none.
    """
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    stamp = np.full(base.shape[0], -1, np.int32)
    found = np.empty(base.shape[0], np.int32)
    px = np.empty(12)
    py = np.empty(12)
    qx = np.empty(12)
    qy = np.empty(12)
    pd = np.empty(12)
    nd = np.empty(12)
    for t in range(first, last):
        count = _candidates(top, t, start, item, west, south, cell, columns, rows, stamp, t, found)
        tx, ty = _plane(top, t)
        x0, y0, z0 = top[t, 0, 0], top[t, 0, 1], top[t, 0, 2]
        for c in range(count):
            u = found[c]
            for k in range(3):
                px[k] = top[t, k, 0]
                py[k] = top[t, k, 1]
            n = _clip_to_triangle(px, py, qx, qy, base, u)
            if n < 3:
                continue
            bx, by = _plane(base, u)
            above = False
            below = False
            for i in range(n):
                d = (z0 + tx * (px[i] - x0) + ty * (py[i] - y0)) - (
                    base[u, 0, 2] + bx * (px[i] - base[u, 0, 0]) + by * (py[i] - base[u, 0, 1])
                )
                if abs(d) <= snap:
                    d = 0.0
                # Where two surfaces coincide, rounding alone must not scatter signs: areas would be lost.
                if abs(d) < COINCIDE_M:
                    d = 0.0
                pd[i] = d
                nd[i] = -d
                if d > 0.0:
                    above = True
                    out[t, 7] = max(out[t, 7], d)
                elif d < 0.0:
                    below = True
                    out[t, 8] = max(out[t, 8], -d)
            if above or not below:
                area, volume = _part_above(px, py, pd, n, 0.0)
                out[t, 0] += volume
                out[t, 2] += area
                if band > 0.0:
                    outer, high = _part_above(px, py, pd, n, band)
                    out[t, 4] += volume - (high + band * outer)
                    out[t, 6] += area - outer
            if below:
                area, volume = _part_above(px, py, nd, n, 0.0)
                out[t, 1] += volume
                out[t, 3] += area
                if band > 0.0:
                    outer, high = _part_above(px, py, nd, n, band)
                    out[t, 5] += volume - (high + band * outer)
                    out[t, 6] += area - outer


@njit(cache=True, nogil=True)
def share_by_corner(soup, mask, start, item, grid, first, last, out):  # type: ignore[no-untyped-def]
    """Rows first..last of `out` (T, 3): integral of each corner's hat function over soup ∩ mask, m²."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    stamp = np.full(mask.shape[0], -1, np.int32)
    found = np.empty(mask.shape[0], np.int32)
    px = np.empty(12)
    py = np.empty(12)
    qx = np.empty(12)
    qy = np.empty(12)
    for t in range(first, last):
        x0, y0 = soup[t, 0, 0], soup[t, 0, 1]
        ux, uy = soup[t, 1, 0] - x0, soup[t, 1, 1] - y0
        vx, vy = soup[t, 2, 0] - x0, soup[t, 2, 1] - y0
        det = ux * vy - uy * vx
        if det == 0.0:
            continue
        count = _candidates(soup, t, start, item, west, south, cell, columns, rows, stamp, t, found)
        for c in range(count):
            for k in range(3):
                px[k] = soup[t, k, 0]
                py[k] = soup[t, k, 1]
            n = _clip_to_triangle(px, py, qx, qy, mask, found[c])
            for i in range(1, n - 1):
                a = 0.5 * ((px[i] - px[0]) * (py[i + 1] - py[0]) - (py[i] - py[0]) * (px[i + 1] - px[0]))
                mx = (px[0] + px[i] + px[i + 1]) / 3.0 - x0
                my = (py[0] + py[i] + py[i + 1]) / 3.0 - y0
                l1 = (mx * vy - my * vx) / det
                l2 = (ux * my - uy * mx) / det
                out[t, 0] += a * (1.0 - l1 - l2)
                out[t, 1] += a * l1
                out[t, 2] += a * l2


@njit(cache=True, nogil=True)
def cut(soup, mask, start, item, grid, pieces, parent):  # type: ignore[no-untyped-def]
    """Cut `soup` to `mask`, heights kept. Returns the count; fills only what `pieces` has room for."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    stamp = np.full(mask.shape[0], -1, np.int32)
    found = np.empty(mask.shape[0], np.int32)
    px = np.empty(12)
    py = np.empty(12)
    qx = np.empty(12)
    qy = np.empty(12)
    total = 0
    for t in range(soup.shape[0]):
        count = _candidates(soup, t, start, item, west, south, cell, columns, rows, stamp, t, found)
        sx, sy = _plane(soup, t)
        x0, y0, z0 = soup[t, 0, 0], soup[t, 0, 1], soup[t, 0, 2]
        for c in range(count):
            for k in range(3):
                px[k] = soup[t, k, 0]
                py[k] = soup[t, k, 1]
            n = _clip_to_triangle(px, py, qx, qy, mask, found[c])
            for i in range(1, n - 1):
                a = (px[i] - px[0]) * (py[i + 1] - py[0]) - (py[i] - py[0]) * (px[i + 1] - px[0])
                if a <= 0.0:
                    continue
                if total < pieces.shape[0]:
                    parent[total] = t
                    for k in range(3):
                        j = 0 if k == 0 else i + k - 1
                        pieces[total, k, 0] = px[j]
                        pieces[total, k, 1] = py[j]
                        pieces[total, k, 2] = z0 + sx * (px[j] - x0) + sy * (py[j] - y0)
                total += 1
    return total


@njit(cache=True, nogil=True)
def locate(soup, start, item, grid, x, y, out):  # type: ignore[no-untyped-def]
    """Triangle that holds each point (the best one on a shared edge), −1 outside."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    for p in range(x.shape[0]):
        out[p] = -1
        c = int(np.floor((x[p] - west) / cell))
        r = int(np.floor((y[p] - south) / cell))
        if c < -1 or r < -1 or c > columns or r > rows:
            continue
        at = min(max(r, 0), rows - 1) * columns + min(max(c, 0), columns - 1)
        best = -1e-9
        for k in range(start[at], start[at + 1]):
            t = item[k]
            x0, y0 = soup[t, 0, 0], soup[t, 0, 1]
            ux, uy = soup[t, 1, 0] - x0, soup[t, 1, 1] - y0
            vx, vy = soup[t, 2, 0] - x0, soup[t, 2, 1] - y0
            det = ux * vy - uy * vx
            if det <= 0.0:
                continue
            l1 = ((x[p] - x0) * vy - (y[p] - y0) * vx) / det
            l2 = (ux * (y[p] - y0) - uy * (x[p] - x0)) / det
            least = min(l1, l2, 1.0 - l1 - l2)
            if least > best:
                best = least
                out[p] = t
