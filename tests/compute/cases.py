"""Whole cases through the real pipeline, from shots of the standard pile."""

from __future__ import annotations

from typing import Any

import numpy as np

from compute.building import BaseChoice
from compute.case import Case
from compute.measure import MeasureRequest, measure
from compute.records import FloatArray, Shots
from compute.roles import ROLE_INDEX
from tests.compute import standard_pile as pile

EAST, NORTH, FLOOR = 500_000.0, 4_500_000.0, 120.0


def shots_of(points_m: FloatArray, roles: dict[str, Any] | None = None) -> Shots:
    """Shots in the site frame; `roles` names the indices of each role, the rest are spots."""
    n = len(points_m)
    role = np.full(n, ROLE_INDEX["spot"], np.int8)
    code = np.zeros(n, np.int32)
    codes = ["SPT"]
    for name, index in (roles or {}).items():
        kind = name.split()[0]
        role[index] = ROLE_INDEX[kind]
        code[index] = len(codes)
        codes.append({"toe": "TOE", "crest": "CRS 1", "ground": "GND"}[kind])
    return Shots(
        x_m=points_m[:, 0] + EAST,
        y_m=points_m[:, 1] + NORTH,
        z_m=points_m[:, 2] + FLOOR,
        role=role,
        code_index=code,
        codes=tuple(codes),
        line=np.arange(1, n + 1, dtype=np.int32),
        file_index=np.zeros(n, np.int16),
        files=(),
    )


def standard_case(spacing_m: float = 3.0, seed: int = 0, base: str = "level", **more: Any) -> Case:
    """The standard pile as surveyed, measured on a base of the given kind."""
    points, lines, ring = pile.shots_of_survey(spacing_m, seed)
    choice = BaseChoice(base, level_m=FLOOR if base == "level" else None)
    request = MeasureRequest(top=shots_of(points, {"toe": ring, "crest": lines[0]}), base=choice, **more)
    return measure(request).case


def measured(points_m: FloatArray, base: BaseChoice, **more: Any) -> Case:
    return measure(MeasureRequest(top=shots_of(points_m), base=base, **more)).case
