"""How the survey met known points: shots on control and check shots against the control in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from compute.case import LEFT_OUT_INDEX
from compute.roles import ROLE_INDEX, ROLES

NEAR_M = 2.0
"""Farther off, a shot is taken for one on another point, not for a residual."""


@dataclass(frozen=True)
class Residual:
    """Measured less known, metres."""

    name: str
    role: str
    line: int
    east_m: float
    north_m: float
    up_m: float


def residuals(arrays: Mapping[str, np.ndarray], known: Sequence[Mapping[str, Any]]) -> list[Residual]:
    """Shots coded as control or check, or found to lie on control, each against the nearest known point.

    Measured less known, in the order of the known points. A shot far from every known point has none.
    """
    if not known:
        return []
    places = np.array(
        [[float(p["easting_m"]), float(p["northing_m"]), float(p["elevation_m"])] for p in known]
    )
    coded = np.isin(arrays["role"], [ROLE_INDEX["control"], ROLE_INDEX["check"]])
    coded |= arrays["left_out"] == LEFT_OUT_INDEX["coincides_with_control"]
    rows = np.flatnonzero(coded)
    shots = arrays["shots"][rows].copy()
    shots[:, :2] += arrays["origin"]
    apart = np.hypot(*(shots[:, None, :2] - places[None, :, :2]).transpose(2, 0, 1))
    nearest = apart.argmin(axis=1) if len(rows) else np.empty(0, int)
    found = [
        Residual(
            str(known[k]["name"]),
            ROLES[int(arrays["role"][row])],
            int(arrays["shot_line"][row]),
            *(float(value) for value in shots[i] - places[k]),
        )
        for i, (row, k) in enumerate(zip(rows, nearest, strict=True))
        if apart[i, k] <= NEAR_M
    ]
    order = {str(point["name"]): place for place, point in enumerate(known)}
    return sorted(found, key=lambda each: (order[each.name], each.line))
