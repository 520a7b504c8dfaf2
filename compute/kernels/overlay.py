"""Exact overlay of two triangulations: clip triangle by triangle, integrate in closed form.

No grid of heights and no cell size enters the answer; the grid below only finds which triangles can
meet. Every function is compiled once and cached on disk and releases the interpreter lock. What each
triangle of the first set gives is worked out alone and added without rounding, so that any number of threads
gives the same bits.

Surfaces come as (V, 3) float64 vertices and (T, 3) int32 triangles, counter-clockwise in plan.
"""

# The loops below are long because a compiled kernel pays for each call with arrays it must pass on.

from __future__ import annotations

import numpy as np
from numba import njit

SUMS = 7
"""above m³, below m³, above area m², below area m², in-band above m³, in-band below m³, in-band area m²."""

PARTS = 48
"""Room for the parts of one exact sum: doubles that do not overlap span all exponents in 40."""

FEW_CELLS = 9
"""A triangle over more cells than this takes only those that it crosses, row by row."""

OUTSIDE = -1e-9
"""A point is inside a triangle down to this barycentric share: rounding must not lose it on an edge."""

COINCIDE_M = 1e-11
"""Heights that differ by less are one height: rounding of a plane at an elevation of some 1,000 m."""


# A share of nothing is written over, not raised. Handing six arrays on costs more than a clip: inlined.
_compiled = njit(cache=True, nogil=True, error_model="numpy")
_inlined = njit(forceinline=True, error_model="numpy")


@_compiled
def _row_span(px, py, low, high):  # type: ignore[no-untyped-def]
    """West and east end of a triangle between two northings; west > east if it is not there."""
    west = np.inf
    east = -np.inf
    for k in range(3):
        j = k + 1 if k < 2 else 0
        ax = px[k]
        ay = py[k]
        bx = px[j]
        by = py[j]
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


@_inlined
def _corners(vertices, triangles, t, px, py):  # type: ignore[no-untyped-def]
    """Plan positions of a triangle's corners, into px[:3], py[:3]."""
    for k in range(3):
        v = np.uint32(triangles[t, k])
        px[k] = vertices[v, 0]
        py[k] = vertices[v, 1]


@_compiled
def build_index(vertices, triangles, west, south, cell, columns, rows):  # type: ignore[no-untyped-def]
    """Which triangles touch which cell, as (start, item); a long thin triangle takes the cells it crosses."""
    slack = cell * 1e-9
    px = np.empty(3)
    py = np.empty(3)
    start = np.zeros(columns * rows + 1, np.int32)
    item = np.empty(0, np.int32)
    fill = start
    for step in range(2):
        if step == 1:
            running = np.int64(0)
            for c in range(columns * rows + 1):
                here = start[c]
                start[c] = running
                running += here
            item = np.empty(running, np.int32)
            fill = start[:-1].copy()
        for t in range(triangles.shape[0]):
            _corners(vertices, triangles, t, px, py)
            x0, x1 = min(px[0], px[1], px[2]), max(px[0], px[1], px[2])
            y0, y1 = min(py[0], py[1], py[2]), max(py[0], py[1], py[2])
            r0 = min(max(int((y0 - slack - south) / cell), 0), rows - 1)
            r1 = min(max(int((y1 + slack - south) / cell), 0), rows - 1)
            c0 = min(max(int((x0 - slack - west) / cell), 0), columns - 1)
            c1 = min(max(int((x1 + slack - west) / cell), 0), columns - 1)
            large = (r1 - r0 + 1) * (c1 - c0 + 1) > FEW_CELLS
            for r in range(r0, r1 + 1):
                if large:
                    a, b = _row_span(px, py, south + r * cell - slack, south + (r + 1) * cell + slack)
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


