"""Shots for tests without a file: rows of (x, y, z, code[, name[, note]])."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from compute.coding import merge_rules, role_of
from compute.records import Shots, SourceFile
from compute.roles import ROLE_INDEX

SOURCE = SourceFile("yard.csv", 1, "0" * 64)


def shots_of(rows: Sequence[tuple], rules: Mapping[str, Sequence[str]] | None = None) -> Shots:
    """Shots of one invented file `yard.csv`, a header in line 1 and a row in each line after it."""
    full = [(*row, *(("", "", "")[len(row) - 3 :])) for row in rows]
    codes = tuple(sorted({row[3] for row in full}))
    tiers = merge_rules(rules)
    role = {code: ROLE_INDEX[role_of(code, tiers)] for code in codes}
    return Shots(
        x_m=np.array([row[0] for row in full], dtype=np.float64),
        y_m=np.array([row[1] for row in full], dtype=np.float64),
        z_m=np.array([row[2] for row in full], dtype=np.float64),
        role=np.array([role[row[3]] for row in full], dtype=np.int8),
        code_index=np.array([codes.index(row[3]) for row in full], dtype=np.int32),
        codes=codes,
        line=np.arange(2, 2 + len(full), dtype=np.int32),
        file_index=np.zeros(len(full), dtype=np.int16),
        files=(SOURCE,),
        names=[row[4] for row in full],
        notes=[row[5] for row in full],
    )
