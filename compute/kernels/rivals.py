"""Other tours through the same points that are nearly as short as a given one.

A tour is changed by taking out two to four edges and joining the loose ends another way. A change is
plausible when the edges put in are hardly longer than those taken out: their excess is at most
`slack` times the edges taken out without the longest of them (a long edge that merely stays long says
nothing for the change). Changes that leave the enclosed area as it is are passed over.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from compute.kernels.tour import _distance
from compute.records import FloatArray, IntArray

KEPT = 64
"""How many changes are kept, those of the smallest relative excess."""

EXCHANGE, TURN_BOTH, SWAP, SWAP_TURN_FIRST, SWAP_TURN_SECOND, SWAP_THREE, SPLIT = range(7)
"""Kinds of change. `SPLIT` makes two rings of one; all others give one ring."""


@njit(cache=True, nogil=True)
def _cross(x: FloatArray, y: FloatArray, a: int, b: int) -> float:
    return float(x[a] * y[b] - x[b] * y[a])


@njit(cache=True, nogil=True)
def _running(x: FloatArray, y: FloatArray, tour: IntArray) -> FloatArray:
    """(N + 1,) running cross products: entry k is twice the signed area swept before place k."""
    n = len(tour)
    running = np.zeros(n + 1)
    for k in range(n):
        running[k + 1] = running[k] + _cross(x, y, tour[k], tour[(k + 1) % n])
    return running


@njit(cache=True, nogil=True)
def _keep(
    changes: IntArray, figures: FloatArray, count: int, kind: int, i: int, j: int, k: int, m: int, rank: float
) -> int:
    """Put a change into the list, or in place of the worst when the list is full; the new count."""
    for row in range(count):
        same = changes[row, 0] == kind and changes[row, 1] == i and changes[row, 2] == j
        if same and changes[row, 3] == k and changes[row, 4] == m:
            return count
    row = count
    if count == KEPT:
        row = int(np.argmax(figures))
        if figures[row] <= rank:
            return count
    else:
        count += 1
    changes[row, 0], changes[row, 1], changes[row, 2] = kind, i, j
    changes[row, 3], changes[row, 4] = k, m
    figures[row] = rank
    return count


@njit(cache=True, nogil=True)
def _excess_rank(taken: float, longest: float, put: float, slack: float) -> float:
    """Relative excess of a change, or −1 when it is not plausible."""
    rest = taken - longest
    excess = put - taken
    if excess > slack * rest:
        return -1.0
    return 1.0 + excess / taken


@njit(cache=True, nogil=True)
def _three_edges(
    x: FloatArray,
    y: FloatArray,
    tour: IntArray,
    running: FloatArray,
    i: int,
    j: int,
    k: int,
    slack: float,
    material: float,
    changes: IntArray,
    figures: FloatArray,
    count: int,
) -> int:
    """All ways to join the ends of the edges behind places i < j < k to one ring with three new edges."""
    n = len(tour)
    a, b, c, d, e, f = tour[i], tour[i + 1], tour[j], tour[j + 1], tour[k], tour[(k + 1) % n]
    ab, cd, ef = _distance(x, y, a, b), _distance(x, y, c, d), _distance(x, y, e, f)
    taken, longest = ab + cd + ef, max(ab, cd, ef)
    total = running[n]
    first = running[j] - running[i + 1]
    second = running[k] - running[j + 1]
    rest = total - (running[k + 1] - running[i])
    one, two, three = j == i + 1, k == j + 1, (k + 1) % n == i
    for kind in range(TURN_BOTH, SWAP_TURN_SECOND + 1):
        # A run of a single shot makes some of the ways put back an edge that was taken out.
        if kind == TURN_BOTH and (one or two):
            continue
        if kind == SWAP_TURN_FIRST and (two or three):
            continue
        if kind == SWAP_TURN_SECOND and (one or three):
            continue
        if kind == TURN_BOTH:
            put = _distance(x, y, a, c) + _distance(x, y, b, e) + _distance(x, y, d, f)
            area = rest + _cross(x, y, a, c) - first + _cross(x, y, b, e) - second + _cross(x, y, d, f)
        elif kind == SWAP:
            put = _distance(x, y, a, d) + _distance(x, y, e, b) + _distance(x, y, c, f)
            area = rest + _cross(x, y, a, d) + second + _cross(x, y, e, b) + first + _cross(x, y, c, f)
        elif kind == SWAP_TURN_FIRST:
            put = _distance(x, y, a, d) + _distance(x, y, e, c) + _distance(x, y, b, f)
            area = rest + _cross(x, y, a, d) + second + _cross(x, y, e, c) - first + _cross(x, y, b, f)
        else:
            put = _distance(x, y, a, e) + _distance(x, y, d, b) + _distance(x, y, c, f)
            area = rest + _cross(x, y, a, e) - second + _cross(x, y, d, b) + first + _cross(x, y, c, f)
        rank = _excess_rank(taken, longest, put, slack)
        if rank >= 0.0 and abs(abs(area) - abs(total)) > material * abs(total):
            count = _keep(changes, figures, count, kind, i, j, k, -1, rank)
    return count


@njit(cache=True, nogil=True)
def _two_edges(
    x: FloatArray,
    y: FloatArray,
    tour: IntArray,
    running: FloatArray,
    i: int,
    j: int,
    slack: float,
    material: float,
    changes: IntArray,
    figures: FloatArray,
    count: int,
) -> int:
    n = len(tour)
    a, b, c, d = tour[i], tour[i + 1], tour[j], tour[(j + 1) % n]
    ab, cd = _distance(x, y, a, b), _distance(x, y, c, d)
    total = running[n]
    first = running[j] - running[i + 1]
    rest = total - (running[j + 1] - running[i])
    put = _distance(x, y, a, c) + _distance(x, y, b, d)
    area = rest + _cross(x, y, a, c) - first + _cross(x, y, b, d)
    rank = _excess_rank(ab + cd, max(ab, cd), put, slack)
    if rank >= 0.0 and abs(abs(area) - abs(total)) > material * abs(total):
        count = _keep(changes, figures, count, EXCHANGE, i, j, -1, -1, rank)
    return count


@njit(cache=True, nogil=True)
def _sorted_three(i: int, j: int, k: int) -> tuple[int, int, int]:
    if i > j:
        i, j = j, i
    if j > k:
        j, k = k, j
    if i > j:
        i, j = j, i
    return i, j, k


@njit(cache=True, nogil=True)
def single_ring_changes(
    x: FloatArray, y: FloatArray, tour: IntArray, near: IntArray, slack: float, material: float
) -> tuple[IntArray, FloatArray]:
    """Plausible changes of two or three edges that give another single ring of another area.

    slack, material : plausible excess, and least change of the area as a part of it
    returns (C, 5) int32 kind and places i, j, k, −1 of the edges taken out; (C,) relative length of
    what is put in. The search follows the chain "taken out, put in, …" from every edge and stops where
    the edges put in outweigh those taken out: a change that pays can be entered at some edge where
    every stage of it pays, so none is missed among the near neighbours.
    """
    n = len(tour)
    changes = np.empty((KEPT, 5), dtype=np.int32)
    figures = np.empty(KEPT)
    count = 0
    position = np.empty(n, dtype=np.int32)
    for k in range(n):
        position[tour[k]] = k
    running = _running(x, y, tour)
    weight = 1.0 / (1.0 + slack)
    for start in range(n):
        for step in (0, 1):
            # The edge behind place `start` is left at its far end (step 0) or at its near end (step 1).
            loose = tour[(start + 1 - step) % n]
            length = _distance(x, y, tour[start], tour[(start + 1) % n])
            for s in range(near.shape[1]):
                met = near[loose, s]
                if met < 0:
                    break
                credit = length - weight * _distance(x, y, loose, met)
                if credit <= 0.0:
                    break
                for side in (0, 1):
                    second = (position[met] - side) % n
                    if second == start:
                        continue
                    if step == 1 - side:
                        low, high = min(start, second), max(start, second)
                        if high - low > 1 and not (low == 0 and high == n - 1):
                            count = _two_edges(
                                x, y, tour, running, low, high, slack, material, changes, figures, count
                            )
                    other = tour[(second + 1 - side) % n]
                    credit_two = credit + _distance(x, y, tour[second], tour[(second + 1) % n])
                    for t in range(near.shape[1]):
                        last = near[other, t]
                        if last < 0 or credit_two - weight * _distance(x, y, other, last) <= 0.0:
                            break
                        for end in (0, 1):
                            third = (position[last] - end) % n
                            if third in (start, second):
                                continue
                            i, j, k = _sorted_three(start, second, third)
                            count = _three_edges(
                                x, y, tour, running, i, j, k, slack, material, changes, figures, count
                            )
    return changes[:count], figures[:count]


@njit(cache=True, nogil=True)
def _necks(
    x: FloatArray, y: FloatArray, tour: IntArray, near: IntArray, weight: float
) -> tuple[IntArray, FloatArray]:
    """Pairs of edges (i < j) that face each other: what they lose when joined across, those worth it only.

    A neck is kept where `weight` times the two edges across is at most the two edges taken out;
    weight 0 keeps all. Second figure: sum taken out, longest taken out, sum put in.
    """
    n = len(tour)
    position = np.empty(n, dtype=np.int32)
    for k in range(n):
        position[tour[k]] = k
    limit = n * near.shape[1] * 2
    pairs = np.empty((limit, 2), dtype=np.int32)
    figures = np.empty((limit, 3))
    count = 0
    for i in range(n):
        a, b = tour[i], tour[(i + 1) % n]
        for s in range(near.shape[1]):
            d = near[a, s]
            if d < 0:
                break
            j = (position[d] - 1) % n
            gap = (j - i) % n
            if gap < 2 or gap > n - 2:
                continue
            c = tour[j]
            ab, cd = _distance(x, y, a, b), _distance(x, y, c, d)
            put = _distance(x, y, a, d) + _distance(x, y, b, c)
            if weight * put <= ab + cd:
                pairs[count, 0], pairs[count, 1] = min(i, j), max(i, j)
                figures[count, 0], figures[count, 1], figures[count, 2] = ab + cd, max(ab, cd), put
                count += 1
    return pairs[:count], figures[:count]


@njit(cache=True, nogil=True)
def two_neck_changes(
    x: FloatArray, y: FloatArray, tour: IntArray, near: IntArray, slack: float, material: float
) -> tuple[IntArray, FloatArray]:
    """As `single_ring_changes`, for joining the ring across at one neck and cutting it at another."""
    n = len(tour)
    changes = np.empty((KEPT, 5), dtype=np.int32)
    figures = np.empty(KEPT)
    count = 0
    running = _running(x, y, tour)
    total = running[n]
    good, good_figures = _necks(x, y, tour, near, 1.0 / (1.0 + slack))
    every, every_figures = _necks(x, y, tour, near, 0.0)
    for g in range(len(good)):
        for h in range(len(every)):
            i, j, k, m = good[g, 0], good[g, 1], every[h, 0], every[h, 1]
            if k < i:
                i, j, k, m = k, m, i, j
            if not i < k < j < m:
                continue
            taken = good_figures[g, 0] + every_figures[h, 0]
            put = good_figures[g, 2] + every_figures[h, 2]
            rank = _excess_rank(taken, max(good_figures[g, 1], every_figures[h, 1]), put, slack)
            if rank < 0.0:
                continue
            a, b, c, d = tour[i], tour[i + 1], tour[k], tour[k + 1]
            e, f, p, q = tour[j], tour[j + 1], tour[m], tour[(m + 1) % n]
            area = total
            area -= _cross(x, y, a, b) + _cross(x, y, c, d) + _cross(x, y, e, f) + _cross(x, y, p, q)
            area += _cross(x, y, a, f) + _cross(x, y, p, d) + _cross(x, y, e, b) + _cross(x, y, c, q)
            if abs(abs(area) - abs(total)) > material * abs(total):
                count = _keep(changes, figures, count, SWAP_THREE, i, k, j, m, rank)
    return changes[:count], figures[:count]


@njit(cache=True, nogil=True)
def split_changes(
    x: FloatArray, y: FloatArray, tour: IntArray, near: IntArray, most_excess: float, material: float
) -> tuple[IntArray, FloatArray]:
    """Ways to make two rings of one with hardly longer edges: (C, 5) kind, i, j, −1, −1; relative length.

    most_excess : excess of the edges put in, as a part of those taken out (negative: must be shorter)
    material    : least area of each of the two rings as a part of their sum
    """
    n = len(tour)
    changes = np.empty((KEPT, 5), dtype=np.int32)
    figures = np.empty(KEPT)
    count = 0
    running = _running(x, y, tour)
    pairs, lengths = _necks(x, y, tour, near, 1.0 / (1.0 + most_excess))
    for row in range(len(pairs)):
        i, j = pairs[row, 0], pairs[row, 1]
        a, b, c, d = tour[i], tour[i + 1], tour[j], tour[(j + 1) % n]
        inner = abs(running[j] - running[i + 1] + _cross(x, y, c, b))
        outer = abs(running[n] - (running[j + 1] - running[i]) + _cross(x, y, a, d))
        if min(inner, outer) > material * (inner + outer):
            rank = lengths[row, 2] / lengths[row, 0]
            count = _keep(changes, figures, count, SPLIT, i, j, -1, -1, rank)
    return changes[:count], figures[:count]


def changed_tour(tour: IntArray, change: IntArray) -> list[IntArray]:
    """The ring, or for a `SPLIT` the two rings, that a change makes of a tour."""
    kind, i, j, k, m = (int(value) for value in change)
    if kind in (EXCHANGE, SPLIT):
        middle, rest = tour[i + 1 : j + 1], np.concatenate([tour[j + 1 :], tour[: i + 1]])
        return [middle, rest] if kind == SPLIT else [np.concatenate([rest, middle[::-1]])]
    if kind == SWAP_THREE:
        one, two, three = tour[i + 1 : j + 1], tour[j + 1 : k + 1], tour[k + 1 : m + 1]
        return [np.concatenate([tour[m + 1 :], tour[: i + 1], three, two, one])]
    first, second = tour[i + 1 : j + 1], tour[j + 1 : k + 1]
    rest = np.concatenate([tour[k + 1 :], tour[: i + 1]])
    parts = {
        TURN_BOTH: (first[::-1], second[::-1]),
        SWAP: (second, first),
        SWAP_TURN_FIRST: (second, first[::-1]),
        SWAP_TURN_SECOND: (second[::-1], first),
    }[kind]
    return [np.concatenate([rest, *parts])]