@_inlined
def _candidates(px, py, start, item, grid, stamp, mark, found):  # type: ignore[no-untyped-def]
    """Triangles of the index that may meet the one in px, py, each once; returns their count."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    slack = cell * 1e-9
    x0, x1 = min(px[0], px[1], px[2]), max(px[0], px[1], px[2])
    y0, y1 = min(py[0], py[1], py[2]), max(py[0], py[1], py[2])
    r0 = int(np.floor((y0 - slack - south) / cell))
    r1 = int(np.floor((y1 + slack - south) / cell))
    c0 = int(np.floor((x0 - slack - west) / cell))
    c1 = int(np.floor((x1 + slack - west) / cell))
    if r1 < 0 or r0 >= rows or c1 < 0 or c0 >= columns:
        return 0
    large = (r1 - r0 + 1) * (c1 - c0 + 1) > FEW_CELLS
    c0, c1 = max(c0, 0), min(c1, columns - 1)
    count = 0
    for r in range(max(r0, 0), min(r1, rows - 1) + 1):
        if large:
            a, b = _row_span(px, py, south + r * cell - slack, south + (r + 1) * cell + slack)
            if a > b:
                continue
            c0 = max(int(np.floor((a - slack - west) / cell)), 0)
            c1 = min(int(np.floor((b + slack - west) / cell)), columns - 1)
        for c in range(c0, c1 + 1):
            at = r * columns + c
            for k in range(start[at], start[at + 1]):
                other = np.uint32(item[k])
                if stamp[other] != mark:
                    stamp[other] = mark
                    found[count] = other
                    count += 1
    return count


@_inlined
def _clip_to_side(px, py, n, qx, qy, ax, ay, ex, ey):  # type: ignore[no-untyped-def]
    """The part of a convex polygon px[:n], py[:n] left of the line from a along e, into qx, qy; its size."""
    m = 0
    lx = px[n - 1]
    ly = py[n - 1]
    last = ex * (ly - ay) - ey * (lx - ax)
    # Both points are written at every step and only kept where they count: a branch would be guessed wrong
    # every other time. Where nothing crosses, the share may be no number; that point is written over.
    for i in range(n):
        x = px[i]
        y = py[i]
        here = ex * (y - ay) - ey * (x - ax)
        share = last / (last - here)
        qx[m] = lx + (x - lx) * share
        qy[m] = ly + (y - ly) * share
        m += (here >= 0.0) != (last >= 0.0)
        qx[m] = x
        qy[m] = y
        m += here >= 0.0
        last = here
        lx = x
        ly = y
    return m


@_inlined
def _most_left(px, py, ax, ay, ex, ey):  # type: ignore[no-untyped-def]
    """How far the leftmost of three corners lies left of the line from a along e, times the length of e."""
    s0 = ex * (py[0] - ay) - ey * (px[0] - ax)
    s1 = ex * (py[1] - ay) - ey * (px[1] - ax)
    s2 = ex * (py[2] - ay) - ey * (px[2] - ax)
    return max(s0, s1, s2)


@_inlined
def _clip_to_triangle(tx, ty, px, py, qx, qy, vertices, triangles, u):  # type: ignore[no-untyped-def]
    """Clip the triangle tx[:3], ty[:3] by triangle `u`; the result is left in px, py. Returns its size."""
    a, b, c = np.uint32(triangles[u, 0]), np.uint32(triangles[u, 1]), np.uint32(triangles[u, 2])
    ax, ay = vertices[a, 0], vertices[a, 1]
    bx, by = vertices[b, 0], vertices[b, 1]
    cx, cy = vertices[c, 0], vertices[c, 1]
    if (
        (max(ax, bx, cx) < min(tx[0], tx[1], tx[2]))
        | (min(ax, bx, cx) > max(tx[0], tx[1], tx[2]))
        | (max(ay, by, cy) < min(ty[0], ty[1], ty[2]))
        | (min(ay, by, cy) > max(ty[0], ty[1], ty[2]))
    ):
        return 0
    # A side of either triangle with the whole other one beyond it: they do not meet.
    if (
        min(
            _most_left(tx, ty, ax, ay, bx - ax, by - ay),
            _most_left(tx, ty, bx, by, cx - bx, cy - by),
            _most_left(tx, ty, cx, cy, ax - cx, ay - cy),
        )
        < 0.0
    ):
        return 0
    least = np.inf
    for k in range(3):
        j = k + 1 if k < 2 else 0
        ex, ey = tx[j] - tx[k], ty[j] - ty[k]
        sa = ex * (ay - ty[k]) - ey * (ax - tx[k])
        sb = ex * (by - ty[k]) - ey * (bx - tx[k])
        sc = ex * (cy - ty[k]) - ey * (cx - tx[k])
        least = min(least, max(sa, sb, sc))
    if least < 0.0:
        return 0
    n = _clip_to_side(tx, ty, 3, px, py, ax, ay, bx - ax, by - ay)
    n = _clip_to_side(px, py, n, qx, qy, bx, by, cx - bx, cy - by)
    n = _clip_to_side(qx, qy, n, px, py, cx, cy, ax - cx, ay - cy)
    return n if n >= 3 else 0


@_inlined
def _plane(vertices, triangles, t):  # type: ignore[no-untyped-def]
    """Slope east, slope north of a triangle; zero for one without area."""
    a, b, c = np.uint32(triangles[t, 0]), np.uint32(triangles[t, 1]), np.uint32(triangles[t, 2])
    ux = vertices[b, 0] - vertices[a, 0]
    uy = vertices[b, 1] - vertices[a, 1]
    uz = vertices[b, 2] - vertices[a, 2]
    vx = vertices[c, 0] - vertices[a, 0]
    vy = vertices[c, 1] - vertices[a, 1]
    vz = vertices[c, 2] - vertices[a, 2]
    det = ux * vy - uy * vx
    if det == 0.0:
        return 0.0, 0.0
    return (uz * vy - vz * uy) / det, (vz * ux - uz * vx) / det


@_compiled
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


@_inlined
def _fan(px, py, pd, n):  # type: ignore[no-untyped-def]
    """Area and integral of d over a convex polygon, as `_part_above` gives them where no d is negative."""
    area = 0.0
    volume = 0.0
    for i in range(1, n - 1):
        a = 0.5 * ((px[i] - px[0]) * (py[i + 1] - py[0]) - (py[i] - py[0]) * (px[i + 1] - px[0]))
        area += a
        volume += a * (pd[0] + pd[i] + pd[i + 1]) / 3.0
    return area, volume


@_inlined
def _add_exactly(partials, column, value):  # type: ignore[no-untyped-def]
    """Add to a sum kept without any rounding: parts that do not overlap (Shewchuk 1997; from memory)."""
    if value == 0.0:
        return
    used = int(partials[column, 0])
    kept = 1
    for k in range(1, used + 1):
        other = partials[column, k]
        if abs(value) < abs(other):
            value, other = other, value
        high = value + other
        low = other - (high - value)
        if low != 0.0:
            partials[column, kept] = low
            kept += 1
        value = high
    partials[column, kept] = value
    partials[column, 0] = kept


@_compiled
def exact_parts(values):  # type: ignore[no-untyped-def]
    """Doubles that do not overlap and whose exact sum is that of `values`."""
    sums = np.zeros((1, PARTS))
    for k in range(values.shape[0]):
        _add_exactly(sums, 0, values[k])
    return sums[0, 1 : 1 + int(sums[0, 0])]


@_compiled
def integrate(top, tops, base, bases, start, item, grid, first, last, band, snap):  # type: ignore[no-untyped-def]
    """What lies between the top triangles first..last and the base.

    Returns the exact sums over them (SUMS rows: how many parts, then the parts) and the greatest height
    above and depth below. Differences up to `snap` are rounding of the heights, not material, and count as
    none.
    """
    stamp = np.full(bases.shape[0], -1, np.int32)
    found = np.empty(bases.shape[0], np.int32)
    cx, cy = np.empty(3), np.empty(3)
    px, py, qx, qy = np.empty(12), np.empty(12), np.empty(12), np.empty(12)
    pd, nd = np.empty(12), np.empty(12)
    sums = np.zeros((SUMS, PARTS))
    greatest = np.zeros(2)
    out = np.empty(SUMS)
    for t in range(first, last):
        _corners(top, tops, t, cx, cy)
        count = _candidates(cx, cy, start, item, grid, stamp, t, found)
        tx, ty = _plane(top, tops, t)
        x0, y0, z0 = cx[0], cy[0], top[tops[t, 0], 2]
        out[:] = 0.0
        for c in range(count):
            u = np.uint32(found[c])
            n = _clip_to_triangle(cx, cy, px, py, qx, qy, base, bases, u)
            if n < 3:
                continue
            bx, by = _plane(base, bases, u)
            corner = np.uint32(bases[u, 0])
            x1, y1, z1 = base[corner, 0], base[corner, 1], base[corner, 2]
            above = False
            below = False
            for i in range(n):
                d = (z0 + tx * (px[i] - x0) + ty * (py[i] - y0)) - (
                    z1 + bx * (px[i] - x1) + by * (py[i] - y1)
                )
                # Where two surfaces coincide, rounding alone must not scatter signs: areas would be lost.
                if abs(d) <= snap or abs(d) < COINCIDE_M:
                    d = 0.0
                pd[i] = d
                if d > 0.0:
                    above = True
                    greatest[0] = max(greatest[0], d)
                elif d < 0.0:
                    below = True
                    greatest[1] = max(greatest[1], -d)
            if above or not below:
                area, volume = _part_above(px, py, pd, n, 0.0) if below else _fan(px, py, pd, n)
                out[0] += volume
                out[2] += area
                if band > 0.0:
                    outer, high = _part_above(px, py, pd, n, band)
                    out[4] += volume - (high + band * outer)
                    out[6] += area - outer
            if below:
                for i in range(n):
                    nd[i] = -pd[i]
                area, volume = _part_above(px, py, nd, n, 0.0)
                out[1] += volume
                out[3] += area
                if band > 0.0:
                    outer, high = _part_above(px, py, nd, n, band)
                    out[5] += volume - (high + band * outer)
                    out[6] += area - outer
        for k in range(SUMS):
            _add_exactly(sums, k, out[k])
    return sums, greatest


@_compiled
def share_by_corner(vertices, triangles, mask, masks, start, item, grid, first, last, out):  # type: ignore[no-untyped-def]
    """Rows first..last of `out` (T, 3): integral of each corner's hat function over surface ∩ mask, m²."""
    stamp = np.full(masks.shape[0], -1, np.int32)
    found = np.empty(masks.shape[0], np.int32)
    cx, cy = np.empty(3), np.empty(3)
    px, py, qx, qy = np.empty(12), np.empty(12), np.empty(12), np.empty(12)
    for t in range(first, last):
        _corners(vertices, triangles, t, cx, cy)
        x0, y0 = cx[0], cy[0]
        ux, uy = cx[1] - x0, cy[1] - y0
        vx, vy = cx[2] - x0, cy[2] - y0
        det = ux * vy - uy * vx
        if det == 0.0:
            continue
        count = _candidates(cx, cy, start, item, grid, stamp, t, found)
        for c in range(count):
            n = _clip_to_triangle(cx, cy, px, py, qx, qy, mask, masks, np.uint32(found[c]))
            for i in range(1, n - 1):
                a = 0.5 * ((px[i] - px[0]) * (py[i + 1] - py[0]) - (py[i] - py[0]) * (px[i + 1] - px[0]))
                mx = (px[0] + px[i] + px[i + 1]) / 3.0 - x0
                my = (py[0] + py[i] + py[i + 1]) / 3.0 - y0
                l1 = (mx * vy - my * vx) / det
                l2 = (ux * my - uy * mx) / det
                out[t, 0] += a * (1.0 - l1 - l2)
                out[t, 1] += a * l1
                out[t, 2] += a * l2


