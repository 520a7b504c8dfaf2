"""Columns of text shared by both reading paths."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from compute.records import IntArray


def number_codes(raw: NDArray[np.integer], values: Sequence[str]) -> tuple[IntArray, tuple[str, ...]]:
    """Sorted distinct codes, and the index of each point's code in them.

    raw : (N,) indices into `values`; values may repeat and may be unused. Sorting makes the result
    independent of how the file was cut into blocks while reading.
    """
    used = np.zeros(len(values), dtype=bool)
    used[raw] = True
    codes = tuple(sorted({value for value, kept in zip(values, used.tolist(), strict=True) if kept}))
    rank = {code: place for place, code in enumerate(codes)}
    renumber = np.array([rank.get(value, 0) for value in values], dtype=np.int32)
    return renumber[raw] if len(values) else np.zeros(len(raw), np.int32), codes
