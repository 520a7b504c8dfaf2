"""Shots that coincide with known control: the mark itself, or the instrument above it."""

from __future__ import annotations

import numpy as np

from compute.near import tree_of
from compute.records import FindingLimits, IntArray, KnownPoint, Shots
from compute.roles import ROLE_INDEX

MARK_HEIGHT_M = 0.25
"""A shot this close to a mark in height is the mark, or the foot of what stands on it."""

INSTRUMENT_HEIGHTS_M = (1.2, 1.9)
"""Usual heights of an instrument over its mark (common practice, no source)."""

_NO_MATERIAL = [ROLE_INDEX[role] for role in ("control", "check", "structure", "rejected")]


def control_coincidences(
    shots: Shots, control: tuple[KnownPoint, ...], limits: FindingLimits
) -> tuple[IntArray, tuple[str, ...]]:
    """Shots that are control whatever their code says.

    Shots and control in one frame, metres. Returns ascending shot indices (K,) and for each
    `coincides_with_control` or `instrument_over_control` (names of `compute.case.LEFT_OUT`). A shot at a
    mark's place but at another height may be material on a buried mark, and is not returned. Shots whose code
    already keeps them out of the surface are not returned either. A mark without a height counts by plan.
    """
    candidates = np.flatnonzero(~np.isin(shots.role, _NO_MATERIAL))
    if not control or not len(candidates):
        return np.empty(0, dtype=np.int32), ()
    marks = np.array([(point.easting_m, point.northing_m, point.elevation_m) for point in control])
    plan = np.column_stack([shots.x_m[candidates], shots.y_m[candidates]])
    near = tree_of(plan).query_ball_point(marks[:, :2], limits.control_plan_m)
    found: dict[int, str] = {}
    for mark, members in zip(marks, near, strict=True):
        for shot in candidates[members].tolist():
            above = float(shots.z_m[shot] - mark[2])
            if not np.isfinite(mark[2]) or abs(above) <= MARK_HEIGHT_M:
                found[shot] = "coincides_with_control"
            elif INSTRUMENT_HEIGHTS_M[0] <= above <= INSTRUMENT_HEIGHTS_M[1]:
                found.setdefault(shot, "instrument_over_control")
    index = np.array(sorted(found), dtype=np.int32)
    return index, tuple(found[int(shot)] for shot in index)
