"""Closed tours through plan points: shortening, and looking for other tours nearly as short.

All functions are deterministic: ties fall to the lower index and the only random numbers come from a
fixed generator that starts anew at each call.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from compute.records import FloatArray, IntArray

KICK_REACH = 30
"""How many places along the tour one kick touches: longer kicks are hardly ever an improvement."""


@njit(cache=True, nogil=True)
def _distance(x: FloatArray, y: FloatArray, a: int, b: int) -> float:
    return float(np.sqrt((x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2))


@njit(cache=True, nogil=True)
def tour_length(x: FloatArray, y: FloatArray, tour: IntArray) -> float:
    """Length of the closed tour, in the unit of the coordinates."""
    total = 0.0
    for k in range(len(tour)):
        total += _distance(x, y, tour[k - 1], tour[k])
    return total


@njit(cache=True, nogil=True)
def signed_area(x: FloatArray, y: FloatArray, tour: IntArray) -> float:
    """Area inside the closed tour, positive where it runs counter-clockwise."""
    total = 0.0
    for k in range(len(tour)):
        a, b = tour[k - 1], tour[k]
        total += x[a] * y[b] - x[b] * y[a]
    return 0.5 * total


@njit(cache=True, nogil=True)
def _reverse(tour: IntArray, position: IntArray, i: int, j: int) -> None:
    """Reverse places i…j (cyclic, inclusive), or what is left of the tour where that is shorter."""
    n = len(tour)
    span = (j - i) % n + 1
    if 2 * span > n:
        i, j = (j + 1) % n, (i - 1) % n
        span = n - span
    for _ in range(span // 2):
        a, b = tour[i], tour[j]
        tour[i], tour[j] = b, a
        position[b], position[a] = i, j
        i = (i + 1) % n
        j = (j - 1) % n


@njit(cache=True, nogil=True)
def _exchange(tour: IntArray, position: IntArray, a: int, b: int, c: int, d: int) -> None:
    """Replace the edges a–b and c–d, met in the order a b … c d either way round, by a–c and b–d."""
    if tour[(position[a] + 1) % len(tour)] == b:
        _reverse(tour, position, position[b], position[c])
    else:
        _reverse(tour, position, position[c], position[b])


@njit(cache=True, nogil=True)
def _next(tour: IntArray, position: IntArray, city: int, step: int) -> int:
    return int(tour[(position[city] + step) % len(tour)])


@njit(cache=True, nogil=True)
def _uncross_at(
    x: FloatArray,
    y: FloatArray,
    tour: IntArray,
    position: IntArray,
    near: IntArray,
    a: int,
    step: int,
    least: float,
) -> int:
    """Best exchange of two edges that drops the edge from `a` in direction `step`; the partner or −1."""
    b = _next(tour, position, a, step)
    ab = _distance(x, y, a, b)
    best, partner = least, -1
    for k in range(near.shape[1]):
        c = near[a, k]
        if c < 0:
            break
        ac = _distance(x, y, a, c)
        if ac >= ab:
            break
        d = _next(tour, position, c, step)
        if c == b or d == a:
            continue
        gain = ab + _distance(x, y, c, d) - ac - _distance(x, y, b, d)
        if gain > best:
            best, partner = gain, c
    return partner


@njit(cache=True, nogil=True)
def _move_segment(
    x: FloatArray,
    y: FloatArray,
    tour: IntArray,
    position: IntArray,
    near: IntArray,
    a: int,
    step: int,
    least: float,
) -> bool:
    """Carry the run of one to three cities that begins at `a` and goes against `step` to a better edge.

    The run keeps `a` beside the near city it is carried to.
    """
    n = len(tour)
    after = _next(tour, position, a, step)
    tail = a
    for size in range(1, 4):
        if size > 1:
            tail = _next(tour, position, tail, -step)
        before = _next(tour, position, tail, -step)
        if n < size + 3 or before == after:
            return False
        saved = _distance(x, y, before, tail) + _distance(x, y, a, after) - _distance(x, y, before, after)
        if saved <= least:
            continue
        for k in range(near.shape[1]):
            c = near[a, k]
            if c < 0 or _distance(x, y, a, c) >= saved:
                break
            if (step * (position[a] - position[c])) % n < size:
                continue
            for side in (-1, 1):
                d = _next(tour, position, c, side)
                if (step * (position[a] - position[d])) % n < size:
                    continue
                added = _distance(x, y, c, a) + _distance(x, y, tail, d) - _distance(x, y, c, d)
                if saved - added > least:
                    _carry(tour, position, before, tail, a, after, c, d)
                    return True
    return False


@njit(cache=True, nogil=True)
def _carry(
    tour: IntArray, position: IntArray, before: int, tail: int, head: int, after: int, c: int, d: int
) -> None:
    """before–tail…head–after becomes before–after, and c–d becomes c–head…tail–d."""
    n = len(tour)
    step = 1 if tour[(position[before] + 1) % n] == tail else -1
    if tour[(position[c] + step) % n] == d:
        # before→tail…head→after … c→d  becomes  before→after … c→head…tail→d
        _exchange(tour, position, before, tail, c, d)
        if after != c:
            _exchange(tour, position, before, c, after, head)
    else:
        # before→tail…head→after … d→c  becomes  before→after … d→tail…head→c
        _exchange(tour, position, before, tail, d, c)
        if after != d:
            _exchange(tour, position, before, d, after, head)
        _exchange(tour, position, d, head, tail, c)


@njit(cache=True, nogil=True)
def _settle(
    x: FloatArray,
    y: FloatArray,
    tour: IntArray,
    position: IntArray,
    near: IntArray,
    queue: IntArray,
    queued: IntArray,
    waiting: int,
    least: float,
) -> None:
    """Shorten the tour by exchanges and carried runs until the `waiting` cities of the queue are quiet."""
    n = len(tour)
    head = 0
    while waiting > 0:
        a = queue[head]
        head = (head + 1) % n
        waiting -= 1
        queued[a] = 0
        again = True
        while again:
            again = False
            for step in (1, -1):
                b = _next(tour, position, a, step)
                c = _uncross_at(x, y, tour, position, near, a, step, least)
                if c >= 0:
                    d = _next(tour, position, c, step)
                    if step == 1:
                        _exchange(tour, position, a, b, c, d)
                    else:
                        _exchange(tour, position, b, a, d, c)
                    waiting = _wake(queue, queued, head, waiting, b)
                    waiting = _wake(queue, queued, head, waiting, c)
                    waiting = _wake(queue, queued, head, waiting, d)
                    again = True
                    break
                before = _next(tour, position, a, -step)
                if _move_segment(x, y, tour, position, near, a, step, least):
                    waiting = _wake(queue, queued, head, waiting, b)
                    waiting = _wake(queue, queued, head, waiting, before)
                    waiting = _wake_around(tour, position, queue, queued, head, waiting, a)
                    again = True
                    break


@njit(cache=True, nogil=True)
def _wake(queue: IntArray, queued: IntArray, head: int, waiting: int, city: int) -> int:
    if queued[city] == 0:
        queued[city] = 1
        queue[(head + waiting) % len(queue)] = city
        waiting += 1
    return waiting


@njit(cache=True, nogil=True)
def _wake_around(
    tour: IntArray, position: IntArray, queue: IntArray, queued: IntArray, head: int, waiting: int, a: int
) -> int:
    for step in range(-4, 5):
        waiting = _wake(queue, queued, head, waiting, _next(tour, position, a, step))
    return waiting


@njit(cache=True, nogil=True)
def shorten(x: FloatArray, y: FloatArray, tour: IntArray, near: IntArray, kicks: int) -> float:
    """Shorten `tour` in place by exchanges, carried runs and `kicks` local shake-ups; its length.

    x, y : (N,) float64   plan coordinates
    tour : (N,) int32     a permutation
    near : (N, K) int32   candidates of each city, nearest first, filled up with −1
    """
    n = len(tour)
    scale = tour_length(x, y, tour)
    least = 1e-12 * scale
    position = np.empty(n, dtype=np.int32)
    for k in range(n):
        position[tour[k]] = k
    queue = tour.copy()
    queued = np.ones(n, dtype=np.int32)
    _settle(x, y, tour, position, near, queue, queued, n, least)
    best_length = tour_length(x, y, tour)
    if n < 8:
        return best_length
    best = tour.copy()
    state = np.uint64(88172645463325252)
    for _ in range(kicks):
        state = _kick(tour, position, queue, queued, state)
        waiting = 0
        for k in range(n):
            if queued[k] == 1:
                queue[waiting] = k
                waiting += 1
        _settle(x, y, tour, position, near, queue, queued, waiting, least)
        length = tour_length(x, y, tour)
        if length < best_length - least:
            best_length = length
            best[:] = tour
        elif length > best_length + least:
            tour[:] = best
            for k in range(n):
                position[tour[k]] = k
    tour[:] = best
    return best_length


@njit(cache=True, nogil=True)
def _shake(state: np.uint64) -> np.uint64:
    """Xorshift, 64 bits (G. Marsaglia, Journal of Statistical Software 8(14), 2003)."""
    state ^= state << np.uint64(13)
    state ^= state >> np.uint64(7)
    state ^= state << np.uint64(17)
    return state


@njit(cache=True, nogil=True)
def _kick(
    tour: IntArray, position: IntArray, queue: IntArray, queued: IntArray, state: np.uint64
) -> np.uint64:
    """Three neighbouring runs of the tour change places (an exchange no single step above can undo)."""
    n = len(tour)
    reach = min(KICK_REACH, n // 3 - 1)
    state = _shake(state)
    start = int(state % np.uint64(n))
    sizes = np.empty(3, dtype=np.int64)
    for k in range(3):
        state = _shake(state)
        sizes[k] = 1 + int(state % np.uint64(max(reach, 1)))
    total = sizes.sum()
    old = np.empty(total, dtype=np.int32)
    for k in range(total):
        old[k] = tour[(start + k) % n]
    write = 0
    ends = (0, sizes[0], sizes[0] + sizes[1], total)
    for part in (2, 1, 0):
        for k in range(ends[part], ends[part + 1]):
            place = (start + write) % n
            tour[place] = old[k]
            position[old[k]] = place
            write += 1
        queued[old[ends[part]]] = 1
        queued[old[ends[part + 1] - 1]] = 1
    queued[tour[(start - 1) % n]] = 1
    queued[tour[(start + total) % n]] = 1
    return state
