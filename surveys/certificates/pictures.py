"""The drawings of a certificate, on paper to a stated scale: plan, two sections, map of change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from compute.records import FloatArray
from surveys.drawings.changemap import change_map
from surveys.drawings.paper import UNIT_MM, Paper, denominator_for
from surveys.drawings.plan import PlanSheet, PlanShots, paper_for, places_of, plan
from surveys.drawings.section import LEFT, RIGHT, exaggeration_for, section
from surveys.pages.figures import Units
from surveys.pages.geometry import (
    Arrays,
    change_sheet,
    longest_cut,
    profile_of,
    ruler_of,
    shots_of,
)

WIDTH_MM = 174.0
"""Between the margins of an A4 page."""

PLAN_MM, CHANGE_MM = (WIDTH_MM, 150.0), (WIDTH_MM, 100.0)
NAMES = (("A", "B"), ("C", "D"))


@dataclass(frozen=True)
class Pictures:
    """SVG of each drawing. `change` is empty without a survey before; `roles` is the key of the plan."""

    plan: str
    sections: tuple[str, ...]
    change: str
    roles: tuple[tuple[str, int], ...]
    plan_scale: int
    section_scale: int
    change_scale: int | None


def pictures_of(
    arrays: Arrays,
    units: Units,
    *,
    pile: str,
    base_label: str,
    base_is_own: bool,
    previous: Arrays | None,
    band_m: float | None,
) -> Pictures:
    """`previous` and `band_m` are the geometry of the survey before and the no-change band of the two."""
    cuts = (longest_cut(arrays), cross_cut(arrays))
    drawn_plan, paper, roles = plan_on_paper(arrays, units, pile, base_label, base_is_own, cuts)
    sections, section_scale = sections_on_paper(arrays, units, pile, cuts, previous)
    change, change_scale = "", None
    if previous is not None and band_m is not None:
        sheet = change_sheet(previous, arrays, band_m)
        change_paper = paper_for([sheet.first_ring_m, sheet.second_ring_m], *CHANGE_MM)
        change = change_map(sheet, ruler=ruler_of(units), paper=change_paper, name=f"Map of change of {pile}")
        change_scale = change_paper.denominator
    return Pictures(drawn_plan, sections, change, roles, paper.denominator, section_scale, change_scale)


def plan_on_paper(
    arrays: Arrays, units: Units, pile: str, base_label: str, base_is_own: bool, cuts: Sequence[FloatArray]
) -> tuple[str, Paper, tuple[tuple[str, int], ...]]:
    origin = arrays["origin"]
    top = arrays["top_vertices"].copy()
    top[:, :2] += origin
    shots = shots_of(arrays)
    sheet = PlanSheet(
        vertices_m=top,
        triangles=arrays["top_triangles"],
        ring_m=arrays["edge"] + origin,
        shots=PlanShots(shots.xy_m + origin, shots.roles),
        base_label=base_label,
        cuts_m=tuple((ends, *names) for ends, names in zip(cuts, NAMES, strict=True)),
        base_rings_m=rims(arrays["base_vertices"][:, :2] + origin, arrays["base_triangles"])
        if base_is_own
        else (),
    )
    paper = paper_for(places_of(sheet), *PLAN_MM)
    drawn = plan(sheet, ruler=ruler_of(units), paper=paper, name=f"Plan of {pile}")
    return drawn, paper, tuple(shots.by_role)


def sections_on_paper(
    arrays: Arrays, units: Units, pile: str, cuts: Sequence[FloatArray], previous: Arrays | None
) -> tuple[tuple[str, ...], int]:
    """Both sections at one scale and with one factor for heights."""
    profiles = [profile_of(arrays, ends) for ends in cuts]
    room = WIDTH_MM - UNIT_MM * (LEFT + RIGHT)
    longest = max(profile.length_m for profile in profiles)
    paper = Paper(WIDTH_MM, 100.0, denominator_for(longest, 0.0, (room, 1.0)))
    factor = exaggeration_for(profiles, paper)
    drawn = tuple(
        section(
            profile,
            previous=None if previous is None else profile_of(previous, ends, "top"),
            ruler=ruler_of(units),
            paper=paper,
            exaggeration=factor,
            ends=names,
            name=f"Section {names[0]}–{names[1]} of {pile}",
        )
        for profile, ends, names in zip(profiles, cuts, NAMES, strict=True)
    )
    return drawn, paper.denominator


def cross_cut(arrays: Arrays) -> FloatArray:
    """(2, 2) ends of the second section: square to the first, through the middle of the outer edge."""
    ring = arrays["edge"] + arrays["origin"]
    first = longest_cut(arrays)
    along = (first[1] - first[0]) / np.hypot(*(first[1] - first[0]))
    across = np.array([-along[1], along[0]])
    middle = np.array(shapely.make_valid(shapely.Polygon(ring)).centroid.coords[0])
    places = (ring - middle) @ across
    return middle + 1.04 * np.array([places.min(), places.max()])[:, None] * across


def rims(xy_m: FloatArray, triangles: np.ndarray) -> tuple[FloatArray, ...]:
    """Closed outlines of a triangulated surface: its edges that belong to one triangle only."""
    edges = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    once, count = np.unique(edges, axis=0, return_counts=True)
    lines = shapely.multilinestrings(list(shapely.linestrings(xy_m[once[count == 1]])))
    merged = shapely.get_parts(shapely.line_merge(lines))
    return tuple(shapely.get_coordinates(line)[:-1] for line in merged if line.is_ring)
