"""Findings about the outer edge: gaps, too few shots, a hull in its place, what lies beyond it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from compute.findings.said import Entry, counted, indices, listed, places, tells
from compute.findings.shots import left_out_as
from compute.quantities import metres, square_metres
from compute.records import Finding
from compute.roles import ROLE_INDEX

if TYPE_CHECKING:
    from compute.case import Case

HULL = Entry(
    "edge-is-hull", "warn", "No toe shots and no drawn edge: the hull of the shots limits the volume."
)
FEW_TOES = Entry("too-few-toe-shots", "stop", "Fewer toe shots than a stock figure needs.")
TOE_GAP = Entry("toe-gap", "warn", "A stretch of the toe was not shot.")
OUTSIDE = Entry("outside-edge", "warn", "Material shots outside the toe ring; they were left out.")
OUTSIDE_NEAR = Entry("outside-edge", "note", "Shots just outside the toe ring; they were left out.")
NEIGHBOUR = Entry("in-other-pile", "warn", "Shots inside another pile's outline; they were left out.")
UNCOVERED = Entry("edge-not-covered", "warn", "Slivers inside the edge that a surface does not reach.")

OPEN = Entry("open-edge", "note", "The top stands off the base along an edge that is not the toe.")

CLEARLY_OUTSIDE_M = 0.5
GAP_STEPS, GAP_SHARE = 3.0, 8.0
"""On a small pile a gap is what is wider than three usual steps and an eighth of the way round."""

OPEN_MEAN_M, OPEN_LARGEST_M = 0.25, 1.0


@tells(HULL)
def find_hull_edge(case: Case) -> list[Finding]:
    """The hull closes hollows of the footprint and makes material that is not there."""
    if case.edge.kind != "hull":
        return []
    return [
        Finding(
            code=HULL.code,
            severity=HULL.severity,
            message=(
                f"There are no toe shots and no drawn edge, so the hull of the shots "
                f"({square_metres(case.edge.area_m2)}) "
                "limits the volume. On a pile with a hollow footprint the hull adds material that is not "
                "there."
            ),
            where="outer edge",
            remedy="Shoot the toe, or draw the outer edge.",
        )
    ]


def _toes(case: Case) -> int:
    assert case.toe_ring is not None
    return int((case.shots.role[case.toe_ring] == ROLE_INDEX["toe"]).sum())


@tells(FEW_TOES)
def find_few_toes(case: Case) -> list[Finding]:
    """Fewer toe shots than the limits want."""
    if case.toe_ring is None or len(case.toe_ring) >= case.limits.toe_shots_wanted:
        return []
    return [
        Finding(
            code=FEW_TOES.code,
            severity=FEW_TOES.severity,
            message=(
                f"The pile has {_toes(case)} toe shots; at least {case.limits.toe_shots_wanted} are "
                "needed. Between "
                "so few the edge cuts corners and the volume reads low. Measured all the same."
            ),
            where="outer edge",
            remedy="Shoot more of the toe, or approve as a reconnaissance only, with a reason.",
        )
    ]


@tells(TOE_GAP)
def find_toe_gaps(case: Case) -> list[Finding]:
    """Steps along the toe beyond the limit, or far beyond the usual step of a small pile. Walls apart."""
    if case.toe_ring is None:
        return []
    after = np.roll(case.edge.ring_m, -1, axis=0)
    step = np.hypot(*(after - case.edge.ring_m).T)
    usual = float(np.quantile(step, 0.75))
    limit = min(case.limits.toe_gap_m, max(GAP_STEPS * usual, case.edge.perimeter_m / GAP_SHARE))
    on_wall = case.shots.role[case.edge.shot_index] == ROLE_INDEX["wall"]
    wide = np.flatnonzero((step > limit) & ~(on_wall & np.roll(on_wall, -1)))
    if not len(wide):
        return []
    worst = int(wide[np.argmax(step[wide])])
    a, b = (int(case.edge.shot_index[i % len(step)]) for i in (worst, worst + 1))
    return [
        Finding(
            code=TOE_GAP.code,
            severity=TOE_GAP.severity,
            message=f"The toe has {counted(len(wide), 'gap', 'gaps')} wider than {metres(limit, '.1f')}; "
            "the widest "
            f"is {metres(step[worst], '.1f')}, between {case.shots.place(a)} and {case.shots.place(b)}. A "
            "straight "
            "line was drawn across; what bulges beyond it is not counted.",
            where=places(case.shots, (a, b)),
            remedy="Shoot the toe there, or draw the outer edge.",
            shots=(a, b),
        )
    ]


@tells(OUTSIDE, OUTSIDE_NEAR)
def find_outside_edge(case: Case) -> list[Finding]:
    """Material shots that the toe ring left outside."""
    index = left_out_as(case, "outside_edge")
    if not len(index):
        return []
    points = shapely.points(case.shots.x_m[index], case.shots.y_m[index])
    away = shapely.distance(shapely.polygons(case.edge.ring_m), points)
    entry = OUTSIDE if float(away.max()) > CLEARLY_OUTSIDE_M else OUTSIDE_NEAR
    return [
        Finding(
            code=entry.code,
            severity=entry.severity,
            message=(
                f"{counted(len(index), 'shot lies', 'shots lie')} outside the toe ring, by up to "
                f"{metres(away.max())}. A road, a bank or the next pile is not this material. Left out."
            ),
            where=places(case.shots, index[np.argsort(-away)]),
            remedy="If they are material, the toe was shot too far in: correct the toe.",
            shots=indices(index),
        )
    ]


@tells(NEIGHBOUR)
def find_in_other_pile(case: Case) -> list[Finding]:
    """Shots that belong to a neighbour, unless the file serves the whole yard."""
    index = left_out_as(case, "inside_other_pile")
    if not len(index) or case.split:
        return []
    points = shapely.points(case.shots.x_m[index], case.shots.y_m[index])
    names = [
        name
        for name, ring in sorted(case.other_outlines.items())
        if shapely.intersects(shapely.polygons(ring), points).any()
    ]
    return [
        Finding(
            code=NEIGHBOUR.code,
            severity=NEIGHBOUR.severity,
            message=f"{counted(len(index), 'shot lies', 'shots lie')} inside the outline of {listed(names)} "
            "of the "
            "same date. Not used here, so that nothing is counted twice.",
            where=places(case.shots, index),
            remedy="If the piles have merged, record a merge; if an outline is old, draw it anew.",
            shots=indices(index),
        )
    ]


@tells(UNCOVERED)
def find_uncovered(case: Case) -> list[Finding]:
    """Parts of the edge's inside that a surface does not reach."""
    top, base = case.volume.top_uncovered_m2, case.volume.base_uncovered_m2
    if top <= 0.0 and base <= 0.0:
        return []
    return [
        Finding(
            code=UNCOVERED.code,
            severity=UNCOVERED.severity,
            message=f"Inside the outer edge {square_metres(top, '.3f')} are not reached by the top and "
            f"{square_metres(base, '.3f')} not by "
            "the "
            "base. They count as nothing.",
            where="outer edge",
            remedy="Draw the edge inside what was measured, or survey the missing part.",
        )
    ]


@tells(OPEN)
def find_open_edge(case: Case) -> list[Finding]:
    """Surfaces that do not meet along a drawn edge or a hull: the volume has an upright side there."""
    gap = case.gap_m
    if case.edge.kind == "toe" or not len(gap):
        return []
    mean, largest = float(gap.mean()), float(np.abs(gap).max())
    if abs(mean) <= OPEN_MEAN_M and largest <= OPEN_LARGEST_M:
        return []
    return [
        Finding(
            code=OPEN.code,
            severity=OPEN.severity,
            message=f"Along the outer edge the top stands {metres(mean, '+.2f')} over the base on average, "
            f"{metres(largest)} at most. The volume ends there in an upright side; right at a wall or a "
            "partition, else the edge lies on the pile or the base is too low. Nothing was closed.",
            where="outer edge",
            remedy="Draw the edge along the toe, unless it is a wall or an agreed partition.",
        )
    ]
