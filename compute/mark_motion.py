"""Whether a mark moves, from what every survey saw of it: a step or a steady drift, beyond chance.

One value a day: the sights of one day share a set-up and are no independent witnesses. Each of north, east
and up is asked twice, whether its mean changes between two days and whether it drifts, by the normal
distribution with the larger of the stated and the observed noise. A single survey never makes a mark move:
the answer has to stand with any one day left out.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import erfc

from compute.records import FloatArray

AXES = ("north", "east", "up")
FEWEST_DAYS = 5
CHANCE = 0.001
"""A resting mark is called moving less often than this, for each axis and question."""
LEAST_M = 0.003
"""Less than this matters to no survey of a pile. Common practice, no source."""
DAYS_A_MONTH = 30.44


@dataclass(frozen=True)
class Motion:
    """What one axis of a mark did.

    kind        : `step` between `since` and `until`, the days on both sides, or `drift` over them
    size_m      : after minus before, or the drift over the whole time; north, east, up positive
    chance      : how often a resting mark would look so, the choice among days counted in
    """

    axis: str
    kind: str
    since: dt.date
    until: dt.date
    size_m: float
    before_n: int
    after_n: int
    chance: float

    @property
    def a_month_m(self) -> float:
        return self.size_m * DAYS_A_MONTH / max((self.until - self.since).days, 1)


def motions_of(days: tuple[dt.date, ...], offsets_m: FloatArray, u_m: FloatArray) -> tuple[Motion, ...]:
    """Axes that move, the surest first.

    days             : n days in rising order, one value each
    offsets_m, u_m   : (n, 3) measured minus known, and its standard uncertainty; NaN where not seen
    """
    found = [_motion(AXES[axis], days, offsets_m[:, axis], u_m[:, axis]) for axis in range(3)]
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.chance))


def _motion(axis: str, days: tuple[dt.date, ...], offset: FloatArray, u: FloatArray) -> Motion | None:
    seen = np.flatnonzero(np.isfinite(offset))
    if seen.size < FEWEST_DAYS:
        return None
    value = offset[seen]
    time = np.array([days[i].toordinal() for i in seen], dtype=np.float64)
    noise = noise_of(value, u[seen])
    tried = [_step(time, value, noise), _drift(time, value, noise)]
    standing = [
        (chance, misfit, make)
        for chance, size, misfit, make in tried
        if chance < CHANCE and abs(size) >= LEAST_M
    ]
    if not standing or _rests_on_one_day(time, value, noise):
        return None
    chance, _, make = min(standing, key=lambda one: one[1])
    kind, first, last, size, before = make()
    place = [days[i] for i in seen]
    return Motion(axis, kind, place[first], place[last], size, before, len(seen) - before, chance)


def noise_of(value: FloatArray, u: FloatArray) -> float:
    """Standard deviation of one day: the stated one, or that between neighbouring days where it is larger.

    Neighbours, because a step or a drift hardly enters their differences; the median, because one wild day
    enters two of them. 1.4826 makes the median deviation of a normal distribution its standard deviation.
    """
    between = 1.4826 * float(np.median(np.abs(np.diff(value)))) / math.sqrt(2.0)
    return max(between, float(np.median(u)))


_Answer = tuple[float, float, float, Callable[[], tuple[str, int, int, float, int]]]
"""Chance, size, sum of squares left, and how to say it: kind, first and last day, size, days before."""


def _step(time: FloatArray, value: FloatArray, noise: float) -> _Answer:
    """The change of the mean between two days, each side two days or longer, that is hardest to explain."""
    n = len(value)
    cuts = np.arange(2, n - 1)
    sums = np.cumsum(value)
    before, after = sums[cuts - 1] / cuts, (sums[-1] - sums[cuts - 1]) / (n - cuts)
    z = np.abs(after - before) / (noise * np.sqrt(1.0 / cuts + 1.0 / (n - cuts)))
    best = int(np.argmax(z))
    cut, size = int(cuts[best]), float(after[best] - before[best])
    left = float(np.sum((value[:cut] - before[best]) ** 2) + np.sum((value[cut:] - after[best]) ** 2))
    chance = min(1.0, len(cuts) * _two_sided(float(z[best])))
    return chance, size, left, lambda: ("step", cut - 1, cut, size, cut)


def _drift(time: FloatArray, value: FloatArray, noise: float) -> _Answer:
    away = time - time.mean()
    spread = float(np.sum(away**2))
    slope = float(np.sum(away * value) / spread)
    left = float(np.sum((value - value.mean() - slope * away) ** 2))
    size = slope * float(time[-1] - time[0])
    return (
        _two_sided(abs(slope) * math.sqrt(spread) / noise),
        size,
        left,
        lambda: ("drift", 0, len(value) - 1, size, 0),
    )


def _two_sided(z: float) -> float:
    return float(erfc(z / math.sqrt(2.0)))


def _rests_on_one_day(time: FloatArray, value: FloatArray, noise: float) -> bool:
    """Whether leaving one day out leaves nothing to tell."""
    for i in range(len(value)):
        t, v = np.delete(time, i), np.delete(value, i)
        if min(_step(t, v, noise)[0], _drift(t, v, noise)[0]) >= CHANCE * 10.0:
            return True
    return False
