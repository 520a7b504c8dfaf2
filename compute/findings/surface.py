"""Findings about the shape of the top: long edges, flat triangles, a missing crest, slopes too steep."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from compute.findings.said import Entry, counted, indices, places, tells
from compute.records import Finding, FloatArray, IntArray
from compute.roles import ROLE_INDEX
from compute.surface import plan_areas, slopes_deg

if TYPE_CHECKING:
    from compute.case import Case
    from compute.sections import CrossCheck

LONG_EDGE = Entry("long-edges", "warn", "Edges far longer than the usual spacing: nothing was shot between.")
FLAT = Entry("flat-triangles", "note", "Triangles whose corners all lie on one line: nothing inside.")
FLAT_TOE = Entry("flat-triangles", "warn", "Triangles whose corners all lie on the toe: nothing inside.")
NO_CREST = Entry("missing-crest", "warn", "The top is closed by level triangles: no shot reaches the crest.")
STEEP = Entry("steep-slopes", "warn", "Slopes that no loose material holds.")
CROSSED = Entry(
    "crossing-breaklines", "warn", "Lines that cross at different heights; one segment was dropped."
)
CHECK = Entry("cross-check-differs", "stop", "The sections give another volume than the surfaces.")

FACE_DEG = 20.0
LEVEL_DEG = 16.0
TELLING_SHARE = 0.02
THE_TOE = "the toe ring"


def _edges(triangles: IntArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(E, 2) edges with two triangles, and those triangles (E, 2)."""
    pairs = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(triangles)), 3)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    pairs, owner = pairs[order], owner[order]
    twin = np.flatnonzero((pairs[1:] == pairs[:-1]).all(axis=1))
    return pairs[twin].astype(np.int64), np.column_stack([owner[twin], owner[twin + 1]])


@tells(LONG_EDGE)
def find_long_edges(case: Case) -> list[Finding]:
    """Inner edges against max(factor × median, the limit for gaps)."""
    edges, _ = _edges(case.top.triangles)
    if not len(edges):
        return []
    vertices = case.top.vertices_m
    length = np.hypot(*(vertices[edges[:, 0], :2] - vertices[edges[:, 1], :2]).T)
    limit = max(case.limits.long_edge_factor * float(np.median(length)), case.limits.toe_gap_m)
    long = np.flatnonzero(length > limit)
    if not len(long):
        return []
    worst = edges[long[np.argmax(length[long])]]
    ends = [int(i) for i in case.top.shot_index[worst] if i >= 0]
    return [
        Finding(
            code=LONG_EDGE.code,
            severity=LONG_EDGE.severity,
            message=(
                f"{counted(len(long), 'inner edge is', 'inner edges are')} longer than {limit:.1f} m, up to "
                f"{length.max():.1f} m (median {np.median(length):.1f} m). Straight edges cut across a "
                "convex "
                "shape, so the volume reads low there."
            ),
            where=places(case.shots, ends),
            remedy="Shoot that part of the pile, or state the limitation.",
            shots=indices(ends),
        )
    ]


@tells(FLAT, FLAT_TOE)
def find_flat_triangles(case: Case) -> list[Finding]:
    """Triangles on the toe ring alone, or on one closed line alone, where they matter."""
    found = []
    triangles = case.top.triangles
    areas = plan_areas(case.top.corners_m)
    for label, members in _rings(case):
        on = np.zeros(len(case.top.vertices_m), np.bool_)
        on[members] = True
        flat = on[triangles].all(axis=1)
        area = float(areas[flat].sum())
        if area > TELLING_SHARE * case.volume.plan_area_m2:
            entry = FLAT_TOE if label == THE_TOE else FLAT
            found.append(
                Finding(
                    code=entry.code,
                    severity=entry.severity,
                    message=f"{counted(int(flat.sum()), 'triangle has', 'triangles have')} all corners on "
                    f"{label}, "
                    f"{area:,.0f} m² in all: inside it nothing was shot. The surface is drawn flat there.",
                    where=label,
                    remedy="Shoot spots inside, or state the limitation.",
                )
            )
    return found


def _rings(case: Case) -> list[tuple[str, IntArray]]:
    rings = [(line.label, case.vertex_of_shot[line.shot_index]) for line in case.lines if line.closed]
    if case.toe_ring is not None:
        rings.append((THE_TOE, case.vertex_of_shot[case.toe_ring]))
    return rings


@tells(NO_CREST)
def find_missing_crest(case: Case) -> list[Finding]:
    """A level patch at the very top with no vertex inside it, on a pile whose faces are steep.

    A real flat top has shots on it or a crest line round it; a patch that only bridges from face to face
    cuts the top off.
    """
    if (case.shots.role[case.in_top] == ROLE_INDEX["crest"]).any():
        return []
    soup = case.top.corners_m
    slope, areas = slopes_deg(soup), plan_areas(soup)
    faces = slope > FACE_DEG
    if areas[faces].sum() < 0.4 * areas.sum():
        return []
    highest, lowest = float(soup[:, :, 2].max()), float(soup[:, :, 2].min())
    level = (slope < LEVEL_DEG) & (soup[:, :, 2].min(axis=1) > lowest + 0.5 * (highest - lowest))
    patch, inner = _largest_patch(case.top.triangles, level, areas)
    area = float(areas[patch].sum())
    if inner or area < TELLING_SHARE * float(areas.sum()):
        return []
    tan = math.tan(math.radians(float(np.median(slope[faces]))))
    most = area * math.sqrt(area / math.pi) * tan / 3.0
    heights = soup[patch][:, :, 2]
    return [
        Finding(
            code=NO_CREST.code,
            severity=NO_CREST.severity,
            message=(
                f"No crest shots; "
                f"{counted(int(patch.sum()), 'level triangle closes', 'level triangles close')} the "
                f"top at {heights.min():.1f}–{heights.max():.1f} m over {area:,.0f} m² without a shot "
                "inside. "
                f"If the faces run on above, {most / 3:,.0f} to {most:,.0f} m³ are missing. Measured as "
                "drawn."
            ),
            where="top of the pile",
            remedy="Add crest and top shots, or state the limitation.",
            effect_m3=-most,
        )
    ]


def _largest_patch(
    triangles: IntArray, chosen: NDArray[np.bool_], areas: FloatArray
) -> tuple[NDArray[np.bool_], int]:
    """The largest connected patch of the chosen triangles and how many vertices lie wholly inside it."""
    none = np.zeros(len(triangles), np.bool_)
    if not chosen.any():
        return none, 0
    _, sides = _edges(triangles)
    both = sides[chosen[sides].all(axis=1)]
    graph = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(len(triangles),) * 2)
    _, label = connected_components(graph, directed=False)
    weight = np.bincount(label[chosen], weights=areas[chosen], minlength=int(label.max()) + 1)
    patch = chosen & (label == int(np.argmax(weight)))
    elsewhere = np.unique(triangles[~patch])
    inner = np.setdiff1d(np.unique(triangles[patch]), elsewhere)
    return patch, len(inner)


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
