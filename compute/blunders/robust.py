"""Means and planes that a few wild values do not move: iterated weights after Tukey's biweight.

Holland and Welsch 1977 give the constant 4.685 (95 % efficient on normal data); from memory.
"""

from __future__ import annotations

import math

import numpy as np

from compute.records import FloatArray

BIWEIGHT = 4.685
ROUNDS = 30
SMALLEST_SPREAD_M = 1e-4


def spread_of(residuals: FloatArray) -> float:
    """Robust standard deviation: 1.4826 times the median of the sizes."""
    return max(1.4826 * float(np.median(np.abs(residuals))), SMALLEST_SPREAD_M)


def robust_fit(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """(U,) coefficients, (U, U) their cofactors and the robust spread of a value. `design` : (N, U), its
    first column ones."""
    x: FloatArray = np.zeros(design.shape[1])
    x[0] = float(np.median(values))
    weights = np.ones(len(values))
    for _ in range(ROUNDS):
        residuals = values - design @ x
        spread = spread_of(residuals)
        share = np.minimum(np.abs(residuals) / (BIWEIGHT * spread), 1.0)
        weights = (1.0 - share**2) ** 2
        before = x
        root = np.sqrt(weights)
        x = np.asarray(np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0])
        if float(np.abs(x - before).max()) < 1e-7:
            break
    cofactor = np.linalg.pinv((design * weights[:, None]).T @ design)
    return np.asarray(x), np.asarray(cofactor), spread_of(values - design @ x)


def significance_of(x: FloatArray, covariance: FloatArray) -> float:
    """Size of a vector in standard errors: along the directions in which it is known at all."""
    values, vectors = np.linalg.eigh(covariance)
    along = vectors.T @ x
    known = values > 1e-12 * max(float(values.max()), 1e-12)
    return math.sqrt(float((along[known] ** 2 / values[known]).sum()))


def robust_mean(values: FloatArray) -> tuple[float, float, float]:
    """Mean, its standard error, and the spread of a value."""
    x, cofactor, spread = robust_fit(np.ones((len(values), 1)), values)
    return float(x[0]), spread * math.sqrt(float(cofactor[0, 0])), spread
