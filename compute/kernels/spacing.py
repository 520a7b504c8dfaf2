"""One walk over a triangulation for what its spacing tells, and places along a space-filling curve."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def totals(vertices, triangles, zero):  # type: ignore[no-untyped-def]
    """Plan area, area times the mean square of the three sides, and volume above the height `zero`."""
    area = 0.0
    squares = 0.0
    volume = 0.0
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ux = vertices[b, 0] - vertices[a, 0]
        uy = vertices[b, 1] - vertices[a, 1]
        vx = vertices[c, 0] - vertices[a, 0]
        vy = vertices[c, 1] - vertices[a, 1]
        one = 0.5 * (ux * vy - uy * vx)
        sides = ux * ux + uy * uy + vx * vx + vy * vy + (vx - ux) ** 2 + (vy - uy) ** 2
        area += one
        squares += one * sides / 3.0
        volume += one * ((vertices[a, 2] + vertices[b, 2] + vertices[c, 2]) / 3.0 - zero)
    return area, squares, volume


@njit(cache=True, nogil=True)
def hilbert_place(x, y, bits):  # type: ignore[no-untyped-def]
    """Place of whole cells (x, y), each below 2**bits, along a Hilbert curve."""
    place = np.empty(x.shape[0], np.int64)
    for k in range(x.shape[0]):
        cx, cy = x[k], y[k]
        at = np.int64(0)
        step = np.int64(1) << (bits - 1)
        while step > 0:
            right = 1 if cx & step else 0
            up = 1 if cy & step else 0
            at += step * step * ((3 * right) ^ up)
            cx &= step - 1
            cy &= step - 1
            if up == 0:
                if right == 1:
                    cx = step - 1 - cx
                    cy = step - 1 - cy
                cx, cy = cy, cx
            step >>= 1
        place[k] = at
    return place
