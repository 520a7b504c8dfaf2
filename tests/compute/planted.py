"""A pile for each finding that has it, and a pile that nearly has it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from compute.building import BaseChoice
from compute.case import Case
from compute.findings.surface import cross_check_differs
from compute.records import KnownPoint
from compute.sections import cross_check
from compute.walls import CONTACT_M
from tests.compute.bays import bay_wall, filled_bay, measured
from tests.compute.crew import Pile, Row, case_of, crew_shots, moved, scaled, sloping_pad
from tests.compute.shots_of import shots_of

RIDGE = Pile(np.array([[0.0, 0], [72, 0], [72, 32], [0, 32]]))
ROWS = crew_shots(RIDGE, 4.0, 1)
LEVEL = BaseChoice("level", level_m=100.0)
OUTLINE = np.array([[1997.0, 3997], [2075, 3997], [2075, 4035], [1997, 4035]])
INSIDE = np.array([[2001.0, 4001], [2071, 4001], [2071, 4031], [2001, 4031]])
FLOOR = [(-6.0, 4.0), (-6.0, 20.0), (36.0, -6.0), (78.0, 10.0), (78.0, 24.0), (30.0, 38.0)]
MARKS = (("CP1", -12.0, 3.0, 100.2), ("CP2", 85.0, 40.0, 100.9), ("CP3", 20.0, 47.0, 100.4))
Planted = tuple[Callable[[], Case], Callable[[], Case]]


def known(*marks: tuple[str, float, float, float]) -> tuple[KnownPoint, ...]:
    """Marks at crew coordinates, as the site knows them."""
    return tuple(KnownPoint(name, 4000.0 + y, 2000.0 + x, z) for name, x, y, z in marks)


def pad(above_m: float = 0.0) -> list[Row]:
    return [(x, y, 100.0 + above_m, "FLR") for x, y in FLOOR]


def toes_moved(in_m: float, up_m: float, *, only: Callable[[float, float], bool] = lambda x, y: True):
    """The rows with toe shots lifted; `in_m` moves those of the south side inwards as well."""
    return [
        (x, y + (in_m if y < 0.5 else 0.0), z + up_m, c) if c == "TOE" and only(x, y) else (x, y, z, c)
        for x, y, z, c in ROWS
    ]


def near_the_toe(inset_m: float) -> np.ndarray:
    """An edge so far inside the toe, its corners cut, as between shots of the toe."""
    low, right, up = inset_m, 72 - inset_m, 32 - inset_m
    corners = [(2, low), (70, low), (right, 2), (right, 30), (70, up), (2, up), (low, 30), (low, 2)]
    return np.array(corners) + np.array([2000.0, 4000.0])


def few_toes(count: int) -> list[Row]:
    """A small cone with so many toe shots."""
    angle = np.arange(count) * 2 * np.pi / count
    toe = [(6 * float(np.cos(a)), 6 * float(np.sin(a)), 100.0, "TOE") for a in angle]
    return [*toe, (0.0, 0.0, 104.0, "SPT"), (1.5, 1.0, 103.0, "SPT"), (-1.5, -1.0, 103.0, "SPT")]


def toe_without(west: float, east: float) -> list[Row]:
    return [row for row in ROWS if not (row[3] == "TOE" and row[1] < 0.5 and west < row[0] < east)]


def spot(by_m: float, across_m: float = 0.0) -> list[Row]:
    """One spot in the middle shot a second time, `by_m` higher."""
    x, y, z, code = next(r for r in ROWS if r[3] == "SPT" and 30 < r[0] < 40 and 10 < r[1] < 20)
    return [*ROWS, (x + across_m, y, z + by_m, code)]


def lifted(by_m: float) -> list[Row]:
    at = next(k for k, r in enumerate(ROWS) if r[3] == "SPT" and 30 < r[0] < 40 and 10 < r[1] < 20)
    x, y, z, code = ROWS[at]
    return [*ROWS[:at], (x, y, z + by_m, code), *ROWS[at + 1 :]]


def on_face(by_m: float) -> list[Row]:
    """A prism held on vegetation on the face of a higher pile."""
    rows = crew_shots(Pile(RIDGE.outline, height_m=20.0), 2.0, 1)
    at = [k for k, r in enumerate(rows) if r[3] == "SPT" and 20 < r[0] < 50 and 4 < r[1] < 12][3]
    x, y, z, code = rows[at]
    return [*rows[:at], (x, y, z + by_m, code), *rows[at + 1 :]]


def crossed(apart_m: float) -> list[Row]:
    """Two breaklines over the flat top that cross at heights so far apart."""
    top = [row for row in ROWS if not (24 < row[0] < 48 and 8 < row[1] < 24)]
    return [
        *top,
        *((x, 16.0, 108.0, "BRK 1") for x in (28.3, 43.7)),
        *((35.9, y, 108.0 + apart_m, "BRK 2") for y in (12.2, 19.8)),
    ]


def shot_again(height_m: float) -> list[Row]:
    """The site's mark CP1 shot as a check."""
    name, x, y, z = MARKS[0]
    return [*ROWS, (x, y, z + height_m, "CHK", name)]


