"""The zoo of shapes on a grid whose cells are cut into four triangles round their middle.

That is how contourpy takes a grid with `quad_as_tri`, so that both look at one and the same surface.
Heights are whole millimetres: the same numbers on every machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from compute.records import FloatArray, Surface

CELLS = 24
SIZE_M = 60.0


def cone(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.maximum(0.0, 9.0 - 0.4 * np.hypot(x - 31.0, y - 29.0))


def frustum(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.clip(0.7 * np.minimum(np.minimum(x - 7, 53 - x), np.minimum(y - 9, 49 - y)), 0.0, 7.25)


def bent_ridge(x: FloatArray, y: FloatArray) -> FloatArray:
    """An L-shaped ridge."""
    one = np.minimum(np.minimum(x - 6, 54 - x), np.minimum(y - 6, 24 - y))
    two = np.minimum(np.minimum(x - 6, 24 - x), np.minimum(y - 6, 54 - y))
    return np.clip(0.75 * np.maximum(one, two), 0.0, 5.5)


def saddle(x: FloatArray, y: FloatArray) -> FloatArray:
    return 12.0 + ((x - 30.0) ** 2 - (y - 30.0) ** 2) / 130.0


def two_heaps(x: FloatArray, y: FloatArray) -> FloatArray:
    left = 8.0 - 0.45 * np.hypot(x - 19.0, y - 30.0)
    right = 6.0 - 0.45 * np.hypot(x - 43.0, y - 33.0)
    return np.maximum(0.0, np.maximum(left, right))


def hollow(x: FloatArray, y: FloatArray) -> FloatArray:
    """A ring wall round a drawn-down middle."""
    return np.maximum(0.0, 6.0 - 0.6 * np.abs(np.hypot(x - 30.0, y - 30.0) - 16.0))


SHAPES: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    each.__name__: each for each in (cone, frustum, bent_ridge, saddle, two_heaps, hollow)
}


@dataclass(frozen=True)
class Gridded:
    """`x_m`, `y_m`, `z_m`: (R, C) the grid, bent a little out of square; `surface`: the same as triangles."""

    name: str
    x_m: FloatArray
    y_m: FloatArray
    z_m: FloatArray
    surface: Surface


def gridded(name: str) -> Gridded:
    along = np.linspace(0.0, SIZE_M, CELLS + 1)
    x, y = np.meshgrid(along, along)
    bent = 0.2 * x * (SIZE_M - x) / SIZE_M**2 * (y / SIZE_M)
    x = (x + 3.0 * bent).round(3)
    z = (100.0 + SHAPES[name](x, y)).round(3)
    return Gridded(name, x, y, z, _surface(x, y, z))


def _surface(x: FloatArray, y: FloatArray, z: FloatArray) -> Surface:
    rows, columns = x.shape
    nodes = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (each.ravel() for each in (index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]))
    middles = (nodes[a] + nodes[b] + nodes[c] + nodes[d]) / 4.0
    m = len(nodes) + np.arange(len(middles))
    sides = [np.column_stack([p, q, m]) for p, q in ((a, b), (b, c), (c, d), (d, a))]
    return Surface(
        vertices_m=np.vstack([nodes, middles]),
        triangles=np.vstack(sides).astype(np.int32),
        shot_index=np.full(len(nodes) + len(middles), -1, np.int32),
        lines=np.empty((0, 2), np.int32),
    )
