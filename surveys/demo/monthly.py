"""How big each pile truly is on each survey day.

`monthly.csv` says roughly what volume and footprint the story wants; `heap_on` finds the height and size
that come near both. What the tool then measures is its own affair.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from surveys.demo.shapes import Heap
from surveys.demo.yard import PILE, DemoPile, pad_on

FloatArray = NDArray[np.float64]

SOLVE_CELL_M = 1.0
CLOSE_ENOUGH = np.array([2e-4, 1e-3])


@dataclass(frozen=True)
class Wanted:
    """One pile on one survey day: what the story wants of its size."""

    pile: str
    surveyed_on: date
    volume_m3: float
    footprint_m2: float


@cache
def wanted() -> tuple[Wanted, ...]:
    """The 138 pile-months in the order of the story."""
    text = (Path(__file__).parent / "monthly.csv").read_text(encoding="utf-8")
    return tuple(
        Wanted(
            row["pile"],
            date.fromisoformat(row["surveyed_on"]),
            float(row["volume_m3"]),
            float(row["footprint_m2"]),
        )
        for row in csv.DictReader(text.splitlines())
    )


@cache
def heap_on(want: Wanted) -> Heap:
    """The true heap. Its volume meets the story's within a few cubic metres, its footprint about."""
    pile = PILE[want.pile]
    height_m, size_m = _height_and_size(pile, want)
    return pile.form.build(pad_on(pile, want.surveyed_on), height_m, size_m)


def _height_and_size(pile: DemoPile, want: Wanted) -> tuple[float, float]:
    pad, form = pad_on(pile, want.surveyed_on), pile.form
    low = np.array([form.height_m[0], form.size_m[0]])
    high = np.array([form.height_m[1], form.size_m[1]])

    def miss(found: FloatArray) -> FloatArray:
        # A height counts from the pad as it lies on that day.
        heap = form.build(pad, float(found[0]) + pad.raised_m, float(found[1]))
        volume_m3, footprint_m2 = heap.integral(SOLVE_CELL_M)
        return np.array([volume_m3 / want.volume_m3 - 1.0, footprint_m2 / want.footprint_m2 - 1.0])

    solve = _by_newton if high[1] > low[1] else _by_height
    height_m, size_m = solve(miss, low, high)
    return float(height_m) + pad.raised_m, float(size_m)


def _by_newton(miss: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray) -> FloatArray:
    """Height and size that meet volume and footprint within `CLOSE_ENOUGH`."""
    found = 0.5 * (low + high)
    nudge_m = np.array([0.02, 0.05])
    for _ in range(25):
        off = miss(found)
        if (np.abs(off) < CLOSE_ENOUGH).all():
            return found
        columns = [(miss(found + step) - off) / step[i] for i, step in enumerate(np.diag(nudge_m))]
        step = np.linalg.solve(np.stack(columns, axis=1), off)
        found = np.clip(found - np.clip(step, -0.2 * (high - low), 0.2 * (high - low)), low, high)
    raise ValueError(f"no height and size meet the story: {found} leaves {off}")


def _by_height(miss: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray) -> FloatArray:
    """Walls fix the size: only the height can meet the volume."""
    found = np.array([0.0, low[1]])
    bottom, top = low[0], high[0]
    while top - bottom > 1e-4:
        found[0] = 0.5 * (bottom + top)
        bottom, top = (found[0], top) if miss(found)[0] < 0.0 else (bottom, found[0])
    return found
