"""Findings about the shape of the top: long edges, slopes too steep, lines that cross."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.findings.mesh import inner_edges
from compute.findings.said import Entry, counted, indices, places, tells
from compute.findings.smooth import calm_surface
from compute.findings.spikes import find_spikes_in
from compute.near import tree_of
from compute.quantities import cubic_metres, metres
from compute.records import Finding, FloatArray
from compute.roles import ROLE_INDEX
from compute.surface import facets_of

if TYPE_CHECKING:
    from compute.case import Case
    from compute.sections import CrossCheck

LONG_EDGE = Entry("long-edges", "warn", "Edges far longer than the usual spacing: nothing was shot between.")
STEEP = Entry("steep-slopes", "warn", "Slopes that no loose material holds.")
CROSSED = Entry(
    "crossing-breaklines", "warn", "Lines that cross at different heights; one segment was dropped."
)
JOINED = Entry("crossing-breaklines", "note", "Lines that cross at one height; they were joined there.")
CHECK = Entry("cross-check-differs", "stop", "The sections give another volume than the surfaces.")

TELLING_SHARE = 0.02


@tells(LONG_EDGE)
def find_long_edges(case: Case) -> list[Finding]:
    """Inner edges against max(factor × median, the limit for gaps)."""
    edges = inner_edges(case.top)
    length = edges.length_m
    limit = max(case.limits.long_edge_factor * edges.usual_m, case.limits.toe_gap_m)
    long = np.flatnonzero(length > limit)
    middle = case.top.vertices_m[edges.ends[long], :2].mean(axis=1)
    inside = shapely.contains_xy(shapely.polygons(case.edge.ring_m), middle[:, 0], middle[:, 1])
    long = long[inside | (case.edge.kind == "hull")]
    if not len(long):
        return []
    worst = edges.ends[long[np.argmax(length[long])]]
    ends = [int(i) for i in case.top.shot_index[worst] if i >= 0]
    return [
        Finding(
            code=LONG_EDGE.code,
            severity=LONG_EDGE.severity,
            message=(
                f"{counted(len(long), 'inner edge is', 'inner edges are')} longer than "
                f"{metres(limit, '.1f')}, up to "
                f"{metres(length[long].max(), '.1f')} (median {metres(edges.usual_m, '.1f')}). Straight "
                "edges cut across a "
                "convex shape, so the volume reads low there."
            ),
            where=places(case.shots, ends),
            remedy="Shoot that part of the pile, or state the limitation.",
            shots=indices(ends),
        )
    ]


@tells(STEEP)
def find_steep_slopes(case: Case) -> list[Finding]:
    """Plan area steeper than the limit, apart from what touches a wall or a shot that stands alone."""
    surface = calm_surface(case)
    facets = facets_of(surface)
    steep = facets.slope_deg > case.limits.slope_limit_deg
    if surface is case.top:
        steep &= ~_excused(case)[case.top.triangles].any(axis=1)
    areas = facets.area_m2
    share = float(areas[steep].sum() / areas.sum())
    if share < TELLING_SHARE:
        return []
    worst = np.flatnonzero(steep)[np.argmax(areas[steep])]
    shots = _shots_at(case, surface.vertices_m[surface.triangles[worst]])
    return [
        Finding(
            code=STEEP.code,
            severity=STEEP.severity,
            message=f"{100 * share:.0f} % of the area is steeper than {case.limits.slope_limit_deg:.0f}°, "
            "which loose material does not hold: an undercut face, a wrong height, or another unit of "
            "heights. Tell the manager before anybody goes near the face. Measured as shot.",
            where=places(case.shots, shots),
            remedy="Check the heights there; code walls as walls and structures as structures.",
            shots=indices(shots),
        )
    ]


def _excused(case: Case) -> NDArray[np.bool_]:
    """(V,) vertices on walls, and those that have a finding of their own."""
    excused = np.zeros(len(case.top.vertices_m), np.bool_)
    excused[case.vertex_of_shot[(case.shots.role == ROLE_INDEX["wall"]) & case.in_top]] = True
    excused[[spike.vertex for spike in find_spikes_in(case.top, case.limits) if spike.alone]] = True
    return excused


def _shots_at(case: Case, corners: FloatArray) -> list[int]:
    """Shots nearest in plan to the corners of a triangle."""
    _, nearest = tree_of(case.top.vertices_m[:, :2]).query(corners[:, :2])
    return [int(i) for i in case.top.shot_index[nearest] if i >= 0]


def cross_check_differs(check: CrossCheck, case: Case) -> list[Finding]:
    """Sections that disagree by more than their own error and half a per cent."""
    limit = max(5.0 * abs(check.expected_error_m3), 0.005 * case.volume.above_m3)
    if abs(check.difference_m3) <= limit:
        return []
    return [
        Finding(
            code=CHECK.code,
            severity=CHECK.severity,
            message=f"Parallel sections give {cubic_metres(check.net_m3, ',.1f')}, "
            f"{cubic_metres(check.difference_m3, '+,.1f')} from the "
            "surfaces; "
            f"they may differ by {cubic_metres(limit, ',.1f')}. One of the two calculations is wrong.",
            where="cross-check",
            remedy="Do not sign this figure; report the files and the digest.",
        )
    ]
