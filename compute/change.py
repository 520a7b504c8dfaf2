"""What happened to a pile between two surveys: added, removed and net, and what no survey could have seen.

Where both surveys reach, the change is top over top, and no base enters. Where only the later one reaches,
material came onto ground that is known by the later base; where only the earlier one does, it went down to
the earlier base. A net of nothing may be thousands in and thousands out, so both are always given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from compute.errors import NothingToMeasure
from compute.records import Edge, FloatArray, Origin, Surface, UncertaintyModel, Volume
from compute.surface import cut_to, indexed, make_edge
from compute.uncertainty import K, combined
from compute.volume import volume_between

if TYPE_CHECKING:
    from compute.case import Case
    from compute.uncertainty import Budget

SLIVER_SHARE = 1e-9
"""Parts of the plan smaller than this share of both are rounding along a common edge."""


@dataclass(frozen=True)
class Dated:
    """One survey of the pile, in its own local frame. `terms` are its budget's, where they are known."""

    top: Surface
    base: Surface
    edge: Edge
    origin: Origin
    model: UncertaintyModel
    terms: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Change:
    """From the first survey to the second; net = added − removed.

    added_area_m2, removed_area_m2 : where the top rose or stayed, and where it fell
    band_m                         : height change below which nothing is proven (k = 2); the part of added
                                     and removed inside it is shown, not discarded
    base_difference_m3             : second base over first where both surveys reach; stock₂ − stock₁ is
                                     net_m3 − base_difference_m3
    gained_area_m2, lost_area_m2   : ground that only the second, only the first survey reaches
    uncertainty                    : of `net_m3`, where both budgets are known; errors common to both cancel
    """

    added_m3: float
    removed_m3: float
    net_m3: float
    added_area_m2: float
    removed_area_m2: float
    common_area_m2: float
    gained_area_m2: float
    lost_area_m2: float
    band_m: float
    band_added_m3: float
    band_removed_m3: float
    band_area_m2: float
    base_difference_m3: float
    uncertainty: Budget | None

    def as_dict(self) -> dict[str, Any]:
        body = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "uncertainty"}
        body["uncertainty"] = None if self.uncertainty is None else self.uncertainty.as_dict()
        return body


def dated(case: Case, doubt: Budget | None = None) -> Dated:
    """A case as one side of a change."""
    return Dated(
        case.top, case.base.surface, case.edge, case.origin, case.model, doubt.terms if doubt else None
    )


def dated_from(
    geometry: Mapping[str, Any], model: UncertaintyModel, terms: Mapping[str, float] | None = None
) -> Dated:
    """The stored arrays of a measurement (`compute.record.geometry_of`) as one side of a change."""
    east, north = np.asarray(geometry["origin"]).tolist()
    ring = np.asarray(geometry["edge"], dtype=np.float64)
    return Dated(
        _surface(geometry["top_vertices"], geometry["top_triangles"]),
        _surface(geometry["base_vertices"], geometry["base_triangles"]),
        make_edge("stored", ring, np.full(len(ring), -1)),
        Origin(Decimal(int(east)), Decimal(int(north))),
        model,
        terms,
    )


def change_between(first: Dated | Case, second: Dated | Case, *, same_control: bool = True) -> Change:
    """The change of one pile from the first survey to the second, exact on both triangulations.

    With `same_control` a height error common to a whole survey is common to both, and cancels. Raises
    `NothingToMeasure` for two surveys that do not touch.
    """
    one, two = _as_dated(first), _as_dated(second)
    shift = np.array(
        [
            float(two.origin.easting_m - one.origin.easting_m),
            float(two.origin.northing_m - one.origin.northing_m),
        ]
    )
    tops = one.top.corners_m, _moved(two.top.corners_m, shift)
    bases = one.base.corners_m, _moved(two.base.corners_m, shift)
    plans = _polygon(one.edge.ring_m), _polygon(two.edge.ring_m + shift)
    if not plans[0].intersects(plans[1]):
        raise NothingToMeasure(
            "The two surveys lie apart: not one square metre is in both.",
            where="outer edges",
            remedy="Check that both surveys are of one pile and in one grid.",
        )
    least = SLIVER_SHARE * (plans[0].area + plans[1].area)
    common = _triangles(plans[0].intersection(plans[1]), least)
    gained = _triangles(plans[1].difference(plans[0]), least)
    lost = _triangles(plans[0].difference(plans[1]), least)
    band = no_change_band_m(one.model, two.model, same_control=same_control)
    both = _over(tops[1], tops[0], common, band)
    came = _over(tops[1], bases[1], gained, band)
    went = _over(tops[0], bases[0], lost, band)
    added = math.fsum((both.above_m3, came.above_m3, went.below_m3))
    removed = math.fsum((both.below_m3, came.below_m3, went.above_m3))
    areas = both.plan_area_m2, came.plan_area_m2, went.plan_area_m2
    return Change(
        added_m3=added,
        removed_m3=removed,
        net_m3=added - removed,
        added_area_m2=math.fsum((both.above_area_m2, came.above_area_m2, went.below_area_m2)),
        removed_area_m2=math.fsum((both.below_area_m2, came.below_area_m2, went.above_area_m2)),
        common_area_m2=areas[0],
        gained_area_m2=areas[1],
        lost_area_m2=areas[2],
        band_m=band,
        band_added_m3=math.fsum((both.band_above_m3, came.band_above_m3, went.band_below_m3)),
        band_removed_m3=math.fsum((both.band_below_m3, came.band_below_m3, went.band_above_m3)),
        band_area_m2=math.fsum((both.band_area_m2, came.band_area_m2, went.band_area_m2)),
        base_difference_m3=_over(bases[1], bases[0], common, 0.0).net_m3,
        uncertainty=_uncertainty(one, two, areas, added - removed, same_control),
    )


