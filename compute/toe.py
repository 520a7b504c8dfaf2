"""The toe ring: one closed line through toe shots that came in any order.

Shots taken densely enough along a closed line are joined rightly by the shortest closed tour through
them (E. Althaus and K. Mehlhorn, "Traveling salesman-based curve reconstruction in polynomial time",
SIAM Journal on Computing 31(1), 2001; cited from memory). Whether they were dense enough can be asked of
the shots themselves: where they were not, another ring is nearly as short. Then nothing is guessed: the
numbers of the shots decide, and without them the ring is refused with the places in words.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from compute.errors import TooFewShots, TooFewToeShots
from compute.kernels.starts import angular_start, fragment_start
from compute.kernels.tour import shorten, tour_length
from compute.near import nearest
from compute.records import FloatArray, IntArray
from compute.rings import canonical_ring, is_simple, uncrossed
from compute.toe_doubt import (
    ANOTHER_RING,
    OPEN_SIDE,
    Place,
    Rival,
    ambiguous,
    crosses_itself,
    differs,
    find_doubt,
)
from compute.triangulate import triangulate

NEAR = 10
"""How many nearest shots of each shot may become its neighbours, beside those of its triangles."""

NUMBERED_LENGTH = 1.25
NUMBERED_LENGTH_IN_DOUBT = 2.0
"""The numbered order counts as plausible while it is at most so many times as long as the shortest ring."""

NUMBERED_JUMP = 2.0
"""Numbers join two rings to one only without a jump of so many times the usual spacing."""


def toe_ring(
    x_m: FloatArray, y_m: FloatArray, order: IntArray | None = None, place: Place = lambda i: f"shot {i + 1}"
) -> IntArray:
    """Indices of the given toe shots in counter-clockwise ring order.

    x_m, y_m : (N,) float64, metres, any plan frame
    order    : (N,) rank of each shot by its point number, or None where the shots are not numbered
    place    : words for the shot with a given index, used in refusals

    The ring does not cross or touch itself, begins at its westernmost shot, and does not depend on the
    order of the rows. Of shots at exactly the same place one is kept; every other shot is a corner.

    Raises `TooFewToeShots` under three places or all on one line; `ToeRingAmbiguous` when another ring
    is nearly as short and encloses a clearly different area, when the shots look like two rings, or
    when one gap is wider than the pile; `ToeRingCrossesItself` when the numbers would have to decide
    and cross.
    """
    kept = _canonical(x_m, y_m)
    x, y = x_m[kept] - x_m[kept].min(), y_m[kept] - y_m[kept].min()
    _check_enough(x, y)
    near = _near_lists(x, y)
    tours = _tours(x, y, near)
    best = tours[0]
    doubt = find_doubt(x, y, tours, near)
    numbered = None if order is None else _by_number(x, y, order[kept])
    if numbered is not None and (doubt is not None or differs(x, y, best, numbered)):
        if is_simple(x, y, numbered):
            if _numbers_may_decide(x, y, best, numbered, doubt):
                return kept[canonical_ring(x, y, numbered)]
        elif doubt is not None and doubt.kind == ANOTHER_RING:
            raise crosses_itself(x, y, numbered, kept, place)
    if doubt is not None:
        raise ambiguous(x, y, best, doubt, kept, place)
    return kept[canonical_ring(x, y, best)]


# --- the shortest ring ---------------------------------------------------------------------------


def _canonical(x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """Indices sorted by (x, y), exact repetitions dropped."""
    order = np.lexsort((y_m, x_m)).astype(np.int32)
    if len(order) < 2:
        return order
    x, y = x_m[order], y_m[order]
    return order[np.r_[True, (np.diff(x) != 0) | (np.diff(y) != 0)]]


def _check_enough(x: FloatArray, y: FloatArray) -> None:
    if len(x) < 3:
        raise TooFewToeShots(
            f"{len(x)} toe shots at different places cannot make a ring; three are the least."
        )
    plan = np.column_stack([x - x.mean(), y - y.mean()])
    spread = np.linalg.svd(plan, compute_uv=False)
    if spread[1] <= 1e-9 * spread[0]:
        raise TooFewToeShots(f"All {len(x)} toe shots lie on one line, so they enclose nothing.")


def _near_lists(x: FloatArray, y: FloatArray) -> IntArray:
    """(N, K) int32: candidates for neighbours of each shot, nearest first, filled up with −1."""
    n = len(x)
    plan = np.column_stack([x, y])
    around = nearest(plan, min(NEAR + 1, n))
    first = np.repeat(np.arange(n), around.shape[1])
    pairs: list[NDArray[np.int64]] = [np.column_stack([first, around.ravel()])]
    try:
        made = triangulate(np.column_stack([plan, np.zeros(n)]))
        corners = made.shot_index[made.triangles].astype(np.int64)
    except TooFewShots:
        corners = np.empty((0, 3), dtype=np.int64)
    pairs += [corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]
    both = np.concatenate([np.concatenate(pairs), np.concatenate(pairs)[:, ::-1]])
    both = np.unique(both[both[:, 0] != both[:, 1]], axis=0)
    length = np.hypot(*(plan[both[:, 0]] - plan[both[:, 1]]).T)
    both = both[np.lexsort((both[:, 1], length, both[:, 0]))]
    counts = np.bincount(both[:, 0], minlength=n)
    near = np.full((n, min(int(counts.max()), 2 * NEAR)), -1, dtype=np.int32)
    rank = np.arange(len(both)) - np.repeat(np.cumsum(counts) - counts, counts)
    inside = rank < near.shape[1]
    near[both[inside, 0], rank[inside]] = both[inside, 1]
    return near


def _tours(x: FloatArray, y: FloatArray, near: IntArray) -> list[IntArray]:
    """Simple tours found from several starts, shortest first; equal ones are kept once."""
    n = len(x)
    kicks = int(min(max(100, 4 * n), 1500))
    found: list[tuple[float, IntArray]] = []
    for start, shakes in ((fragment_start(x, y, near), kicks), (angular_start(x, y), kicks // 4)):
        tour = start.copy()
        shorten(x, y, tour, near, shakes)
        tour = canonical_ring(x, y, uncrossed(x, y, tour))
        length = tour_length(x, y, tour)
        if not any(np.array_equal(tour, other) for _, other in found):
            found.append((length, tour))
    found.sort(key=lambda pair: pair[0])
    return [tour for _, tour in found]


# --- when the numbers decide ---------------------------------------------------------------------


def _by_number(x: FloatArray, y: FloatArray, order: IntArray) -> IntArray:
    return canonical_ring(x, y, np.argsort(order, kind="stable").astype(np.int32))


def _numbers_may_decide(
    x: FloatArray, y: FloatArray, best: IntArray, numbered: IntArray, doubt: Rival | None
) -> bool:
    """Numbers settle which ring it is, but not that two heaps are one, nor where an unseen side runs."""
    plan = np.column_stack([x[numbered], y[numbered]])
    links = np.hypot(*(plan - np.roll(plan, -1, axis=0)).T)
    longest = NUMBERED_LENGTH if doubt is None else NUMBERED_LENGTH_IN_DOUBT
    if links.sum() > longest * tour_length(x, y, best):
        return False
    if doubt is None or doubt.kind == ANOTHER_RING:
        return True
    return doubt.kind != OPEN_SIDE and bool(links.max() <= NUMBERED_JUMP * np.quantile(links, 0.75))
