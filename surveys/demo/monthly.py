"""How big each pile truly is on each survey day.

`monthly.csv` says roughly what volume and footprint the story wants; `heap_on` finds the height and size
that come near both. What the tool then measures is its own affair.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
from scipy.optimize import brentq, least_squares

from surveys.demo.shapes import Heap
from surveys.demo.yard import PILE, DemoPile, pad_on

SOLVE_CELL_M = 1.0


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
    # The regrade lifts the pad; a height counts from the lifted pad.
    lift = pad.raised_m

    def relative(height_m: float, size_m: float) -> tuple[float, float]:
        volume, area = form.build(pad, height_m + lift, size_m).integral(SOLVE_CELL_M)
        return volume / want.volume_m3 - 1.0, area / want.footprint_m2 - 1.0

    (low_h, high_h), (low_s, high_s) = form.height_m, form.size_m
    if high_s > low_s:
        # The footprint weighs less: where both cannot be had, the volume wins.
        solved = least_squares(
            lambda p: np.array([relative(*p)[0], 0.2 * relative(*p)[1]]),
            x0=(0.5 * (low_h + high_h), 0.5 * (low_s + high_s)),
            bounds=((low_h, low_s), (high_h, high_s)),
            x_scale=(5.0, 10.0),
            diff_step=1e-3,
            xtol=1e-5,
            ftol=1e-6,
        )
        low_s = float(solved.x[1])
    height_m = brentq(lambda h: relative(h, low_s)[0], 0.5 * low_h, 1.3 * high_h, xtol=1e-3)
    return float(height_m) + lift, low_s
