"""A surface of few vertices to look at, with its largest deviation from the full one stated.

For pictures alone: every figure comes from the full surface. Vertices of the rim and of all lines stay where
they are, the others are chosen from those there are: first an even spread along a space-filling curve, then,
round by round, the worst missed vertices, one a triangle, until the budget is spent (after M. Garland and
P. Heckbert, "Fast polygonal approximation of terrains and height fields", CMU-CS-95-181, 1995; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from compute.curve import along_curve
from compute.findings.mesh import inner_edges
from compute.records import FloatArray, IntArray, Surface, read_only
from compute.surface import corner_shares, heights_on, locate
from compute.triangulate import triangulate

BUDGET = 20_000
"""Vertices that a browser turns in 3-D without a thought, in less than a megabyte."""

FIRST_SHARE = 0.5
"""Part of the budget spread evenly before the worst missed places get the rest."""

LOOKED_AT = 200_000
"""Left-out vertices that the first rounds look at."""

ROUNDS = 6
"""Vertices that are put in at once do not know of each other; more rounds cost time and gain little."""


@dataclass(frozen=True)
class Simplified:
    """A thinned surface; `shot_index` still leads to the shots.

    largest_deviation_m : greatest vertical distance of a left-out vertex from `surface`, m; 0 without any
    left_out            : how many vertices the picture does without
    """

    surface: Surface
    largest_deviation_m: float
    left_out: int


def simplified(full: Surface, budget: int = BUDGET) -> Simplified:
    """`full` with at most `budget` vertices, or as many as its rim and lines have. Deterministic."""
    if len(full.vertices_m) <= budget:
        return Simplified(full, 0.0, 0)
    keep, lines = _held(full)
    free = np.flatnonzero(~keep)
    spread = int(FIRST_SHARE * max(0, budget - int(keep.sum())))
    if spread:
        along = free[along_curve(full.vertices_m[free, :2])]
        keep[along[np.arange(spread) * len(along) // spread]] = True
    thin = _thinned(full, keep, lines)
    for rounds_left in range(ROUNDS, 0, -1):
        room = math.ceil((budget - int(keep.sum())) / rounds_left)
        if room <= 0:
            break
        missed = np.flatnonzero(~keep)
        # The last rounds look at all, as what is stated does; those before at enough to tell what is rough.
        step = 1 if rounds_left <= 2 else max(1, len(missed) // LOOKED_AT)
        keep[_worst_missed(full, thin, missed[::step], room)] = True
        thin = _thinned(full, keep, lines)
    missed = np.flatnonzero(~keep)
    _, off = _deviations(full, thin, missed)
    return Simplified(thin, float(off.max(initial=0.0)), len(missed))


def _held(full: Surface) -> tuple[NDArray[np.bool_], IntArray]:
    """(V,) vertices on the rim and on lines, and (L, 2) rim and lines as edges to be kept."""
    edges = inner_edges(full)
    inner = np.zeros(3 * len(full.triangles), np.bool_)
    inner[edges.halves.ravel()] = True
    triangle, side = np.divmod(np.flatnonzero(~inner), 3)
    rim = np.column_stack([full.triangles[triangle, side], full.triangles[triangle, (side + 1) % 3]])
    lines = np.unique(np.sort(np.vstack([full.lines, rim]), axis=1), axis=0)
    held = np.zeros(len(full.vertices_m), np.bool_)
    held[lines.ravel()] = True
    return held, lines.astype(np.int32)


def _thinned(full: Surface, keep: NDArray[np.bool_], lines: IntArray) -> Surface:
    """The kept vertices joined anew inside the rim of the full surface."""
    kept = np.flatnonzero(keep)
    place = np.full(len(keep), -1, np.int32)
    place[kept] = np.arange(len(kept), dtype=np.int32)
    made = triangulate(full.vertices_m[kept], place[lines])
    # The rim is held, so that a triangle is wholly inside it or wholly outside.
    inside = locate(full, made.vertices_m[made.triangles, :2].mean(axis=1)) >= 0
    return replace(
        made,
        triangles=read_only(np.ascontiguousarray(made.triangles[inside])),
        shot_index=read_only(full.shot_index[kept[made.shot_index]]),
    )


def _deviations(
    full: Surface, thin: Surface, missed: NDArray[np.int64]
) -> tuple[NDArray[np.int64], FloatArray]:
    """The thin triangle over or under each vertex that is left out, and how far they are apart, m."""
    at = np.ascontiguousarray(full.vertices_m[missed, :2])
    triangle = locate(thin, at)
    inside = triangle >= 0
    off = np.zeros(len(missed))
    # The rim is held: what lies outside it does so by rounding, on the rim itself.
    shares = corner_shares(thin, at[inside], triangle[inside])
    off[inside] = np.abs(full.vertices_m[missed[inside], 2] - heights_on(thin, triangle[inside], shares))
    return triangle, off


def _worst_missed(full: Surface, thin: Surface, missed: NDArray[np.int64], room: int) -> NDArray[np.int64]:
    """Of each triangle its worst missed vertex, the worst first, as many as there is room for."""
    triangle, off = _deviations(full, thin, missed)
    order = np.lexsort((-off, triangle))
    worst = order[np.r_[True, np.diff(triangle[order]) != 0]]
    worst = worst[np.argsort(-off[worst], kind="stable")]
    return np.asarray(missed[worst[:room]])