def exchanged(rows: list[Row]) -> list[Row]:
    """Rows whose northing was read as easting, at a site 2000 east and 4000 north."""
    return [(y + 2000.0, x - 2000.0, *rest) for x, y, *rest in rows]


def lying_sections(share: float) -> Case:
    """The sections off the surfaces by a share of the volume."""
    case = case_of(ROWS)
    check = dataclasses.replace(cross_check(case), difference_m3=share * case.volume.above_m3)
    return dataclasses.replace(case, early_findings=cross_check_differs(check, case))


def with_toe(keep: Callable[[Row], bool]) -> list[Row]:
    return [row for row in ROWS if row[3] == "TOE" or keep(row)]


def ground(reach: float) -> BaseChoice:
    """A surveyed ground that ends `reach` metres beyond the outline in the west and south."""
    corners = [(-reach, -reach), (90.0, -reach), (90.0, 60.0), (-reach, 60.0)]
    rows = [(x + 2000, y + 4000, 100.0, "GND") for x, y in corners]
    return BaseChoice("surface", shots=shots_of(rows))


def neighbour(south: float) -> dict[str, np.ndarray]:
    return {"N-2": np.array([[2034.0, south], [2040, south], [2040, south + 6], [2034, south + 6]])}


CIRCLE = np.array(
    [[30 * np.cos(a) + 40, 30 * np.sin(a) + 40] for a in np.linspace(0, 2 * np.pi, 60, endpoint=False)]
)


def on_slope(fall: float) -> Case:
    return case_of(
        crew_shots(Pile(CIRCLE, pad=sloping_pad(fall)), 4.0, 1),
        BaseChoice("level", level_m=100 + 40 * fall),
    )


def as_cone(top_m: float | None) -> Case:
    return case_of(crew_shots(RIDGE, 4.0, 1, crest=False, top_m=top_m))


def crest_alone(fewest_spots: bool) -> list[Row]:
    """Toe and crest, with or without spots on the top."""
    return [r for r in ROWS if r[3] != "SPT" or not fewest_spots or not (11 < r[0] < 61 and 11 < r[1] < 21)]


def steep(slope_deg: float) -> Case:
    return case_of(crew_shots(Pile(RIDGE.outline, slope_deg=slope_deg, height_m=6.0), 2.0, 1, noise_m=0.0))


