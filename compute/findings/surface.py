"""Findings about the shape of the top: long edges, slopes too steep, lines that cross."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from compute.findings.mesh import inner_edges
from compute.findings.said import Entry, counted, indices, places, tells
from compute.records import Finding
from compute.roles import ROLE_INDEX
from compute.surface import plan_areas, slopes_deg

if TYPE_CHECKING:
    from compute.case import Case
    from compute.sections import CrossCheck

LONG_EDGE = Entry("long-edges", "warn", "Edges far longer than the usual spacing: nothing was shot between.")
STEEP = Entry("steep-slopes", "warn", "Slopes that no loose material holds.")
CROSSED = Entry(
    "crossing-breaklines", "warn", "Lines that cross at different heights; one segment was dropped."
)
CHECK = Entry("cross-check-differs", "stop", "The sections give another volume than the surfaces.")

TELLING_SHARE = 0.02


@tells(LONG_EDGE)
def find_long_edges(case: Case) -> list[Finding]:
    """Inner edges against max(factor × median, the limit for gaps)."""
    edges = inner_edges(case.top)
    length = edges.length_m
    limit = max(case.limits.long_edge_factor * edges.usual_m, case.limits.toe_gap_m)
    long = np.flatnonzero(length > limit)
    if not len(long):
        return []
    worst = edges.ends[long[np.argmax(length[long])]]
    ends = [int(i) for i in case.top.shot_index[worst] if i >= 0]
    return [
        Finding(
            code=LONG_EDGE.code,
            severity=LONG_EDGE.severity,
            message=(
                f"{counted(len(long), 'inner edge is', 'inner edges are')} longer than {limit:.1f} m, up to "
                f"{length.max():.1f} m (median {edges.usual_m:.1f} m). Straight edges cut across a "
                "convex "
                "shape, so the volume reads low there."
            ),
            where=places(case.shots, ends),
            remedy="Shoot that part of the pile, or state the limitation.",
            shots=indices(ends),
        )
    ]


@tells(STEEP)
def find_steep_slopes(case: Case) -> list[Finding]:
    """Plan area steeper than the limit, walls apart."""
    on_wall = np.zeros(len(case.top.vertices_m), np.bool_)
    walls = case.vertex_of_shot[(case.shots.role == ROLE_INDEX["wall"]) & case.in_top]
    on_wall[walls] = True
    soup = case.top.corners_m
    steep = (slopes_deg(soup) > case.limits.slope_limit_deg) & ~on_wall[case.top.triangles].any(axis=1)
    areas = plan_areas(soup)
    share = float(areas[steep].sum() / areas.sum())
    if share < TELLING_SHARE:
        return []
    worst = np.flatnonzero(steep)[np.argmax(areas[steep])]
    corners = [int(i) for i in case.top.shot_index[case.top.triangles[worst]] if i >= 0]
    return [
        Finding(
            code=STEEP.code,
            severity=STEEP.severity,
            message=(
                f"{100 * share:.0f} % of the area is steeper than {case.limits.slope_limit_deg:.0f}°, "
                "which loose "
                "material does not hold: an undercut face, a wrong height, or heights in another unit. "
                "Tell the "
                "manager before anybody goes near the face. Measured as shot."
            ),
            where=places(case.shots, corners),
            remedy="Check the heights there; code walls as walls and structures as structures.",
            shots=indices(corners),
        )
    ]


def cross_check_differs(check: CrossCheck, case: Case) -> list[Finding]:
    """Sections that disagree by more than their own error and half a per cent."""
    limit = max(5.0 * abs(check.expected_error_m3), 0.005 * case.volume.above_m3)
    if abs(check.difference_m3) <= limit:
        return []
    return [
        Finding(
            code=CHECK.code,
            severity=CHECK.severity,
            message=f"Parallel sections give {check.net_m3:,.1f} m³, {check.difference_m3:+,.1f} m³ from the "
            "surfaces; "
            f"they may differ by {limit:,.1f} m³. One of the two calculations is wrong.",
            where="cross-check",
            remedy="Do not sign this figure; report the files and the digest.",
        )
    ]
