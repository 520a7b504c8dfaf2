"""Which of many places to set up on: a greedy cover, improved by exchanging, adding and dropping stations.

A plan is better that leaves fewer stations without two others in sight, then less of the pile unseen, then
fewer that will lose sight of two others as the pile grows, then needs fewer stations, then sees more of the
pile twice, then stands nearer. Ties go to the earlier place, so the choice is always the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ROUNDS = 20
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
    """Places by index, in ascending order."""
    chosen = _cover(places.seen, fewest, most)
    for _ in range(ROUNDS):
        before = _cost(chosen, places)
        chosen = _exchanged(chosen, places)
        if len(chosen) < most and any(_cost(chosen, places)[:3]):
            chosen = min(chosen, _added(chosen, places), key=lambda c: _cost(c, places))
        chosen = _dropped(chosen, places, fewest)
        if _cost(chosen, places) >= before:
            break
    return sorted(chosen)


def _cost(chosen: list[int], places: Places) -> Cost:
    times = places.seen[chosen].sum(axis=0)
    pairs = np.ix_(chosen, chosen)
    alone, later = (int((m[pairs].sum(axis=1) < 2).sum()) for m in (places.others, places.later))
    # In hundredths of the pile: less is not worth a station.
    hidden = round(float((times == 0).mean()) / WORTH_A_STATION)
    twice = round(TENTH * float((times >= 2).mean()))
    return alone, hidden, later, len(chosen), -twice, round(float(places.away_m[chosen].sum()))


def _cover(seen: NDArray[np.bool_], fewest: int, most: int) -> list[int]:
    chosen: list[int] = []
    left = np.ones(seen.shape[1], bool)
    while len(chosen) < most:
        gains = (seen & left).sum(axis=1)
        gains[chosen] = -1
        best = int(np.argmax(gains))
        if len(chosen) >= fewest and gains[best] < WORTH_A_STATION * seen.shape[1]:
            break
        chosen.append(best)
        left &= ~seen[best]
    return chosen


def _exchanged(chosen: list[int], places: Places) -> list[int]:
    best, cost = chosen, _cost(chosen, places)
    for i in range(len(chosen)):
        for candidate in range(len(places.seen)):
            if candidate in best:
                continue
            tried = [*best[:i], candidate, *best[i + 1 :]]
            tried_cost = _cost(tried, places)
            if tried_cost < cost:
                best, cost = tried, tried_cost
    return best


def _added(chosen: list[int], places: Places) -> list[int]:
    tried = [[*chosen, c] for c in range(len(places.seen)) if c not in chosen]
    return min(tried, key=lambda t: _cost(t, places), default=chosen)


def _dropped(chosen: list[int], places: Places, fewest: int) -> list[int]:
    while len(chosen) > fewest:
        tried = [[c for c in chosen if c != out] for out in chosen]
        best = min(tried, key=lambda t: _cost(t, places))
        if _cost(best, places) >= _cost(chosen, places):
            break
        chosen = best
    return chosen
