"""Findings about a top that nobody shot: level lids across the faces, triangles on one line alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.findings.mesh import Patch, inner_edges, patches
from compute.findings.said import Entry, counted, tells
from compute.findings.smooth import calm_surface
from compute.quantities import cubic_metres, metres, square_metres
from compute.records import Finding, FloatArray, IntArray, Surface
from compute.roles import ROLE_INDEX
from compute.surface import facets_of

if TYPE_CHECKING:
    from compute.case import Case

FLAT = Entry("flat-triangles", "note", "Triangles with all corners on one closed line: nothing shot inside.")
FLAT_TOE = Entry("flat-triangles", "warn", "Triangles with all corners on the toe: nothing shot inside.")
NO_CREST = Entry("missing-crest", "warn", "The top is closed by level triangles: no shot reaches the crest.")

FACE_DEG = 20.0
LEVEL_DEG = 16.0
FACES_SHARE = 0.3
"""Only a pile with so much of its area on faces has a crest to miss."""

TELLING_SHARE = 0.02
WIDE = 0.75
"""A patch matters when a circle of so many usual edge lengths fits into it: between neighbouring shots of a
narrow ridge there is always a small one."""

RISE_EDGES = (0.5, 1.5)
"""How far up, in usual edge lengths along the face, the crest may lie beyond the last shots."""


def _roomy(surface: Surface, triangles: NDArray[np.int64]) -> shapely.Geometry | None:
    """The patch in plan when it is wide enough to hide something, else None."""
    plan = shapely.union_all(shapely.polygons(surface.vertices_m[surface.triangles[triangles], :2]))
    widest = max(shapely.get_parts(plan), key=lambda part: part.area)
    room = shapely.length(shapely.maximum_inscribed_circle(widest))
    return plan if room >= WIDE * inner_edges(surface).usual_m else None


@tells(FLAT, FLAT_TOE)
def find_flat_triangles(case: Case) -> list[Finding]:
    """Triangles on the toe ring alone, or on one closed line alone, where they hide something."""
    found = []
    areas = facets_of(case.top).area_m2
    for label, members, entry in _rings(case):
        on = np.zeros(len(case.top.vertices_m), np.bool_)
        on[members] = True
        flat = np.flatnonzero(on[case.top.triangles].all(axis=1))
        area = float(areas[flat].sum())
        if area <= TELLING_SHARE * case.volume.plan_area_m2 or _roomy(case.top, flat) is None:
            continue
        found.append(
            Finding(
                code=entry.code,
                severity=entry.severity,
                message=f"{counted(len(flat), 'triangle has', 'triangles have')} all corners on {label}, "
                f"{square_metres(area)} in all: between these nothing was shot. A hump there is not "
                "counted, a "
                "hollow is counted as full. The surface was drawn straight across.",
                where=label,
                remedy="Shoot spots between, or state the limitation.",
            )
        )
    return found


def _rings(case: Case) -> list[tuple[str, IntArray, Entry]]:
    rings = [(line.label, case.vertex_of_shot[line.shot_index], FLAT) for line in case.lines if line.closed]
    if case.toe_ring is not None:
        rings.append(("the toe ring", case.vertex_of_shot[case.toe_ring], FLAT_TOE))
    return rings


@tells(NO_CREST)
def find_missing_crest(case: Case) -> list[Finding]:
    """Level lids high on the pile with no vertex inside, wider than the shots are apart.

    A flat top that was seen has shots on it or a crest line round it; a lid that only bridges from face to
    face cuts the top off.
    """
    surface = calm_surface(case)
    facets = facets_of(surface)
    slope, areas = facets.slope_deg, facets.area_m2
    faces = slope > FACE_DEG
    if areas[faces].sum() < FACES_SHARE * areas.sum():
        return []
    heights = surface.vertices_m[:, 2][surface.triangles]
    highest, lowest = float(heights.max()), float(heights.min())
    level = (slope < LEVEL_DEG) & (heights.min(axis=1) > lowest + 0.5 * (highest - lowest))
    lids = []
    for patch in patches(surface, level):
        big = areas[patch.triangles].sum() > TELLING_SHARE * areas.sum()
        if patch.is_hollow and big and not _is_crested(case, surface, patch):
            plan = _roomy(surface, patch.triangles)
            if plan is not None:
                lids.append((patch, plan))
    if not lids:
        return []
    grade = float(np.tan(np.radians(np.median(slope[faces]))))
    usual = inner_edges(surface).usual_m
    least, most = (sum(_over(plan, grade, n * usual) for _, plan in lids) for n in RISE_EDGES)
    triangles = np.concatenate([patch.triangles for patch, _ in lids])
    return [
        _missing(surface.vertices_m[surface.triangles[triangles]], float(areas[triangles].sum()), least, most)
    ]


def _is_crested(case: Case, surface: Surface, patch: Patch) -> bool:
    """Whether most corners of the lid are crest shots: then its rim is a crest that was seen."""
    shots = surface.shot_index[np.unique(surface.triangles[patch.triangles])]
    crest = case.shots.role[shots[shots >= 0]] == ROLE_INDEX["crest"]
    return bool(crest.mean() > 0.5) if len(crest) else False


def _over(plan: shapely.Geometry, grade: float, reach_m: float) -> float:
    """Volume over a level lid when the faces run on inwards by `reach_m` and the top is level there, m³."""
    inwards = np.linspace(0.0, reach_m, 25)
    areas = shapely.area(shapely.buffer(plan, -inwards))
    return grade * float(np.trapezoid(areas, inwards))


def _missing(corners: FloatArray, area_m2: float, least_m3: float, most_m3: float) -> Finding:
    low, high = float(corners[:, :, 2].min()), float(corners[:, :, 2].max())
    return Finding(
        code=NO_CREST.code,
        severity=NO_CREST.severity,
        message=f"{counted(len(corners), 'level triangle closes', 'level triangles close')} the top at "
        f"{metres(low, '.1f')} to {metres(high, '.1f')} over {square_metres(area_m2)}, with no crest line "
        "round them and no shot inside. "
        f"If the faces run on up to where the next shots would be, {cubic_metres(least_m3)} to "
        f"{cubic_metres(most_m3)} are "
        f"missing ({metres(least_m3 / area_m2, '.1f')} to {metres(most_m3 / area_m2, '.1f')} over that "
        "area). Measured as drawn.",
        where="top of the pile",
        remedy="Add crest and top shots, or state the limitation.",
        effect_m3=-0.5 * (least_m3 + most_m3),
    )
