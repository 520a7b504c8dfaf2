"""Findings about known control: shots on it, near it, over it, and control that is not where it was."""

from __future__ import annotations

import numpy as np

from compute.case import Case
from compute.findings.said import Entry, counted, indices, listed, places, tells
from compute.findings.shots import left_out_as
from compute.near import tree_of
from compute.quantities import cubic_metres, metres, millimetres
from compute.records import Finding, IntArray, KnownPoint
from compute.roles import ROLE_INDEX
from compute.surface import heights_at
from compute.triangulate import triangulate
from compute.volume import volume_between

CONTROL = Entry("control-in-surface", "warn", "Shots on known control under another code; left out.")
INSTRUMENT = Entry("instrument-in-surface", "warn", "Shots at instrument height over control; left out.")
OVER_MARK = Entry("shot-over-control", "note", "A shot right over a mark, but at no usual height; kept.")
CONTROL_OFF = Entry("control-off", "warn", "Control shot again is not where it is known to be.")

LARGEST_TRIED = 50_000
"""Above so many vertices the effect of a few shots is not worked out by a second surface."""

CONTROL_HEIGHT_M = 0.03
SAME_MARK_M = 0.5
"""A control or check shot without a known name is taken for the mark within this distance."""


@tells(CONTROL, INSTRUMENT)
def find_control_in_surface(case: Case) -> list[Finding]:
    """Shots that are control by place, whatever their code says."""
    marks = left_out_as(case, "coincides_with_control")
    instruments = left_out_as(case, "instrument_over_control")
    found = []
    if len(marks):
        known, away = _nearest(case, marks)
        words = (
            f"{counted(len(marks), 'shot coincides', 'shots coincide')} with known control {_names(known)} "
            f"(within {millimetres(away.max())} in plan)"
        )
        found.append(_in_surface(case, CONTROL, marks, words))
    if len(instruments):
        known, _ = _nearest(case, instruments)
        above = case.shots.z_m[instruments] - np.array([mark.elevation_m for mark in known])
        words = (
            f"{counted(len(instruments), 'shot stands', 'shots stand')} {metres(above.min(), '.3f')} to "
            f"{metres(above.max(), '.3f')} over {_names(known)}: the instrument, not the pile; it stands "
            "there"
        )
        found.append(_in_surface(case, INSTRUMENT, instruments, words))
    return found


def _in_surface(case: Case, entry: Entry, index: IntArray, words: str) -> Finding:
    codes = sorted({case.shots.code(int(i)) or "(blank)" for i in index})
    effect = _effect_m3(case, index)
    if effect is None:
        told = "Without an outer edge such shots can add tens of per cent."
    else:
        told = f"In the surface they would change the volume by {cubic_metres(effect, '+,.1f')}."
    return Finding(
        code=entry.code,
        severity=entry.severity,
        message=f"{words} but carry the code {listed(codes)}. {told} Left out.",
        where=places(case.shots, index),
        remedy="Give them the control code, or accept the finding with a reason.",
        effect_m3=effect,
        shots=indices(index),
    )


def _names(known: list[KnownPoint]) -> str:
    return listed(sorted({mark.name for mark in known}))


def _nearest(case: Case, index: IntArray) -> tuple[list[KnownPoint], np.ndarray]:
    plan = np.array([(point.easting_m, point.northing_m) for point in case.control])
    away, nearest = tree_of(plan).query(np.column_stack([case.shots.x_m[index], case.shots.y_m[index]]))
    return [case.control[int(i)] for i in nearest], away


def _effect_m3(case: Case, index: IntArray) -> float | None:
    """Change of the net volume with these shots in the surface; None where no edge would hold them off."""
    if case.edge.kind == "hull" or len(case.top.vertices_m) > LARGEST_TRIED:
        return None
    xyz = np.unique(
        np.column_stack([case.shots.x_m[index], case.shots.y_m[index], case.shots.z_m[index]]), axis=0
    )
    xyz = xyz[np.isfinite(heights_at(case.top, xyz[:, :2]))]
    xyz = xyz[tree_of(case.top.vertices_m[:, :2]).query(xyz[:, :2])[0] > 0] if len(xyz) else xyz
    if not len(xyz):
        return 0.0
    ring = None if case.toe_ring is None else case.vertex_of_shot[case.toe_ring]
    with_them = triangulate(np.vstack([case.top.vertices_m, xyz]), case.top.lines, ring)
    cut = None if case.edge.kind == "toe" else case.edge
    return volume_between(with_them, case.base.surface, edge=cut).net_m3 - case.volume.net_m3


