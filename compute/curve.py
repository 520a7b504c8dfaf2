"""Order along a space-filling curve: neighbours on it are neighbours on the ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from compute.kernels import spacing
from compute.records import FloatArray

CURVE_BITS = 16


def along_curve(xy_m: FloatArray) -> NDArray[np.int64]:
    """Order of plan positions (K, 2) along a Hilbert curve; those in one cell of it keep their order.

    Every n-th of them is spread evenly, and work done in this order finds its neighbours at hand.
    """
    if len(xy_m) == 0:
        return np.empty(0, np.int64)
    cells = 1 << CURVE_BITS
    span = max(float(np.ptp(xy_m, axis=0).max()), 1e-9)
    x, y = np.minimum((xy_m - xy_m.min(axis=0)) * (cells / span), cells - 1.0).astype(np.int64).T
    # Place on the curve and number in one integer: such are sorted faster than an order of them is found.
    both = (spacing.hilbert_place(x, y, CURVE_BITS) << 31) | np.arange(len(x))
    both.sort()
    return both & ((1 << 31) - 1)
