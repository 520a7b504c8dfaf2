"""One surface, two piles: an agreed upright plane between materials that lie against each other.

The plane divides the outer edge of the whole; each side is measured under the same top and over the same
base, so that the two add up to the whole exactly. The true contact is not upright: whichever was tipped
first holds its angle of repose under the other. Nobody sees it, so that the split carries a doubt of its
own, which moves material between the two and never changes their sum.

Model: the contact leans from the foot of the line to either side, by no more than the angle of repose, any
lean in between as likely as another. A lean of that angle moves ∫ h² / (2 tan β) dl from one side to the
other, h the thickness along the line; a rectangular spread of that half-width has the standard uncertainty
of it over √3 (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
import shapely.ops

from compute.errors import BadOption
from compute.records import Edge, FloatArray, Origin, Surface, read_only
from compute.sections import Profile, section
from compute.surface import make_edge
from compute.volume import volume_between

if TYPE_CHECKING:
    from compute.building import Built

SLIVER_M2 = 0.01


@dataclass(frozen=True)
class Partition:
    """Which side of an agreed line belongs to the pile.

    line_m     : (K, 2) easting, northing, site frame; it reaches beyond the outer edge at both ends
    is_left    : whether the pile lies on the left, walking along the line
    repose_deg : steepest lean of the true contact, from level
    other      : code of the pile on the other side
    """

    line_m: FloatArray
    is_left: bool
    repose_deg: float
    other: str = ""

    def __post_init__(self) -> None:
        line = np.asarray(self.line_m, dtype=np.float64)
        is_line = line.ndim == 2 and line.shape[0] > 1 and line.shape[1] == 2 and np.isfinite(line).all()
        if not is_line or not shapely.LineString(line).is_simple or not shapely.LineString(line).length > 0:
            raise BadOption(
                "A partition is a line of two or more different points that does not cross itself.",
                where="partition",
                remedy="Give easting and northing of both ends, and of each bend in order.",
            )
        if not 0 < self.repose_deg < 90:
            raise BadOption(
                f"{self.repose_deg:g}° is no slope that material lies at.",
                where="partition",
                remedy="Give the angle of repose in degrees from level.",
            )

    def as_input(self) -> list[Any]:
        return [np.asarray(self.line_m).tolist(), self.is_left, self.repose_deg]


@dataclass(frozen=True)
class SplitFacts:
    """length_m along the line inside the edge; thickness_m mean over it; moved_m3 at the steepest lean."""

    other: str
    length_m: float
    thickness_m: float
    moved_m3: float

    @property
    def u_m3(self) -> float:
        return self.moved_m3 / math.sqrt(3.0)

    def as_dict(self) -> dict[str, Any]:
        return {
            "other": self.other,
            "length_m": self.length_m,
            "thickness_m": self.thickness_m,
            "moved_m3": self.moved_m3,
            "u_m3": self.u_m3,
        }


def local_line(partition: Partition, origin: Origin) -> FloatArray:
    """The line in the local frame."""
    return np.asarray(partition.line_m, dtype=np.float64) - np.array(
        [float(origin.easting_m), float(origin.northing_m)]
    )


def side_of(edge: Edge, partition: Partition, origin: Origin) -> Edge:
    """The part of an outer edge on the pile's side of its partition.

    Raises `BadOption` where the line does not divide the edge into one piece on either side.
    """
    line = shapely.LineString(local_line(partition, origin))
    pieces = shapely.get_parts(shapely.ops.split(shapely.polygons(edge.ring_m), line))
    pieces = [piece for piece in pieces if piece.area > SLIVER_M2]
    if len(pieces) != 2:
        raise BadOption(
            f"The partition divides the heap into {len(pieces)} pieces, not two. Nothing was measured.",
            where="partition",
            remedy="Draw it across the whole heap, beyond the toe at both ends, crossing it once.",
        )
    on_left = [_is_left(line, piece) for piece in pieces]
    if on_left[0] == on_left[1]:
        raise BadOption(
            "Both pieces lie on one side of the partition.", where="partition", remedy="Draw it straighter."
        )
    mine = pieces[on_left.index(partition.is_left)]
    ring = shapely.get_coordinates(shapely.get_exterior_ring(mine))[:-1]
    return make_edge("partition", ring, np.full(len(ring), -1))


def _is_left(line: shapely.LineString, piece: shapely.Polygon) -> bool:
    """Which side of the line a piece lies on, by a place inside it and the straight of the line nearest."""
    inside = np.array(shapely.get_coordinates(shapely.point_on_surface(piece))[0])
    corners = shapely.get_coordinates(line)
    sides = shapely.linestrings(np.stack([corners[:-1], corners[1:]], axis=1))
    nearest = int(np.argmin(shapely.distance(sides, shapely.points(inside))))
    along, away = corners[nearest + 1] - corners[nearest], inside - corners[nearest]
    return bool(along[0] * away[1] - along[1] * away[0] > 0)


def split(built: Built, partition: Partition, origin: Origin) -> Built:
    """The pile's part of a heap; top and ring stay those of the whole."""
    return replace(built, edge=side_of(built.edge, partition, origin))