@tells(OVER_MARK)
def find_over_mark(case: Case) -> list[Finding]:
    """Material shots within the control limit of a mark that is far below or above them."""
    index = np.flatnonzero(case.in_top)
    if not case.control:
        return []
    marks = np.array([(mark.easting_m, mark.northing_m) for mark in case.control])
    tree = tree_of(np.column_stack([case.shots.x_m[index], case.shots.y_m[index]]))
    near = tree.query_ball_point(marks, case.limits.control_plan_m)
    pairs = [(mark, int(index[i])) for mark, members in zip(case.control, near, strict=True) for i in members]
    if not pairs:
        return []
    shots = sorted({shot for _, shot in pairs})
    words = [
        f"{case.shots.place(shot)} stands {metres(case.shots.z_m[shot] - mark.elevation_m, '+.2f')} over "
        f"{mark.name}"
        for mark, shot in pairs
    ]
    return [
        Finding(
            code=OVER_MARK.code,
            severity=OVER_MARK.severity,
            message=f"{listed(words)}, right at its place in plan. It is neither the mark nor an "
            "instrument of usual height, so it was kept as material.",
            where=places(case.shots, shots),
            remedy="If it is a target or an instrument, give it the control code.",
            shots=indices(shots),
        )
    ]


@tells(CONTROL_OFF)
def find_control_off(case: Case) -> list[Finding]:
    """Control and check shots against the known position of the same mark."""
    found: list[tuple[int, str]] = []
    for shot in np.flatnonzero(
        np.isin(case.shots.role, [ROLE_INDEX["control"], ROLE_INDEX["check"]])
    ).tolist():
        mark = _mark_of(case, shot)
        if mark is None:
            continue
        plan = float(np.hypot(case.shots.x_m[shot] - mark.easting_m, case.shots.y_m[shot] - mark.northing_m))
        height = float(case.shots.z_m[shot] - mark.elevation_m)
        if plan > case.limits.control_plan_m or abs(height) > CONTROL_HEIGHT_M:
            off = f"by {metres(plan, '.3f')} in plan and {metres(height, '+.3f')} in height"
            found.append((shot, f"{mark.name} ({case.shots.place(shot)}) {off}"))
    if not found:
        return []
    return [
        Finding(
            code=CONTROL_OFF.code,
            severity=CONTROL_OFF.severity,
            message=f"Control shot again is off: {listed([words for _, words in found])}. A moved mark, a "
            "wrong set-up or a wrong pole height goes into every shot of the set-up; a height error goes "
            "into the volume with the whole area. Measured as shot.",
            where=places(case.shots, [shot for shot, _ in found]),
            remedy="Check the set-up and the heights of pole and instrument in the field book; correct the "
            "file.",
            shots=indices(shot for shot, _ in found),
        )
    ]


def _mark_of(case: Case, shot: int) -> KnownPoint | None:
    """The known mark a control shot is a repetition of: of the same name, else close by."""
    here = float(case.shots.x_m[shot]), float(case.shots.y_m[shot]), float(case.shots.z_m[shot])
    name = case.shots.name(shot).strip().upper()
    best: tuple[float, KnownPoint] | None = None
    for mark in case.control:
        there = mark.easting_m, mark.northing_m, mark.elevation_m
        if there == here:
            continue
        away = float(np.hypot(there[0] - here[0], there[1] - here[1]))
        if name and mark.name.strip().upper() == name:
            return mark
        if away <= SAME_MARK_M and (best is None or away < best[0]):
            best = away, mark
    return best[1] if best else None
