"""Findings about where the shots are: another place, exchanged axes, another unit.

The volume alone shows none of these: a mirrored pile has the volume of the pile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from compute.findings.said import Entry, listed, tells
from compute.findings.smooth import calm_surface
from compute.near import tree_of
from compute.quantities import metres, millimetres
from compute.records import Finding, FloatArray
from compute.roles import ROLE_INDEX
from compute.surface import facets_of

if TYPE_CHECKING:
    from compute.case import Case

SWAPPED = Entry("axes-exchanged", "stop", "Northing and easting look exchanged.")
PLACE = Entry("wrong-place", "stop", "The shots lie away from the pile's outline.")
PLAN_UNIT = Entry("plan-unit", "stop", "The footprint looks scaled by feet and metres.")
HEIGHT_UNIT = Entry("height-unit", "stop", "Heights look like feet over a plan in metres.")

FACE_DEG, FACES_SHARE = 10.0, 0.3
FEET_IN_METRE = 1 / 0.3048
RATIO_LOW, RATIO_HIGH = 0.64, 1.18
"""An outline is drawn generously: a full pile is from two thirds of its width up to a little over it."""

STEEP_DEG = 55.0
USUAL_DEG = (24.0, 46.0)
FALLS_ONTO = 0.2
"""Exchanging or scaling explains the distance when it leaves at most this part of it."""

SWAPPED_MARKS = 2


def _site_ring(case: Case, ring: FloatArray) -> FloatArray:
    return ring + np.array([float(case.origin.easting_m), float(case.origin.northing_m)])


def _away_m(case: Case, ring: FloatArray) -> float:
    """Distance of a footprint (site frame) from the outline; 0 where they meet."""
    assert case.outline is not None
    return float(
        shapely.distance(shapely.polygons(ring).buffer(0), shapely.polygons(_site_ring(case, case.outline)))
    )


def _unit_factor(case: Case) -> float:
    """What coordinates would be divided by if the declared unit is the wrong one of metre and foot."""
    return FEET_IN_METRE if case.declared_unit == "metre" else 0.3048


@tells(SWAPPED, PLACE)
def find_wrong_place(case: Case) -> list[Finding]:
    """The footprint against the pile's outline, as it is and with the axes exchanged."""
    if case.outline is None:
        return []
    ring = _site_ring(case, case.edge.ring_m)
    away = _away_m(case, ring)
    if away <= case.limits.wrong_place_m:
        return []
    explained = min(case.limits.wrong_place_m, FALLS_ONTO * away)
    exchanged = _away_m(case, ring[:, ::-1])
    if exchanged <= explained:
        return [
            _exchanged(
                f"The footprint lies {metres(away, ',.0f')} from the pile's outline but falls onto it "
                "(within "
                f"{metres(exchanged, ',.1f')}) when northing and easting are exchanged."
            )
        ]
    if _is_scaled(case) or _away_m(case, ring / _unit_factor(case)) <= explained:
        return []
    return [
        Finding(
            code=PLACE.code,
            severity=PLACE.severity,
            message=f"The footprint lies {metres(away, ',.0f')} from the pile's outline: another pile, "
            "another "
            "frame, or an old outline. A base or a density of this pile would be wrong for it. Measured as "
            "read.",
            where="coordinates",
            remedy="Check the file and its coordinate frame, or draw the outline anew.",
        )
    ]


def _exchanged(evidence: str) -> Finding:
    return Finding(
        code=SWAPPED.code,
        severity=SWAPPED.severity,
        message=f"{evidence} The volume alone would not show this: a mirrored pile is as large. Measured "
        "as read.",
        where="columns",
        remedy="Read the file again with the columns exchanged.",
    )


