"""Compiles or loads every loop that an ordinary pile needs, before the work begins.

The compiled loops are cached on disk, but the first run on a machine takes half a minute. A worker takes it
once, before its processes part, so that they share what is compiled instead of each compiling it.
"""

from __future__ import annotations

import math

from compute.building import BaseChoice
from compute.coding import assign_roles, merge_rules
from compute.measure import Measurement, MeasureRequest, measure
from compute.pointfiles import read_points
from compute.records import Shots

HEADER = "point,northing,easting,elevation,code"
TOE_SHOTS = 36
LONG_M, WAIST = 24.0, 0.45
"""Half the length of the heap, and how far its waist is drawn in: a bent toe asks more questions."""
SLOPE = 0.6
CREST_AT, SPOTS_AT = 0.1, (0.35, 0.65)
"""Where crest and spots stand, as a part of the way from the middle to the toe."""


def warm_up() -> Measurement:
    """Measure a small heap with a waist against a fitted plane and against a surveyed ground: the latter."""
    heap, ground = _shots(_heap_rows()), _shots(_ground_rows())
    measure(MeasureRequest(heap, BaseChoice("plane")))
    return measure(MeasureRequest(heap, BaseChoice("surface", shots=ground)))


def _shots(rows: list[str]) -> Shots:
    data = "\n".join([HEADER, *rows, ""]).encode()
    return assign_roles([read_points(data, "warm-up.csv")], merge_rules({}))


def _heap_rows() -> list[str]:
    rows: list[str] = []
    for share, code in ((1.0, "TOE"), *((at, "SPT") for at in SPOTS_AT), (CREST_AT, "CRS 1")):
        for step in range(TOE_SHOTS if code == "TOE" else TOE_SHOTS // 3):
            turn = 2.0 * math.pi * step / (TOE_SHOTS if code == "TOE" else TOE_SHOTS // 3)
            reach_m = LONG_M * (1.0 - WAIST * math.sin(turn) ** 2)
            up_m = SLOPE * reach_m * (1.0 - share) + 0.02 * math.cos(5.0 * turn)
            rows.append(
                _row(
                    len(rows), share * reach_m * math.sin(turn), share * reach_m * math.cos(turn), up_m, code
                )
            )
    return rows


def _ground_rows() -> list[str]:
    places = [(9.0 * row, 9.0 * column) for row in range(-4, 5) for column in range(-4, 5)]
    return [
        _row(number, north_m, east_m, -0.1 + 0.03 * math.sin(north_m + 2.0 * east_m), "GND")
        for number, (north_m, east_m) in enumerate(places)
    ]


def _row(number: int, north_m: float, east_m: float, up_m: float, code: str) -> str:
    return f"{number + 1},{north_m:.3f},{east_m:.3f},{up_m:.3f},{code}"
