"""The bare pad beside a pile, month after month, against the base that the pile is measured with.

A pad settles, is graded, or grows by spillage; a base that was true once then hides or invents tonnes. Each
survey sees some of the pad bare. Its heights over the base are kept by place and date; where they leave
the doubt of base and shots, and enough of them lie together, a region is found whose ground is known anew.
Only that region changes in the base proposed: everywhere else the old one stays, and what lies under the
pile stays unknown until it is bare.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.errors import BadOption
from compute.records import Edge, FloatArray, Surface
from compute.surface import heights_at
from compute.triangulate import triangulate
from compute.uncertainty import K
from compute.volume import volume_between

CLEAR_M = 1.0
"""Nearer to the toe than this the ground is spillage."""

PLACE_M = 4.0
"""Shots of one survey within so much are one place."""

LINK_M = 22.0
"""Places farther apart are not joined to one region: what lies between was not seen."""

LEAST_PLACES = 4
RIM_M = 0.02
"""Between old and new ground at the rim of a region: so narrow that its volume is nothing."""


@dataclass(frozen=True)
class PadSeen:
    """Bare ground of one survey.

    xyz_m        : (N, 3) one row a place, metres, any one frame
    difference_m : (N,) ground minus base; positive where the pad has risen
    covered      : plan of what the piles covered that day, with `CLEAR_M` round it
    """

    on: dt.date
    xyz_m: FloatArray
    difference_m: FloatArray
    covered: Any

    @property
    def mean_m(self) -> float:
        return math.fsum(self.difference_m) / len(self.difference_m)

    @property
    def spread_m(self) -> float:
        mean = self.mean_m
        return math.sqrt(math.fsum((self.difference_m - mean) ** 2) / max(1, len(self.difference_m) - 1))

    @property
    def largest_m(self) -> float:
        return float(self.difference_m[np.argmax(np.abs(self.difference_m))])


@dataclass(frozen=True)
class Region:
    """Ground that lies off the base.

    polygon    : its plan; a hole is ground that was never bare
    xyz_m      : (P, 3) ground as it was last seen there; difference_m (P,) over the base; on (P,) dates
    band_m     : what base and shots leave in doubt of one difference, k = 2
    """

    polygon: Any
    xyz_m: FloatArray
    difference_m: FloatArray
    on: tuple[dt.date, ...]
    band_m: float

    @property
    def area_m2(self) -> float:
        return float(self.polygon.area)

    @property
    def rings_m(self) -> list[FloatArray]:
        """Closed lines round it and round its holes, first point not repeated."""
        rings = [self.polygon.exterior, *self.polygon.interiors]
        return [shapely.get_coordinates(ring)[:-1] for ring in rings]

    @property
    def mean_m(self) -> float:
        return math.fsum(self.difference_m) / len(self.difference_m)

    @property
    def volume_m3(self) -> float:
        """About how much the ground changed, mean difference times area; the bridge is exact."""
        return self.mean_m * self.area_m2

    @property
    def first_on(self) -> dt.date:
        return min(self.on)

    @property
    def last_on(self) -> dt.date:
        return max(self.on)


def pad_seen(
    on: dt.date, points_m: FloatArray, base: Surface, covered_m: Sequence[FloatArray] = ()
) -> PadSeen | None:
    """What one survey saw of the bare pad; None where it saw nothing of it.

    points_m  : (N, 3) shots on bare ground
    covered_m : outer edges of the piles on that date; shots within or near them are left out
    """
    covered = shapely.union_all([shapely.buffer(shapely.polygons(ring), CLEAR_M) for ring in covered_m])
    keep = ~shapely.intersects_xy(covered, points_m[:, 0], points_m[:, 1])
    over = points_m[:, 2] - heights_at(base, points_m[:, :2])
    keep &= np.isfinite(over)
    if not keep.any():
        return None
    xyz, over = _by_place(points_m[keep], over[keep])
    return PadSeen(on, xyz, over, covered)


def _by_place(xyz: FloatArray, over: FloatArray) -> tuple[FloatArray, FloatArray]:
    """One row for each cell of `PLACE_M`: means, so that a dense cloud does not outvote a pole."""
    cell = np.floor(xyz[:, :2] / PLACE_M).astype(np.int64)
    _, of, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    of = of.ravel()
    mean = [np.bincount(of, weights=v) / count for v in (*xyz.T, over)]
    return np.column_stack(mean[:3]), mean[3]


def band_of(shot_m: float, base_m: float) -> float:
    """Doubt of one difference, k = 2, from the standard uncertainties of a shot and of the base."""
    return K * math.hypot(shot_m, base_m)


def regions_off_base(seen: Sequence[PadSeen], band_m: float) -> tuple[Region, ...]:
    """Regions of ground off the base by more than `band_m`, by the last look at each place; largest first.

    A place counts by its newest date: what was off and is right again is right. Raised and lowered ground
    are regions apart.
    """
    if not seen:
        return ()
    xyz, over, on = _last_looks(seen)
    never_bare = seen[0].covered
    for look in seen[1:]:
        never_bare = shapely.intersection(never_bare, look.covered)
    right = xyz[np.abs(over) <= band_m, :2]
    found = []
    for sign in (1.0, -1.0):
        off = np.flatnonzero(sign * over > band_m)
        for members in _linked(xyz[off, :2]):
            index = off[members]
            if len(index) >= LEAST_PLACES:
                polygon = _plan_of(xyz[index, :2], right, never_bare)
                inside = shapely.dwithin(polygon, shapely.points(xyz[index, :2]), 1e-6)
                index = index[inside]
                if len(index) >= LEAST_PLACES:
                    dates = tuple(on[i] for i in index)
                    found.append(Region(polygon, xyz[index], over[index], dates, band_m))
    return tuple(sorted(found, key=lambda r: (-r.area_m2, r.polygon.bounds)))


def _last_looks(seen: Sequence[PadSeen]) -> tuple[FloatArray, FloatArray, list[dt.date]]:
    newest: dict[tuple[int, int], tuple[dt.date, FloatArray, float]] = {}
    for look in sorted(seen, key=lambda s: s.on):
        for row, over in zip(look.xyz_m, look.difference_m, strict=True):
            cell = (int(np.floor(row[0] / PLACE_M)), int(np.floor(row[1] / PLACE_M)))
            newest[cell] = (look.on, row, float(over))
    rows = [newest[cell] for cell in sorted(newest)]
    xyz = np.array([row for _, row, _ in rows]).reshape(-1, 3)
    return xyz, np.array([over for *_, over in rows]), [on for on, _, _ in rows]


def _linked(xy: FloatArray) -> list[NDArray[np.int64]]:
    """Groups of places, each within `LINK_M` of another of its group."""
    group = np.arange(len(xy))
    if len(xy):
        tree = shapely.STRtree(shapely.points(xy))
        one, other = tree.query(shapely.points(xy), predicate="dwithin", distance=LINK_M)
        changed = True
        while changed:
            least = group.copy()
            np.minimum.at(least, one, group[other])
            changed = bool((least != group).any())
            group = least
    return [np.flatnonzero(group == g) for g in np.unique(group)]


def _plan_of(off: FloatArray, right: FloatArray, never_bare: Any) -> Any:
    """Triangles between places that are off, none wider than was seen, with no place in them that is right;
    without ground that was never bare. The largest part of it, which may be empty."""
    triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(off)))
    kept = []
    for triangle in triangles:
        sides = np.diff(shapely.get_coordinates(triangle), axis=0)
        holds = len(right) and shapely.intersects_xy(triangle, right[:, 0], right[:, 1]).any()
        if np.hypot(*sides.T).max() <= LINK_M and not holds:
            kept.append(triangle)
    plan = shapely.difference(shapely.union_all(kept), never_bare)
    parts = [part for part in shapely.get_parts(plan) if part.geom_type == "Polygon"]
    return max(parts, key=lambda part: part.area, default=shapely.Polygon())


# --- the base with a region replaced -------------------------------------------------------------


@dataclass(frozen=True)
class GroundPoint:
    """A point of a proposed ground, in the frame of the base; `code` joins the rims to lines."""

    x_m: float
    y_m: float
    z_m: float
    code: str


def region_replaced(base: Surface, region: Region) -> tuple[GroundPoint, ...]:
    """The points of the old base with those of the region in place of what it had there.

    The rim is written twice: old ground just outside, new ground on it, both as breaklines, so that the
    change ends at the region. Raises `BadOption` for a region that the base does not hold.
    """
    new = triangulate(np.ascontiguousarray(region.xyz_m))
    far = shapely.buffer(region.polygon, 2 * RIM_M)
    keep = ~shapely.intersects_xy(far, base.vertices_m[:, 0], base.vertices_m[:, 1])
    rows = [GroundPoint(x, y, z, "GND") for x, y, z in base.vertices_m[keep].tolist()]
    # Mitred a little inwards, the new rim lies on ground that was seen; outwards, on the old ground.
    outer = shapely.buffer(region.polygon, RIM_M, join_style="mitre")
    inner = shapely.buffer(region.polygon, -RIM_M, join_style="mitre")
    string = 901
    for polygon, ground in ((outer, base), (inner, new)):
        for part in shapely.get_parts(polygon):
            for line in (part.exterior, *part.interiors):
                ring = _densified(shapely.get_coordinates(line)[:-1])
                rows += _rim(ring, heights_at(ground, ring), f"BRK {string}")
                string += 1
    within = shapely.intersects_xy(
        shapely.buffer(region.polygon, -2 * RIM_M), region.xyz_m[:, 0], region.xyz_m[:, 1]
    )
    rows += [GroundPoint(x, y, z, "GND") for x, y, z in region.xyz_m[within].tolist()]
    if region.polygon.is_empty or len(rows) < LEAST_PLACES:
        raise BadOption(
            "The region holds no ground.", where="region", remedy="Survey more of the pad while it is bare."
        )
    return tuple(rows)


def _densified(ring: FloatArray) -> FloatArray:
    after = np.roll(ring, -1, axis=0)
    parts = []
    for a, b in zip(ring, after, strict=True):
        count = max(1, math.ceil(float(np.hypot(*(b - a))) / PLACE_M))
        parts.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.vstack(parts)


def _rim(ring: FloatArray, z: FloatArray, code: str) -> list[GroundPoint]:
    """A rim as a line; where the surface ends, and with it the height, the line is interrupted."""
    known = np.flatnonzero(np.isfinite(z))
    closed = " CLOSE" if len(known) == len(ring) else ""
    rows = [GroundPoint(float(ring[i, 0]), float(ring[i, 1]), float(z[i]), code) for i in known]
    return [*rows[:-1], GroundPoint(rows[-1].x_m, rows[-1].y_m, rows[-1].z_m, code + closed)] if rows else []


@dataclass(frozen=True)
class BaseBridge:
    """The same top over the old base and over the new one: new volume = old volume − `net_m3`.

    raised_m3, lowered_m3 : ground that rose or fell inside the edge; net = raised − lowered
    """

    raised_m3: float
    lowered_m3: float
    net_m3: float
    area_m2: float


def base_bridge(old: Surface, new: Surface, edge: Edge) -> BaseBridge:
    """Exact volume between two bases inside the outer edge of a top."""
    between = volume_between(new, old, edge=edge)
    return BaseBridge(between.above_m3, between.below_m3, between.net_m3, between.plan_area_m2)


__all__ = [
    "BaseBridge",
    "GroundPoint",
    "PadSeen",
    "Region",
    "band_of",
    "base_bridge",
    "pad_seen",
    "region_replaced",
    "regions_off_base",
]
