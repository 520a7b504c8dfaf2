"""Outlines of piles: one simple ring in the site frame, claimed by one pile at a time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from shapely import Polygon
from shapely.validation import explain_validity

from inventory.errors import BadOutline, OutlinesOverlap

SMALLEST_AREA_M2 = 1.0
"""Below this an outline is a slip of the hand, not a pile."""

OVERLAP_TOLERANCE = 0.02
"""Share of the smaller outline that two neighbours may both claim: drawn lines never match exactly."""

Ring = list[list[float]]


def checked_outline(points: Iterable[Sequence[float]]) -> Ring:
    """The ring counter-clockwise, first point not repeated, [easting, northing] in metres.

    No points: an empty ring, for a pile whose outline is not drawn. `BadOutline` for fewer than three
    corners, a ring that crosses or touches itself, a value that is no number, or under 1 m².
    """
    ring = [_corner(index, point) for index, point in enumerate(points, start=1)]
    if not ring:
        return []
    if len(ring) > 1 and ring[0] == ring[-1]:
        ring.pop()
    if len(ring) < 3:
        raise BadOutline(f"The outline has {len(ring)} corners; a ring needs three. Nothing was changed.")
    # Seen from its own first corner: at national-grid distances the area of a small ring loses its digits.
    first_e_m, first_n_m = ring[0]
    shape = Polygon([(e_m - first_e_m, n_m - first_n_m) for e_m, n_m in ring])
    if not shape.is_valid:
        raise BadOutline(f"The outline is no simple ring: {_fault(shape, ring[0])}. Nothing was changed.")
    if shape.area < SMALLEST_AREA_M2:
        raise BadOutline(
            f"The outline holds {shape.area:.3f} m²; under {SMALLEST_AREA_M2:.0f} m² it is no pile. "
            "Nothing was changed.",
            remedy="Check the unit and the order of easting and northing.",
        )
    return ring if shape.exterior.is_ccw else ring[::-1]


def refuse_overlap(code: str, outline: Ring, others: Iterable[tuple[str, Ring]]) -> None:
    """`OutlinesOverlap` where the outline of pile `code` claims ground that another pile's outline claims."""
    if not outline:
        return
    shape = Polygon(outline)
    for other_code, other_outline in others:
        if not other_outline:
            continue
        other = Polygon(other_outline)
        shared_m2 = shape.intersection(other).area
        if shared_m2 > OVERLAP_TOLERANCE * min(shape.area, other.area):
            raise OutlinesOverlap(
                f"The outlines of {code} and {other_code} share {shared_m2:.1f} m². A yard file could not be "
                "divided between them. Nothing was changed.",
                where=f"pile {other_code}",
            )


def _corner(index: int, point: Sequence[float]) -> list[float]:
    values = list(point)
    if len(values) != 2:
        raise BadOutline(
            f"Corner {index} has {len(values)} values, not easting and northing. Nothing was changed."
        )
    try:
        corner = [float(value) for value in values]
    except (TypeError, ValueError) as wrong:
        raise BadOutline(f"Corner {index}: {values} are not numbers. Nothing was changed.") from wrong
    if not all(math.isfinite(value) for value in corner):
        raise BadOutline(f"Corner {index}: {values} are not finite numbers. Nothing was changed.")
    return corner


def _fault(shape: Polygon, first: list[float]) -> str:
    """Shapely's reason with the place put back into the site frame."""
    reason, _, place = explain_validity(shape).partition("[")
    east_m, _, north_m = place.rstrip("]").partition(" ")
    easting_m, northing_m = float(east_m) + first[0], float(north_m) + first[1]
    return f"{reason.lower()} at easting {easting_m:.3f}, northing {northing_m:.3f}"
