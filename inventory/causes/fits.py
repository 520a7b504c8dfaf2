"""How well an explanation fits: marginal likelihood of linear-Gaussian models, in closed form.

The level line y of some piles is `y = Σ b_k g_k + e` with independent survey errors e ~ N(0, σ²) and
b_k ~ N(μ_k, τ_k²): what a cause can be is said before looking (its τ), so that a flexible cause does not
win by bending. Bayesian linear regression with known noise; Bishop, *Pattern Recognition and Machine
Learning* (2006), §3.3 and §3.5, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from inventory.causes.history import Floats, Yard

NOISE_FLOOR = 0.002
"""Repeat surveys of one pile hardly agree better than this share of it. Common practice, no source."""
NOISE_BEFORE_DATA = 0.004
WEIGHT_OF_YARD = 4.0
"""The yard's usual scatter counts as much as this many months of the pile's own."""


@dataclass(frozen=True)
class Fit:
    """Mean and standard deviation of a cause's size b after the data."""

    size: float
    size_sd: float


@dataclass(frozen=True)
class Months:
    """Months of some piles, one row a pile; each has an offset of its own beside what they share.

    y         : (P, n) level, t; 0 where nothing was measured
    known     : (P, n) whether it was
    sigma     : (P,) standard deviation of one survey, t
    offset_sd : (P,) prior standard deviation of the offset, t
    """

    y: Floats
    known: Any
    sigma: Floats
    offset_sd: Floats

    def only(self, rows: Sequence[int]) -> Months:
        return Months(self.y[rows], self.known[rows], self.sigma[rows], self.offset_sd[rows])

    def size_of(self, shapes: Floats, mean: float, sd: float) -> Fit:
        """Size of what they share: `shapes` (P, n) tonnes for b = 1, b ~ N(`mean`, `sd`²) beforehand.

        The normal equations have one row and column for b and one for each offset, which meet no other:
        the offsets are eliminated one by one.
        """
        weight = self.sigma**-2.0
        rest = np.where(self.known, self.y - mean * shapes, 0.0)
        own = weight * self.known.sum(axis=1) + self.offset_sd**-2.0
        both = weight * shapes.sum(axis=1)
        precision = float(weight @ (shapes**2).sum(axis=1)) + sd**-2.0 - float(both @ (both / own))
        push = float(weight @ (shapes * rest).sum(axis=1) - (both / own) @ (weight * rest.sum(axis=1)))
        return Fit(mean + push / precision, precision**-0.5)

    def log_evidence(self, shapes: Floats, size: float) -> Floats:
        """(P,) log density of each pile's months with b = `size`."""
        rest = np.where(self.known, self.y - size * shapes, 0.0)
        n, weight = self.known.sum(axis=1), self.sigma**-2.0
        own = weight * n + self.offset_sd**-2.0
        push = weight * rest.sum(axis=1)
        misfit = weight * (rest**2).sum(axis=1) - push**2 / own
        spread = np.log(own * self.offset_sd**2) + n * np.log(2.0 * math.pi * self.sigma**2)
        found: Floats = -0.5 * (misfit + spread)
        return found


def scatter_t(yard: Yard) -> dict[str, float]:
    """Pile → standard deviation of one survey's level, t: from its months, drawn towards the yard's usual.

    Differences of neighbouring months, their median taken out, say what is left when steps and drifts
    are not looked at. One wrong month spoils two of them, which in a short year is half: so the smallest
    two fifths judge, which a normal deviate stays under at 0.524 σ.
    """
    raw: dict[str, tuple[float, int]] = {}
    for name, pile in yard.piles.items():
        level = pile.level_t()
        step = np.diff(level[np.isfinite(level)])
        if len(step):
            apart = float(np.quantile(np.abs(step - np.median(step)), 0.4, method="lower"))
            raw[name] = (apart / 0.5244 / math.sqrt(2.0) / usual_t(yard, name), len(step))
    pooled = sorted(share for share, n in raw.values() if n >= 4)
    usual = pooled[len(pooled) // 2] if pooled else NOISE_BEFORE_DATA
    scatter = {}
    for name in yard.piles:
        share, n = raw.get(name, (usual, 0))
        mixed = math.sqrt((WEIGHT_OF_YARD * usual**2 + n * share**2) / (WEIGHT_OF_YARD + n))
        scatter[name] = max(mixed, NOISE_FLOOR) * usual_t(yard, name)
    return scatter


def usual_t(yard: Yard, name: str) -> float:
    """Mean tonnes of the pile over the months, at least one tonne."""
    pile = yard.piles[name]
    known = [b if m is None else m for b, m in zip(pile.book_t, pile.measured_t, strict=True)]
    return max(float(np.mean(known)), 1.0) if known else 1.0


def log_mean_exp(values: Sequence[float]) -> float:
    top = max(values)
    return top + math.log(sum(math.exp(v - top) for v in values) / len(values))
