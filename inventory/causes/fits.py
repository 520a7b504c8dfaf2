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

import numpy as np

from inventory.causes.history import Floats, Yard

NOISE_FLOOR = 0.002
"""Repeat surveys of one pile hardly agree better than this share of it. Common practice, no source."""
NOISE_BEFORE_DATA = 0.004
WEIGHT_OF_YARD = 4.0
"""The yard's usual scatter counts as much as this many months of the pile's own."""


@dataclass(frozen=True)
class Term:
    """One regressor: `shape` (n,) in tonnes for b = 1, prior mean and standard deviation of b."""

    shape: Floats
    mean: float
    sd: float


@dataclass(frozen=True)
class Fit:
    """`log_evidence` of the data, and mean and standard deviation of the first term's b after them."""

    log_evidence: float
    size: float
    size_sd: float


def fit(y: Floats, sigma: Floats, terms: Sequence[Term]) -> Fit:
    """Evidence of `y` (n,) with noise `sigma` (n,) under the terms; without terms, of the noise alone."""
    scaled = y / sigma
    constant = -0.5 * len(y) * math.log(2.0 * math.pi) - float(np.log(sigma).sum())
    if not terms:
        return Fit(constant - 0.5 * float(scaled @ scaled), 0.0, 0.0)
    g = np.column_stack([t.shape / sigma for t in terms])
    mean, precision = np.array([t.mean for t in terms]), np.array([t.sd for t in terms]) ** -2.0
    # Normal equations around the prior; k is the number of piles and two more, so a plain inverse will do.
    a = g.T @ g + np.diag(precision)
    inverse = np.linalg.inv(a)
    rest = scaled - g @ mean
    push = g.T @ rest
    step = inverse @ push
    log_det = float(np.linalg.slogdet(a)[1] - np.log(precision).sum())
    log_evidence = constant - 0.5 * (float(rest @ rest) - float(push @ step) + log_det)
    return Fit(log_evidence, float(mean[0] + step[0]), math.sqrt(max(float(inverse[0, 0]), 0.0)))


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
