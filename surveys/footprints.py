"""Piles of one date on one site that claim the same ground: what lies there would be counted twice."""

from __future__ import annotations

import numpy as np
import shapely

from compute.change import dated_from
from compute.partition import Footprint, Overlap, overlaps
from compute.records import FloatArray, UncertaintyModel
from compute.surface import make_edge
from surveys import computing
from surveys.errors import EvidenceDamaged, EvidenceMissing, FootprintsOverlap
from surveys.models import Measurement, State, Survey

STANDING = (State.COMPUTED, State.REVIEWED, State.APPROVED)
NEAR_M = 30.0
"""Piles whose outlines are farther apart than this are not looked at: a toe does not run that far."""


def overlaps_of(measurement: Measurement, others: list[Measurement]) -> list[Overlap]:
    """Where a measurement overlaps others of its date, by code. Geometries that are lost are left out."""
    near = [other for other in others if other.pk != measurement.pk and _is_near(measurement, other)]
    if not near:
        return []
    found = [each for each in (_placed(m) for m in (measurement, *near)) if each is not None]
    if not found or found[0][0] != measurement.pile.code:
        return []
    origin = found[0][1]["origin"]
    footprints = [_footprint(code, arrays, origin) for code, arrays in found]
    mine = measurement.pile.code
    return [each for each in overlaps(footprints) if mine in (each.one, each.other)]


def overlaps_on(survey: Survey) -> list[Overlap]:
    """Where the newest versions of a survey's piles, and what else was approved for its date, overlap."""
    rows = Measurement.objects.filter(
        pile__site=survey.site_id, surveyed_on=survey.surveyed_on, state__in=STANDING
    ).exclude(geometry_path="")
    newest: dict[int, Measurement] = {}
    for row in rows.select_related("pile", "survey__site").defer("record").order_by("version"):
        newest[row.pile_id] = row
    piles = sorted(newest.values(), key=lambda m: m.pile.code)
    found: dict[tuple[str, str], Overlap] = {}
    for number, one in enumerate(piles):
        for each in overlaps_of(one, piles[number + 1 :]):
            found[each.one, each.other] = each
    return [found[pair] for pair in sorted(found)]


def require_apart(measurement: Measurement) -> None:
    """`FootprintsOverlap` where another pile approved for that date stands on the same ground."""
    approved = Measurement.objects.filter(
        pile__site=measurement.pile.site_id, surveyed_on=measurement.surveyed_on, state=State.APPROVED
    )
    rows = approved.exclude(pile=measurement.pile_id).select_related("pile", "survey__site").defer("record")
    found = overlaps_of(measurement, list(rows.order_by("pile__code")))
    if not found:
        return
    told = "; ".join(
        f"{each.one} and {each.other} share {each.area_m2:,.1f} m² with {each.counted_twice_m3:,.1f} m³ on it"
        for each in found
    )
    raise FootprintsOverlap(
        f"{told}, on {measurement.surveyed_on}. Approved both, that would be in stock twice. Nothing was "
        "changed.",
        where=measurement.evidence_ref,
    )


def _is_near(one: Measurement, other: Measurement) -> bool:
    rings = [m.request.get("outline") for m in (one, other)]
    if not rings[0] or not rings[1]:
        return True
    plans = [shapely.Polygon(ring) for ring in rings]
    return bool(shapely.dwithin(plans[0], plans[1], NEAR_M))


def _placed(measurement: Measurement) -> tuple[str, dict[str, np.ndarray]] | None:
    if not measurement.geometry_path:
        return None
    try:
        return measurement.pile.code, computing.geometry_of(measurement)
    except (EvidenceMissing, EvidenceDamaged):
        return None


def _footprint(code: str, arrays: dict[str, np.ndarray], origin: FloatArray) -> Footprint:
    """In the frame of the first."""
    shift = arrays["origin"] - origin
    moved = {
        **arrays,
        "origin": origin,
        "edge": arrays["edge"] + shift,
        "top_vertices": arrays["top_vertices"] + np.r_[shift, 0.0],
        "base_vertices": arrays["base_vertices"] + np.r_[shift, 0.0],
    }
    side = dated_from(moved, UncertaintyModel(*[0.0] * 6))
    ring = side.edge.ring_m
    return Footprint(code, side.top, side.base, make_edge("stored", ring, np.full(len(ring), -1)))
