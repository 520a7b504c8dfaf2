"""Findings about where the shots are: another place, exchanged axes, another unit.

The volume alone shows none of these: a mirrored pile has the volume of the pile.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from compute.findings.said import Entry, tells
from compute.records import Finding, FloatArray
from compute.surface import plan_areas, slopes_deg

if TYPE_CHECKING:
    from compute.case import Case

SWAPPED = Entry("axes-exchanged", "stop", "Northing and easting look exchanged.")
PLACE = Entry("wrong-place", "stop", "The shots lie away from the pile's outline.")
PLAN_UNIT = Entry("plan-unit", "stop", "The footprint looks scaled by feet and metres.")
HEIGHT_UNIT = Entry("height-unit", "stop", "Heights look like feet over a plan in metres.")

FEET_IN_METRE = 1 / 0.3048
RATIO_TOLERANCE = 0.18
STEEP_DEG = 55.0
USUAL_DEG = (24.0, 46.0)


def _site_ring(case: Case, ring: FloatArray) -> FloatArray:
    return ring + np.array([float(case.origin.easting_m), float(case.origin.northing_m)])


def _away_m(case: Case, ring: FloatArray) -> float:
    """Distance of a footprint (site frame) from the outline; 0 where they meet."""
    assert case.outline is not None
    return float(
        shapely.distance(shapely.polygons(ring).buffer(0), shapely.polygons(_site_ring(case, case.outline)))
    )


@tells(SWAPPED, PLACE)
def find_wrong_place(case: Case) -> list[Finding]:
    """The footprint against the pile's outline, as it is and with the axes exchanged."""
    if case.outline is None:
        return []
    ring = _site_ring(case, case.edge.ring_m)
    away = _away_m(case, ring)
    if away <= case.limits.wrong_place_m:
        return []
    exchanged = _away_m(case, ring[:, ::-1])
    if exchanged < min(case.limits.wrong_place_m, 0.2 * away):
        return [
            Finding(
                code=SWAPPED.code,
                severity=SWAPPED.severity,
                message=(
                    f"The footprint lies {away:,.0f} m from the pile's outline but falls onto it (within "
                    f"{exchanged:,.1f} m) when northing and easting are exchanged. The volume alone would "
                    "not show "
                    "this. Measured as read."
                ),
                where="columns",
                remedy="Read the file again with the columns exchanged.",
            )
        ]
    return [
        Finding(
            code=PLACE.code,
            severity=PLACE.severity,
            message=f"The footprint lies {away:,.0f} m from the pile's outline: another pile, another frame, "
            "or an "
            "old outline. Measured as read.",
            where="coordinates",
            remedy="Check the file and its coordinate frame, or draw the outline anew.",
        )
    ]


@tells(PLAN_UNIT)
def find_plan_unit(case: Case) -> list[Finding]:
    """The size of the footprint against that of the outline: near 3.28 or its inverse is a unit, not "
    "growth."""
    if case.outline is None:
        return []
    size = float(np.sqrt(case.edge.area_m2 / shapely.area(shapely.polygons(case.outline))))
    for factor, told in ((FEET_IN_METRE, "feet read as metres"), (0.3048, "metres read as feet")):
        # An outline is drawn generously, so the footprint of a full pile is up to a third smaller than it.
        if factor * (1 - 2 * RATIO_TOLERANCE) < size < factor * (1 + RATIO_TOLERANCE):
            return [
                Finding(
                    code=PLAN_UNIT.code,
                    severity=PLAN_UNIT.severity,
                    message=(
                        f"The footprint is {size:.2f} times as wide as the pile's outline, close to the "
                        f"{factor:.3f} "
                        f"of {told} (the file was read as {case.declared_unit}). A volume would be off by "
                        "up to 35 "
                        "times. Measured as read."
                    ),
                    where="unit",
                    remedy="Declare the unit of the file (metre, foot or US survey foot) and read it again.",
                )
            ]
    return []


@tells(HEIGHT_UNIT)
def find_height_unit(case: Case) -> list[Finding]:
    """Median slope of the faces, weighted by area: too steep as it is, usual with heights divided by "
    "3.281."""
    soup = case.top.corners_m
    slope, areas = slopes_deg(soup), plan_areas(soup)
    faces = slope > 10.0
    if areas[faces].sum() < 0.3 * areas.sum():
        return []
    order = np.argsort(slope[faces])
    reached = np.cumsum(areas[faces][order])
    median = float(slope[faces][order][np.searchsorted(reached, 0.5 * reached[-1])])
    mended = float(np.degrees(np.arctan(np.tan(np.radians(median)) / FEET_IN_METRE)))
    if median < STEEP_DEG or not USUAL_DEG[0] < mended < USUAL_DEG[1]:
        return []
    return [
        Finding(
            code=HEIGHT_UNIT.code,
            severity=HEIGHT_UNIT.severity,
            message=(
                f"The median face slope is {median:.0f}°; with heights divided by 3.281 it is "
                f"{mended:.0f}°. Heights "
                "are probably in feet over a plan in metres, and the volume would be 3.28 times too large. "
                "Measured as read."
            ),
            where="elevation",
            remedy="Convert the heights to the unit of the plan and send the file again.",
        )
    ]