@_compiled
def cut(vertices, triangles, mask, masks, start, item, grid, pieces, parent):  # type: ignore[no-untyped-def]
    """Cut a surface to a mask, heights kept. Returns the count; fills only what `pieces` has room for."""
    stamp = np.full(masks.shape[0], -1, np.int32)
    found = np.empty(masks.shape[0], np.int32)
    cx, cy = np.empty(3), np.empty(3)
    px, py, qx, qy = np.empty(12), np.empty(12), np.empty(12), np.empty(12)
    total = 0
    for t in range(triangles.shape[0]):
        _corners(vertices, triangles, t, cx, cy)
        count = _candidates(cx, cy, start, item, grid, stamp, t, found)
        sx, sy = _plane(vertices, triangles, t)
        x0, y0, z0 = cx[0], cy[0], vertices[triangles[t, 0], 2]
        for c in range(count):
            n = _clip_to_triangle(cx, cy, px, py, qx, qy, mask, masks, np.uint32(found[c]))
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


@_compiled
def locate(vertices, triangles, start, item, grid, x, y, out):  # type: ignore[no-untyped-def]
    """Triangle that holds each point (the best one on a shared edge), −1 outside."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    cx, cy = np.empty(3), np.empty(3)
    for p in range(x.shape[0]):
        out[p] = -1
        c = int(np.floor((x[p] - west) / cell))
        r = int(np.floor((y[p] - south) / cell))
        if c < -1 or r < -1 or c > columns or r > rows:
            continue
        at = min(max(r, 0), rows - 1) * columns + min(max(c, 0), columns - 1)
        best = OUTSIDE
        for k in range(start[at], start[at + 1]):
            t = item[k]
            _corners(vertices, triangles, t, cx, cy)
            least = _least_share(cx, cy, x[p], y[p])
            if least > best:
                best = least
                out[p] = t


@_inlined
def _least_share(cx, cy, x, y):  # type: ignore[no-untyped-def]
    """The least barycentric share of a point in a triangle, negative outside it."""
    ux, uy = cx[1] - cx[0], cy[1] - cy[0]
    vx, vy = cx[2] - cx[0], cy[2] - cy[0]
    det = ux * vy - uy * vx
    if det <= 0.0:
        return -np.inf
    l1 = ((x - cx[0]) * vy - (y - cy[0]) * vx) / det
    l2 = (ux * (y - cy[0]) - uy * (x - cx[0])) / det
    return min(l1, l2, 1.0 - l1 - l2)


@_compiled
def locate_few(vertices, triangles, start, item, grid, x, y, out):  # type: ignore[no-untyped-def]
    """As `locate`, for a few points: they lie in the cells, and each triangle looks for them there."""
    west, south, cell = grid[0], grid[1], grid[2]
    columns, rows = int(grid[3]), int(grid[4])
    best = np.full(x.shape[0], OUTSIDE)
    cx, cy = np.empty(3), np.empty(3)
    out[:] = -1
    for t in range(triangles.shape[0]):
        _corners(vertices, triangles, t, cx, cy)
        slack = cell * 1e-6
        c0 = max(int(np.floor((min(cx[0], cx[1], cx[2]) - slack - west) / cell)), 0)
        c1 = min(int(np.floor((max(cx[0], cx[1], cx[2]) + slack - west) / cell)), columns - 1)
        r0 = max(int(np.floor((min(cy[0], cy[1], cy[2]) - slack - south) / cell)), 0)
        r1 = min(int(np.floor((max(cy[0], cy[1], cy[2]) + slack - south) / cell)), rows - 1)
        if c0 > c1:
            continue
        for r in range(r0, r1 + 1):
            for k in range(start[r * columns + c0], start[r * columns + c1 + 1]):
                p = item[k]
                least = _least_share(cx, cy, x[p], y[p])
                if least > best[p]:
                    best[p] = least
                    out[p] = t