def facts_of(partition: Partition, top: Surface, base: Surface, edge: Edge, origin: Origin) -> SplitFacts:
    """Thickness along the line, and what the lean of the contact may move across it."""
    line = shapely.intersection(
        shapely.LineString(local_line(partition, origin)), shapely.buffer(shapely.polygons(edge.ring_m), 1e-6)
    )
    length = moved = area = 0.0
    for part in shapely.get_parts(line):
        if part.geom_type != "LineString" or part.length <= 1e-5:
            continue
        away, thick = _thickness(part, top, base)
        step, first, last = np.diff(away), thick[:-1], thick[1:]
        length += math.fsum(step)
        area += math.fsum(step * (first + last) / 2.0)
        # ∫ h² over a straight piece: (a² + a b + b²) / 3.
        squares = math.fsum(step * (first * first + first * last + last * last) / 3.0)
        moved += squares / (2.0 * math.tan(math.radians(partition.repose_deg)))
    return SplitFacts(partition.other, length, area / length if length > 0 else 0.0, moved)


def _thickness(part: shapely.LineString, top: Surface, base: Surface) -> tuple[FloatArray, FloatArray]:
    """Distances along the line and top minus base there, at every crossing of either triangulation."""
    line = shapely.get_coordinates(part)
    upper, lower = section(top, line), section(base, line)
    away = np.unique(np.concatenate([p[:, 0] for p in (*upper.pieces, *lower.pieces)]))
    thick = _height_along(upper, away) - _height_along(lower, away)
    known = np.isfinite(thick)
    return read_only(away[known]), read_only(np.maximum(thick[known], 0.0))


def _height_along(profile: Profile, away: FloatArray) -> FloatArray:
    heights = np.full(len(away), np.nan)
    for piece in profile.pieces:
        inside = (away >= piece[0, 0] - 1e-9) & (away <= piece[-1, 0] + 1e-9)
        heights[inside] = np.interp(away[inside], piece[:, 0], piece[:, 3])
    return heights


# --- footprints of one date ----------------------------------------------------------------------

OVERLAP_M2 = 1.0
OVERLAP_SHARE = 0.002
"""Edges of one date may overlap by so much, or by this share of the smaller: the width of a pole."""


@dataclass(frozen=True)
class Overlap:
    """Two piles of one date that claim the same ground. `counted_twice_m3`: what stands there, by the lower
    of the two volumes."""

    one: str
    other: str
    area_m2: float
    counted_twice_m3: float
    ring_m: FloatArray


@dataclass(frozen=True)
class Footprint:
    """A measured pile in any one frame: its code, surfaces and edge."""

    code: str
    top: Surface
    base: Surface
    edge: Edge


def overlaps(footprints: list[Footprint]) -> list[Overlap]:
    """Pairs of footprints that overlap beyond tolerance, by code."""
    ordered = sorted(footprints, key=lambda f: f.code)
    plans = [shapely.polygons(f.edge.ring_m) for f in ordered]
    found = []
    for i, j in shapely.STRtree(plans).query(plans, predicate="intersects").T.tolist():
        if i >= j:
            continue
        common = shapely.intersection(plans[i], plans[j])
        allowed = max(OVERLAP_M2, OVERLAP_SHARE * min(plans[i].area, plans[j].area))
        if common.area <= allowed:
            continue
        parts = [p for p in shapely.get_parts(common) if p.geom_type == "Polygon" and p.area > SLIVER_M2]
        rings = [shapely.get_coordinates(p.exterior)[:-1] for p in parts]
        edges = [make_edge("common", ring, np.full(len(ring), -1)) for ring in rings]
        nets = [
            math.fsum(volume_between(f.top, f.base, edge=edge).above_m3 for edge in edges)
            for f in (ordered[i], ordered[j])
        ]
        largest = max(range(len(parts)), key=lambda k: parts[k].area)
        found.append(Overlap(ordered[i].code, ordered[j].code, float(common.area), min(nets), rings[largest]))
    return found