PLANTED: dict[tuple[str, str], Planted] = {
    ("axes-exchanged", "stop"): (
        lambda: case_of(exchanged(ROWS), LEVEL, outline=OUTLINE),
        lambda: case_of(moved(ROWS, dx=500), LEVEL, outline=OUTLINE),
    ),
    ("base-matters", "note"): (
        lambda: case_of(ROWS, BaseChoice("level", level_m=99.5)),
        lambda: case_of(ROWS, BaseChoice("level", level_m=99.95)),
    ),
    ("below-base", "warn"): (
        lambda: case_of(ROWS, BaseChoice("level", level_m=100.5)),
        lambda: case_of(ROWS, BaseChoice("level", level_m=100.03)),
    ),
    ("conflicting-shots", "stop"): (lambda: case_of(spot(0.031)), lambda: case_of(spot(0.029))),
    ("control-in-surface", "warn"): (
        lambda: case_of([*ROWS, (30.0, 10.04, 105.0, "")], control=known(("CP1", 30.0, 10.0, 105.1))),
        lambda: case_of([*ROWS, (30.0, 10.06, 105.0, "")], control=known(("CP1", 30.0, 10.0, 105.1))),
    ),
    ("control-off", "warn"): (
        lambda: case_of(shot_again(0.04), control=known(*MARKS)),
        lambda: case_of(shot_again(0.02), control=known(*MARKS)),
    ),
    ("cross-check-differs", "stop"): (lambda: lying_sections(0.02), lambda: lying_sections(0.004)),
    ("crossing-breaklines", "warn"): (lambda: case_of(crossed(0.4)), lambda: case_of(crossed(0.04))),
    ("crossing-breaklines", "note"): (lambda: case_of(crossed(0.04)), lambda: case_of(crossed(0.06))),
    ("duplicate-shots", "note"): (lambda: case_of(spot(0.0, 0.019)), lambda: case_of(spot(0.0, 0.021))),
    ("edge-is-hull", "warn"): (
        lambda: case_of([(*row[:3], "SPT") if row[3] == "TOE" else row for row in ROWS]),
        lambda: case_of([(*row[:3], "SPT") if row[3] == "TOE" else row for row in ROWS], edge=INSIDE),
    ),
    ("edge-not-covered", "warn"): (
        lambda: case_of(ROWS, ground(0.0)),
        lambda: case_of(ROWS, ground(3.0)),
    ),
    ("flat-triangles", "note"): (
        lambda: case_of(crest_alone(True)),
        lambda: case_of(crest_alone(False)),
    ),
    ("flat-triangles", "warn"): (
        lambda: case_of(with_toe(lambda r: r[0] < 24)),
        lambda: case_of(with_toe(lambda r: r[0] < 24 or r[3] == "SPT")),
    ),
    ("height-step", "stop"): (
        lambda: case_of(moved(ROWS, dz=0.15), LEVEL),
        lambda: case_of(moved(ROWS, dz=0.07), LEVEL),
    ),
    ("height-unit", "stop"): (
        lambda: case_of(scaled(ROWS, height=1 / 0.3048)),
        lambda: case_of(scaled(ROWS, height=1.5)),
    ),
    ("hidden-at-wall", "warn"): (
        lambda: measured(filled_bay(seen_from=2.0), bay_wall()).case,
        lambda: measured(filled_bay(), bay_wall()).case,
    ),
    ("in-other-pile", "warn"): (
        lambda: case_of([*ROWS, (36, -6, 100.2, "SPT")], other_outlines=neighbour(3990)),
        lambda: case_of([*ROWS, (36, -6, 100.2, "SPT")], other_outlines=neighbour(3986)),
    ),
    ("instrument-in-surface", "warn"): (
        lambda: case_of([*ROWS, (30.0, 10.0, 106.3, "")], control=known(("CP1", 30.0, 10.0, 105.0))),
        lambda: case_of([*ROWS, (30.0, 10.0, 107.0, "")], control=known(("CP1", 30.0, 10.0, 105.0))),
    ),
    ("level-base-on-slope", "warn"): (lambda: on_slope(0.02), lambda: on_slope(0.007)),
    ("long-edges", "warn"): (
        lambda: case_of(with_toe(lambda r: r[0] < 25 or r[0] > 55)),
        lambda: case_of(with_toe(lambda r: r[0] < 34 or r[0] > 40)),
    ),
    ("lowest-toe-base", "warn"): (
        lambda: case_of(ROWS, BaseChoice("lowest-toe")),
        lambda: case_of(ROWS, BaseChoice("plane")),
    ),
    ("missing-crest", "warn"): (lambda: as_cone(6.0), lambda: as_cone(None)),
    ("off-wall", "warn"): (
        lambda: measured(filled_bay(off_m=CONTACT_M + 0.01), bay_wall()).case,
        lambda: measured(filled_bay(off_m=CONTACT_M - 0.01), bay_wall()).case,
    ),
    ("open-edge", "note"): (
        lambda: case_of(ROWS, LEVEL, edge=near_the_toe(0.6)),
        lambda: case_of(ROWS, LEVEL, edge=near_the_toe(0.25)),
    ),
    ("outside-edge", "warn"): (
        lambda: case_of([*ROWS, (36.0, -0.7, 100.1, "SPT")]),
        lambda: case_of([*ROWS, (36.0, -0.4, 100.1, "SPT")]),
    ),
    ("outside-edge", "note"): (
        lambda: case_of([*ROWS, (36.0, -0.4, 100.1, "SPT")]),
        lambda: case_of([*ROWS, (36.0, 0.6, 100.4, "SPT")]),
    ),
    ("over-wall", "warn"): (
        lambda: measured(filled_bay(), bay_wall(height_m=2.95)).case,
        lambda: measured(filled_bay(), bay_wall(height_m=3.05)).case,
    ),
    ("pad-off-base", "warn"): (
        lambda: case_of([*ROWS, *pad(0.14)], LEVEL),
        lambda: case_of([*ROWS, *pad(0.08)], LEVEL),
    ),
    ("plan-unit", "stop"): (
        lambda: case_of(scaled(ROWS, plan=1 / 0.3048, height=1 / 0.3048), outline=OUTLINE),
        lambda: case_of(scaled(ROWS, plan=1.3, height=1.3), outline=OUTLINE),
    ),
    ("shot-over-control", "note"): (
        lambda: case_of(ROWS, control=known(("BM7", *ROWS[-1][:2], ROWS[-1][2] - 3.0))),
        lambda: case_of(ROWS, control=known(("BM7", ROWS[-1][0] + 0.06, ROWS[-1][1], ROWS[-1][2] - 3.0))),
    ),
    ("spike", "stop"): (lambda: case_of(lifted(10.0)), lambda: case_of(lifted(0.2))),
    ("stands-out", "note"): (lambda: case_of(on_face(1.0)), lambda: case_of(on_face(0.15))),
    ("steep-slopes", "warn"): (lambda: steep(53.0), lambda: steep(47.0)),
    ("toe-above-base", "warn"): (
        lambda: case_of(toes_moved(0.7, 0.5, only=lambda x, y: y < 0.5 and 30 < x < 36), LEVEL),
        lambda: case_of(toes_moved(0.3, 0.2, only=lambda x, y: y < 0.5 and 30 < x < 36), LEVEL),
    ),
    ("toe-below-base", "warn"): (
        lambda: case_of(toes_moved(0.0, -0.4, only=lambda x, y: y < 0.5 and 30 < x < 36), LEVEL),
        lambda: case_of(toes_moved(0.0, -0.2, only=lambda x, y: y < 0.5 and 30 < x < 36), LEVEL),
    ),
    ("toe-gap", "warn"): (
        lambda: case_of(toe_without(20, 34)),
        lambda: case_of(toe_without(20, 24)),
    ),
    ("toe-over-pad", "warn"): (
        lambda: case_of([*toes_moved(0.0, 0.2), *pad()]),
        lambda: case_of([*toes_moved(0.0, 0.05), *pad()]),
    ),
    ("too-few-toe-shots", "stop"): (lambda: case_of(few_toes(7)), lambda: case_of(few_toes(8))),
    ("unknown-code", "warn"): (
        lambda: case_of([*ROWS, (30, 10, 105, "ABC")]),
        lambda: case_of([*ROWS, (30, 10, 105, "CHK")]),
    ),
    ("wrong-place", "stop"): (
        lambda: case_of(moved(ROWS, dx=110), outline=OUTLINE),
        lambda: case_of(moved(ROWS, dx=90), outline=OUTLINE),
    ),
}


def met_by_control(shots: int) -> Case:
    """Axes exchanged, no outline: only so many of the site's marks, shot as checks, tell."""
    checks = [(x, y, z, "CHK", name) for name, x, y, z in MARKS[:shots]]
    return case_of([*exchanged(ROWS), *exchanged(checks)], LEVEL, control=known(*MARKS))
