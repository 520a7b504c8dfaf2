"""A bay of three walls, filled level, with one free face: every figure of it has a closed form."""

from __future__ import annotations

import numpy as np

from compute.building import BaseChoice
from compute.measure import Measurement, MeasureRequest, measure
from compute.walls import Wall
from tests.compute.shots_of import shots_of

E_M, N_M, FLOOR_M = 2000.0, 4000.0, 100.0
WIDE, DEEP, HIGH = 20.0, 8.0, 3.0
LEVEL = BaseChoice("level", level_m=FLOOR_M)


def bay_wall(**changes: object) -> Wall:
    """Three sides, open to the north; the material is on the left, walking round from the west side."""
    foot = np.array([[0, DEEP], [0, 0], [WIDE, 0], [WIDE, DEEP]]) + np.array([E_M, N_M])
    given = {"code": "W1", "foot_m": np.column_stack([foot, np.full(4, FLOOR_M)]), "height_m": 4.0}
    return Wall(**{**given, **changes})  # type: ignore[arg-type]


def filled_bay(tangent: float = 0.0, off_m: float = 0.0, seen_from: float = 0.0) -> list[tuple]:
    """Material level at HIGH, its free face at 45° down to the opening.

    tangent   : of the lean of the faces; off_m: how far the pole stands off them
    seen_from : no contact nearer to the back than this (then none on the back wall either)
    """
    out = HIGH * tangent

    def wall(x: float, y: float, h: float, east: float, north: float) -> tuple:
        return (E_M + x + east * off_m, N_M + y + north * off_m, FLOOR_M + h, "WAL")

    rows = [(E_M + x, N_M + DEEP, FLOOR_M, "TOE") for x in (2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 17.5)]
    for h in (0.0, 1.0, 2.0, 3.0):
        rows.append(wall(-h * tangent, DEEP - h, h, 1, 0))
        rows.append(wall(WIDE + h * tangent, DEEP - h, h, -1, 0))
    for y in (3.5, 2.0, 0.8):
        if y >= seen_from:
            rows += [wall(-out, y, HIGH, 1, 0), wall(WIDE + out, y, HIGH, -1, 0)]
    if seen_from == 0.0:
        rows += [wall(x, -out, HIGH, 0, 1) for x in (1.0, 5.0, 10.0, 15.0, 19.0)]
    crest = [(E_M + x, N_M + DEEP - HIGH, FLOOR_M + HIGH, "CRS 1") for x in (2.0, 6.0, 10.0, 14.0, 18.0)]
    spots = [(E_M + x, N_M + 3.0, FLOOR_M + HIGH, "SPT") for x in (4.0, 8.0, 12.0, 16.0)]
    return rows + crest + spots


def content(tangent: float, high: float = HIGH) -> float:
    """∫ (WIDE + 2 z t)(DEEP − z + z t) dz from 0 to `high`."""
    a, b, c, d = WIDE, 2 * tangent, DEEP, tangent - 1.0
    return a * c * high + (a * d + b * c) * high**2 / 2 + b * d * high**3 / 3


def measured(rows: list[tuple], *walls: Wall, base: BaseChoice = LEVEL) -> Measurement:
    return measure(MeasureRequest(top=shots_of(rows), base=base, walls=walls))
