"""Which of many places to set up on: a greedy cover, improved by exchanging, adding and dropping stations.

A plan is better that leaves fewer stations without two others in sight, then less of the pile unseen, then
fewer that will lose sight of two others as the pile grows, then needs fewer stations, then sees more of the
pile twice, then stands nearer. Ties go to the earlier place, so the choice is always the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

ROUNDS = 20
STARTS = 4
PAIRS_UP_TO = 4
"""Exchanging stations one by one stops at the nearest hollow; several starts, and exchanges of two at a time
where there are few stations, find the deeper ones."""
WORTH_A_STATION = 0.01
"""A further station has to bring a hundredth of the pile into sight. Common practice, no source."""
TENTH = 10
"""Seen twice counts in tenths of the pile, so that a hair more of it does not send a crew far off."""

Cost = tuple[int, int, int, int, int, int]


@dataclass(frozen=True)
class Places:
    """Where one may set up.

    seen   : (C, K) which place sees which part of the pile
    others : (C, C) which places see each other over the pile as it stands
    later  : (C, C) which will over the pile at its permitted height
    away_m : (C,) usual distance to what it sees
    """

    seen: NDArray[np.bool_]
    others: NDArray[np.bool_]
    later: NDArray[np.bool_]
    away_m: NDArray[np.float64]


def choose(places: Places, fewest: int, most: int) -> list[int]:
    """Places by index, in ascending order: the best that is reached from several first stations."""
    count = len(places.seen)
    firsts = [None, *range(0, count, max(1, count // STARTS))]
    tried = [_improved(_cover(places.seen, fewest, most, first), places, fewest, most) for first in firsts]
    best = min(tried, key=lambda chosen: cost_of(chosen, places))
    while len(best) <= PAIRS_UP_TO:
        deeper = _exchanged(best, places, 2)
        if cost_of(deeper, places) >= cost_of(best, places):
            break
        best = deeper
    return sorted(best)


def cost_of(chosen: list[int], places: Places) -> Cost:
    """Of a plan; the smaller is the better, compared from left to right."""
    *rest, last = chosen
    return _cost_at(_costs_with(rest, places), last)


def _cost_at(costs: NDArray[np.int64], place: int) -> Cost:
    alone, hidden, later, count, twice, away = (int(v) for v in costs[place])
    return alone, hidden, later, count, twice, away


def _costs_with(rest: list[int], places: Places) -> NDArray[np.int64]:
    """(C, 6) cost of `rest` together with each place in turn."""
    times = places.seen[rest].sum(axis=0)[None, :] + places.seen
    # In hundredths of the pile: less is not worth a station.
    hidden = np.rint((times == 0).mean(axis=1) / WORTH_A_STATION)
    twice = np.rint(TENTH * (times >= 2).mean(axis=1))
    away = np.rint(places.away_m[rest].sum() + places.away_m)
    alone, later = (_alone_with(rest, m) for m in (places.others, places.later))
    count = np.full(len(hidden), len(rest) + 1)
    return np.column_stack([alone, hidden, later, count, -twice, away]).astype(np.int64)


def _alone_with(rest: list[int], others: NDArray[np.bool_]) -> NDArray[np.int64]:
    """(C,) how many of `rest` and the place itself see fewer than two of each other."""
    among = others[np.ix_(rest, rest)].sum(axis=1)
    members = (among[None, :] + others[:, rest] < 2).sum(axis=1)
    return np.asarray(members + (others[:, rest].sum(axis=1) < 2))


def _best_with(rest: list[int], places: Places) -> tuple[Cost, int] | None:
    """The place that goes best with `rest`, and the cost of both."""
    costs = _costs_with(rest, places)
    free = np.setdiff1d(np.arange(len(costs)), rest)
    if not len(free):
        return None
    order = np.lexsort(costs[free].T[::-1])
    best = int(free[order[0]])
    return _cost_at(costs, best), best


def _improved(chosen: list[int], places: Places, fewest: int, most: int) -> list[int]:
    for _ in range(ROUNDS):
        before = cost_of(chosen, places)
        chosen = _exchanged(chosen, places, 1)
        if len(chosen) < most and any(cost_of(chosen, places)[:3]):
            more = _best_with(chosen, places)
            if more is not None and more[0] < cost_of(chosen, places):
                chosen = [*chosen, more[1]]
        chosen = _dropped(chosen, places, fewest)
        if cost_of(chosen, places) >= before:
            break
    return chosen


def _cover(seen: NDArray[np.bool_], fewest: int, most: int, first: int | None) -> list[int]:
    chosen = [] if first is None else [first]
    left = np.ones(seen.shape[1], bool) if first is None else ~seen[first]
    while len(chosen) < most:
        gains = (seen & left).sum(axis=1)
        gains[chosen] = -1
        best = int(np.argmax(gains))
        if len(chosen) >= fewest and gains[best] < WORTH_A_STATION * seen.shape[1]:
            break
        chosen.append(best)
        left &= ~seen[best]
    return chosen


def _exchanged(chosen: list[int], places: Places, together: int) -> list[int]:
    """The best of all exchanges of one station, or of two together."""
    best, cost = chosen, cost_of(chosen, places)
    for out in combinations(range(len(chosen)), together):
        kept = [c for i, c in enumerate(best) if i not in out]
        between = [[]] if together == 1 else [[c] for c in range(len(places.seen)) if c not in kept]
        for first in between:
            found = _best_with([*kept, *first], places)
            if found is not None and found[0] < cost:
                cost, best = found[0], [*kept, *first, found[1]]
    return best


def _dropped(chosen: list[int], places: Places, fewest: int) -> list[int]:
    while len(chosen) > fewest:
        tried = [[c for c in chosen if c != out] for out in chosen]
        best = min(tried, key=lambda t: cost_of(t, places))
        if cost_of(best, places) >= cost_of(chosen, places):
            break
        chosen = best
    return chosen
