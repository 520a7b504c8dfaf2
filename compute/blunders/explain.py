"""Which set-up's heights are wrong, from the steps between set-ups and from the exposed pad.

One wrong height moves all strips of its set-up and its pad together. The smallest explanation is looked for:
one group whose single step takes most of the misfit away, then the next on what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from compute.blunders.poles import fits_of
from compute.blunders.records import Group, PadCheck, Step, StripCheck
from compute.records import FloatArray

SIGMAS = 5.0
LEAST_M = 0.03
"""A step has to be five standard errors and three centimetres: see the rates in the tests."""
USUAL_M = 0.01
"""Set-ups of a sound survey agree in height to a centimetre. Common practice, no source."""
LEAST_SHARE = 0.3
"""One step has to take this much of the misfit away: a set-up that stands above one neighbour and below
another is not off by a step."""
AS_GOOD = 0.8
"""Explanations that take away nearly as much of the misfit cannot be told apart."""
MOST = 3


@dataclass(frozen=True)
class _Seen:
    """One step seen: `design` has −1 for the first and +1 for the second group, or +1 for a pad's group."""

    design: FloatArray
    value: FloatArray
    error: FloatArray


@dataclass(frozen=True)
class _Guess:
    groups: tuple[int, ...]
    step_m: float
    error_m: float
    gain: float


def explain(
    groups: tuple[Group, ...],
    strips: tuple[StripCheck, ...],
    pads: tuple[PadCheck, ...],
    derivative_m2: FloatArray,
) -> tuple[Step, ...]:
    """The steps that explain strips and pads, the largest first; empty for a sound survey."""
    seen = _observations(groups, strips, pads)
    if not len(seen.value):
        return ()
    left, found = seen.value.copy(), []
    for _ in range(MOST):
        guesses = _guesses(groups, seen, left, bool(pads))
        best = max(guesses, key=lambda g: g.gain, default=None)
        if best is None or best.gain < SIGMAS**2 or abs(best.step_m) < LEAST_M:
            break
        if best.gain < LEAST_SHARE * float(((left / seen.error) ** 2).sum()):
            break
        rivals = [
            g for g in guesses if g is not best and g.gain >= AS_GOOD * best.gain and len(g.groups) == 1
        ]
        found.append(_step(groups, best, rivals, derivative_m2))
        left = left - seen.design[:, list(best.groups)].sum(axis=1) * best.step_m
    return tuple(sorted(found, key=lambda s: -abs(s.step_m)))


def _observations(
    groups: tuple[Group, ...], strips: tuple[StripCheck, ...], pads: tuple[PadCheck, ...]
) -> _Seen:
    number = {group.name: i for i, group in enumerate(groups)}
    rows, values, errors = [], [], []
    for strip in strips:
        row = np.zeros(len(groups))
        row[number[strip.first]], row[number[strip.second]] = -1.0, 1.0
        rows.append(row)
        values.append(strip.step_m)
        errors.append(math.hypot(strip.standard_error_m, USUAL_M))
    for pad in pads:
        row = np.zeros(len(groups))
        row[number[pad.group]] = 1.0
        rows.append(row)
        values.append(pad.step_m)
        errors.append(math.hypot(pad.standard_error_m, USUAL_M))
    design = np.array(rows) if rows else np.empty((0, len(groups)))
    return _Seen(design, np.array(values), np.array(errors))


def _guesses(groups: tuple[Group, ...], seen: _Seen, left: FloatArray, has_pads: bool) -> list[_Guess]:
    """Each group alone, and all together where a pad would show it."""
    tried: list[tuple[int, ...]] = [(i,) for i in range(len(groups))]
    if has_pads and len(groups) > 1:
        tried.append(tuple(range(len(groups))))
    found = []
    for chosen in tried:
        column = seen.design[:, list(chosen)].sum(axis=1) / seen.error
        weight = float(column @ column)
        if weight == 0.0:
            continue
        step = float(column @ (left / seen.error)) / weight
        found.append(_Guess(chosen, step, 1.0 / math.sqrt(weight), step * step * weight))
    return found


def _step(groups: tuple[Group, ...], best: _Guess, rivals: list[_Guess], derivative_m2: FloatArray) -> Step:
    shots = np.sort(np.concatenate([groups[i].shots for i in best.groups]))
    heights = {groups[i].target_height_m for i in best.groups}
    recorded = heights.pop() if len(heights) == 1 else None
    return Step(
        tuple(groups[i].name for i in best.groups),
        tuple(groups[i].name for g in rivals for i in g.groups),
        best.step_m,
        best.error_m,
        fits_of(best.step_m, best.error_m, recorded),
        best.step_m * math.fsum(derivative_m2[shots]),
        tuple(int(i) for i in shots),
    )