def base_change(first: Dated, second: Dated, band_m: float = 0.0) -> Volume:
    """The second base over the first, where both surveys reach: above is what was raised, below lowered.

    Raises `NothingToMeasure` for two surveys that do not touch.
    """
    shift = np.array(
        [
            float(second.origin.easting_m - first.origin.easting_m),
            float(second.origin.northing_m - first.origin.northing_m),
        ]
    )
    plans = _polygon(first.edge.ring_m), _polygon(second.edge.ring_m + shift)
    common = _triangles(plans[0].intersection(plans[1]), SLIVER_SHARE * (plans[0].area + plans[1].area))
    if not len(common):
        raise NothingToMeasure(
            "The two surveys lie apart: not one square metre is in both.",
            where="outer edges",
            remedy="Choose bases under which the pile stood on the same ground.",
        )
    return _over(_moved(second.base.corners_m, shift), first.base.corners_m, common, band_m)


def no_change_band_m(
    first: UncertaintyModel, second: UncertaintyModel, *, same_control: bool = True
) -> float:
    """k √(σ₁² + σ₂²) of a height at one place: noise alone, and correlated noise, of each survey.

    Errors common to all shots of both surveys (same control) cancel; with other control they do not.
    """
    parts = [m for model in (first, second) for m in (model.shot_noise_m, model.correlated_noise_m)]
    if not same_control:
        parts += [first.height_bias_top_m, second.height_bias_top_m]
    return K * math.hypot(*parts)


def _uncertainty(
    one: Dated, two: Dated, areas: tuple[float, float, float], net_m3: float, same_control: bool
) -> Budget | None:
    """Terms of both budgets by squares, but what both surveys share is left out of the change."""
    if one.terms is None or two.terms is None:
        return None
    common, gained, lost = areas
    biases = one.model.height_bias_top_m, two.model.height_bias_top_m
    if same_control:
        height = max(biases) * abs(gained - lost)
    else:
        height = math.hypot(biases[0] * (common + lost), biases[1] * (common + gained))
    # A base, and with it the toe, enters only where one survey reaches alone.
    alone = (gained + lost) / (common + gained + lost)
    scale = {"height_bias_base": alone, "toe_position": alone}
    terms = {name: math.hypot(one.terms[name], two.terms[name]) * scale.get(name, 1.0) for name in one.terms}
    return combined({**terms, "height_bias_top": height}, net_m3, None)


def _over(upper: FloatArray, lower: FloatArray, region: FloatArray, band_m: float) -> Volume:
    """Volume of `upper` over `lower` inside the region's triangles."""
    if not len(region):
        return Volume(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, band_m)
    pieces, _ = cut_to(upper, indexed(region))
    if not len(pieces):
        return Volume(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, band_m)
    return volume_between(pieces, lower, band_m=band_m)


def _triangles(region: Any, least_m2: float) -> FloatArray:
    """(T, 3, 3) counter-clockwise triangles at height zero that fill a region, slivers left out."""
    polygons = [
        part
        for part in shapely.get_parts(region, return_index=False)
        if part.geom_type == "Polygon" and part.area > least_m2
    ]
    found = [
        triangle
        for part in polygons
        for triangle in shapely.get_parts(shapely.constrained_delaunay_triangles(part))
        if triangle.area > 0.0
    ]
    if not found:
        return np.empty((0, 3, 3))
    corners = np.array([shapely.get_coordinates(triangle)[:3] for triangle in found])
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    clockwise = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] < 0.0
    corners[clockwise] = corners[clockwise][:, ::-1]
    return np.ascontiguousarray(np.dstack([corners, np.zeros(corners.shape[:2])]))


def _polygon(ring_m: FloatArray) -> Any:
    return shapely.make_valid(shapely.Polygon(ring_m))


def _moved(corners_m: FloatArray, shift: FloatArray) -> FloatArray:
    moved = corners_m.copy()
    moved[:, :, :2] += shift
    return moved


def _as_dated(side: Dated | Case) -> Dated:
    return side if isinstance(side, Dated) else dated(side)


def _surface(vertices: Any, triangles: Any) -> Surface:
    return Surface(
        np.asarray(vertices, dtype=np.float64),
        np.asarray(triangles, dtype=np.int32),
        np.full(len(vertices), -1, np.int32),
        np.empty((0, 2), np.int32),
    )