@tells(SWAPPED)
def find_swapped_control(case: Case) -> list[Finding]:
    """Shots that meet known control only with the axes exchanged; told where no outline has told it."""
    if not case.control or find_wrong_place(case):
        return []
    easting, northing = float(case.origin.easting_m), float(case.origin.northing_m)
    own = np.isin(case.shots.role, [ROLE_INDEX["control"], ROLE_INDEX["check"]])
    of_file = set(zip(case.shots.x_m[own].tolist(), case.shots.y_m[own].tolist(), strict=True))
    marks = [mark for mark in case.control if (mark.easting_m, mark.northing_m) not in of_file]
    if len(marks) < SWAPPED_MARKS:
        return []
    known = np.array([(mark.easting_m, mark.northing_m) for mark in marks])
    mirrored = np.column_stack([known[:, 1] + northing - easting, known[:, 0] + easting - northing])
    tree = tree_of(np.column_stack([case.shots.x_m, case.shots.y_m]))
    limit = case.limits.control_plan_m
    met = np.isfinite(tree.query(known, distance_upper_bound=limit)[0])
    met_mirrored = np.isfinite(tree.query(mirrored, distance_upper_bound=limit)[0])
    if met.any() or met_mirrored.sum() < SWAPPED_MARKS:
        return []
    names = [mark.name for mark, here in zip(marks, met_mirrored, strict=True) if here]
    return [
        _exchanged(
            f"No shot lies on known control as read, but {listed(names)} are met within {millimetres(limit)} "
            "when northing and easting are exchanged."
        )
    ]


def _size_ratio(case: Case) -> float:
    """Width of the footprint in widths of the outline."""
    assert case.outline is not None
    return float(np.sqrt(case.edge.area_m2 / shapely.area(shapely.polygons(case.outline))))


def _is_scaled(case: Case) -> bool:
    ratio = _size_ratio(case) / _unit_factor(case)
    if not RATIO_LOW < ratio < RATIO_HIGH:
        return False
    # A pile may well be drawn down to a third of its outline, so a small one must also lie there when scaled.
    return case.declared_unit == "metre" or _scaled_away_m(case) <= case.limits.wrong_place_m


def _scaled_away_m(case: Case) -> float:
    return _away_m(case, _site_ring(case, case.edge.ring_m) / _unit_factor(case))


@tells(PLAN_UNIT)
def find_plan_unit(case: Case) -> list[Finding]:
    """The size of the footprint against that of the outline: feet read as metres, or the reverse."""
    if case.outline is None or not _is_scaled(case):
        return []
    factor = _unit_factor(case)
    told = "feet read as metres" if case.declared_unit == "metre" else "metres read as feet"
    slope = median_face_slope_deg(case)
    flat_plan = slope is not None and not USUAL_DEG[0] < slope < USUAL_DEG[1]
    axes = "plan" if flat_plan else "all three axes"
    times = factor**2 if flat_plan else factor**3
    faces = "" if slope is None else f" The median face slope is {slope:.0f}°, so {axes} look scaled."
    return [
        Finding(
            code=PLAN_UNIT.code,
            severity=PLAN_UNIT.severity,
            message=f"The footprint is {_size_ratio(case):.2f} times as wide as the pile's outline, close "
            f"to the {factor:.3f} of {told} (the file was read as {case.declared_unit}).{faces} The volume "
            f"would be {times:.3g} times the true one. Measured as read.",
            where="unit",
            remedy="Declare the unit of the file (metre, foot or US survey foot) and read it again.",
        )
    ]


def median_face_slope_deg(case: Case) -> float | None:
    """Median slope of the faces by area; None where hardly anything is a face."""
    facets = facets_of(calm_surface(case))
    slope, areas = facets.slope_deg, facets.area_m2
    faces = slope > FACE_DEG
    if areas[faces].sum() < FACES_SHARE * areas.sum():
        return None
    order = np.argsort(slope[faces], kind="stable")
    reached = np.cumsum(areas[faces][order])
    return float(slope[faces][order][np.searchsorted(reached, 0.5 * reached[-1])])


@tells(HEIGHT_UNIT)
def find_height_unit(case: Case) -> list[Finding]:
    """Faces too steep as they are, and usual with heights divided by 3.281."""
    slope = median_face_slope_deg(case)
    if slope is None or slope < STEEP_DEG:
        return []
    mended = float(np.degrees(np.arctan(np.tan(np.radians(slope)) / FEET_IN_METRE)))
    if not USUAL_DEG[0] < mended < USUAL_DEG[1]:
        return []
    return [
        Finding(
            code=HEIGHT_UNIT.code,
            severity=HEIGHT_UNIT.severity,
            message=f"The median face slope is {slope:.0f}°; with heights divided by 3.281 it is "
            f"{mended:.0f}°. Heights are probably in feet over a plan in metres, and the volume would be "
            "3.28 times too large. Measured as read.",
            where="elevation",
            remedy="Convert the heights to the unit of the plan and send the file again.",
        )
    ]
