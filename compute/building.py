"""From shots to the two surfaces and the edge between which the volume lies.

The order matters and is the same every time: leave out what is no material, merge shots at one position,
find the outer edge, join strings into lines, triangulate, and lay the base under it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, vstack

from compute.bases import Base, RimPoints, fitted_plane, level, lowest_toe, surveyed, toe_derived
from compute.case import LEFT_OUT_INDEX
from compute.errors import BadOption, BaseNotPossible, NothingToMeasure
from compute.findings.coincidence import control_coincidences
from compute.frame import order_by
from compute.lines import Line, feature_lines, name_ranks, resolve_crossings
from compute.records import (
    Edge,
    Finding,
    FindingLimits,
    FloatArray,
    IntArray,
    KnownPoint,
    Shots,
    Surface,
    read_only,
)
from compute.roles import BASE_ROLES, ROLE_INDEX, ROLES, TOP_ROLES
from compute.surface import corner_shares, heights_on, locate, make_edge
from compute.toe import toe_ring
from compute.triangulate import hull_corners, triangulate

_REASON_OF_ROLE = {
    "control": "control",
    "check": "check",
    "structure": "structure",
    "rejected": "rejected",
    "unknown": "unknown_code",
    "floor": "floor",
    "ground": "ground",
}

BASE_KINDS = ("surface", "level", "toe", "plane", "lowest-toe")


@dataclass(frozen=True)
class BaseChoice:
    """Which base to lay. `shots` (site frame, metres) for `surface`, `level_m` for `level`."""

    kind: str
    shots: Shots | None = None
    level_m: float | None = None
    label: str = ""

    def __post_init__(self) -> None:
        if self.kind not in BASE_KINDS:
            raise BadOption(
                f"There is no base of kind {self.kind!r}.", where="base", remedy=f"Use one of {BASE_KINDS}."
            )
        if (self.kind == "surface") != (self.shots is not None):
            raise BadOption("A surveyed base, and only that, takes a file of shots.", where="base")
        if (self.kind == "level") != (self.level_m is not None):
            raise BadOption("A fixed level, and only that, takes a height.", where="base")


@dataclass(frozen=True)
class Built:
    """The top surface and its edge. Arrays as in `compute.case.Case`.

    ring : (M,) shot indices of the toe ring (toe and wall shots), None for a drawn edge or a hull
    """

    shots: Shots
    left_out: NDArray[np.int8]
    vertex_of_shot: IntArray
    top: Surface
    edge: Edge
    ring: IntArray | None
    lines: tuple[Line, ...]
    findings: tuple[Finding, ...]


def leave_out(
    shots: Shots,
    control: tuple[KnownPoint, ...],
    limits: FindingLimits,
    outline: FloatArray | None,
    other_outlines: Mapping[str, FloatArray],
    *,
    top_roles: frozenset[str] = TOP_ROLES,
) -> NDArray[np.int8]:
    """(N,) reason for each shot that is no part of the surface, 0 for the others.

    Control and checks go by code and by coincidence. With an `outline` the file serves a whole yard, and
    only what lies inside it belongs to this pile; other piles' shots go in any case.
    """
    by_role = np.array(
        [0 if name in top_roles else LEFT_OUT_INDEX[_REASON_OF_ROLE[name]] for name in ROLES], np.int8
    )
    left = by_role[shots.role]
    index, kind = control_coincidences(shots, control, limits)
    hit = left[index] == 0
    left[index[hit]] = [LEFT_OUT_INDEX[name] for name, here in zip(kind, hit, strict=True) if here]
    for other in other_outlines.values():
        left[(left == 0) & _inside(other, shots)] = LEFT_OUT_INDEX["inside_other_pile"]
    if outline is not None:
        left[(left == 0) & ~_inside(outline, shots)] = LEFT_OUT_INDEX["outside_outline"]
    return left


def marks_in_file(shots: Shots) -> tuple[KnownPoint, ...]:
    """Control and check shots of the file itself: a shot without a code at such a place is the mark again."""
    marks = np.flatnonzero(np.isin(shots.role, [ROLE_INDEX["control"], ROLE_INDEX["check"]]))
    return tuple(
        KnownPoint(
            shots.name(int(i)) or shots.place(int(i)),
            float(shots.y_m[i]),
            float(shots.x_m[i]),
            float(shots.z_m[i]),
        )
        for i in marks
    )


def _inside(ring_m: FloatArray, shots: Shots) -> NDArray[np.bool_]:
    polygon = shapely.polygons(ring_m)
    shapely.prepare(polygon)
    inside: NDArray[np.bool_] = shapely.intersects_xy(polygon, shots.x_m, shots.y_m)
    return inside


@dataclass(frozen=True)
class Merged:
    """Shots at exactly one plan position are one vertex with their mean height.

    xyz_m  : (V, 3) sorted by easting, northing
    of_shot: (N,) vertex of each shot, −1 where it has none
    first  : (V,) shot that stands for the vertex (the lowest of those at one position)
    count  : (V,) shots in the vertex
    """

    xyz_m: FloatArray
    of_shot: IntArray
    first: IntArray
    count: IntArray


def merge_positions(shots: Shots, use: NDArray[np.bool_]) -> Merged:
    """Join shots at one plan position; sorting by height first makes the mean independent of row order."""
    chosen = np.flatnonzero(use)
    x, y, z = shots.x_m[chosen], shots.y_m[chosen], shots.z_m[chosen]
    order = order_by(x, y, z)
    x, y, z = x[order], y[order], z[order]
    fresh = np.r_[True, (x[1:] != x[:-1]) | (y[1:] != y[:-1])] if len(x) else np.zeros(0, bool)
    starts = np.flatnonzero(fresh)
    count = np.diff(np.r_[starts, len(x)])
    # A single shot keeps its height to the bit; only real groups are averaged.
    mean = z[starts].copy()
    for group in np.flatnonzero(count > 1):
        part = z[starts[group] : starts[group] + count[group]]
        mean[group] = math.fsum(part) / len(part)
    of_shot = np.full(len(shots), -1, np.int32)
    of_shot[chosen[order]] = np.cumsum(fresh) - 1
    return Merged(
        np.column_stack([x[starts], y[starts], mean]),
        of_shot,
        chosen[order][starts].astype(np.int32),
        count.astype(np.int32),
    )


def build_top(
    shots: Shots,
    left_out: NDArray[np.int8],
    drawn_ring: FloatArray | None,
    limits: FindingLimits,
) -> Built:
    """The top surface inside its outer edge: drawn, else the toe ring, else the hull of the shots."""
    if int((left_out == 0).sum()) < 3:
        raise NothingToMeasure(
            f"Only {int((left_out == 0).sum())} of {len(shots)} shots belong to the top surface.",
            where="top",
        )
    toe = np.flatnonzero(
        (left_out == 0) & np.isin(shots.role, [ROLE_INDEX["toe"], ROLE_INDEX["wall"]])
    ).astype(np.int32)
    has_toe = bool((shots.role[toe] == ROLE_INDEX["toe"]).any())
    ring_shots: IntArray | None = None
    if drawn_ring is None and has_toe:
        ring_shots = _ring_of(shots, toe)
        left_out = _leave_out_outside(shots, left_out, ring_shots)
    merged = merge_positions(shots, left_out == 0)
    lines = feature_lines(shots, left_out == 0)
    joined, extra, findings = _line_segments(shots, merged, lines, ring_shots, limits)
    points = np.vstack([merged.xyz_m, extra])
    ring = None if ring_shots is None else merged.of_shot[ring_shots]
    flat = triangulate(points, joined, ring)
    shot_of_point = np.concatenate([merged.first, np.full(len(extra), -1, np.int32)])
    place = np.empty(len(points), np.int32)
    place[flat.shot_index] = np.arange(len(points), dtype=np.int32)
    top = replace(flat, shot_index=read_only(shot_of_point[flat.shot_index]))
    vertex_of_shot = np.where(merged.of_shot >= 0, place[merged.of_shot], -1).astype(np.int32)
    if ring_shots is not None:
        edge = make_edge("toe", np.column_stack([shots.x_m[ring_shots], shots.y_m[ring_shots]]), ring_shots)
    elif drawn_ring is not None:
        edge = make_edge("drawn", drawn_ring, np.full(len(drawn_ring), -1))
    else:
        edge = _hull_edge(top)
    return Built(shots, left_out, vertex_of_shot, top, edge, ring_shots, lines, findings)


def _ring_of(shots: Shots, toe: IntArray) -> IntArray:
    """Toe and wall shots in ring order; one shot for each plan position."""
    _, keep = np.unique(np.column_stack([shots.x_m[toe], shots.y_m[toe]]), axis=0, return_index=True)
    merged = merge_positions(shots, np.isin(np.arange(len(shots)), toe))
    toe = merged.first[: len(keep)]
    ring = toe_ring(
        shots.x_m[toe], shots.y_m[toe], name_ranks(shots, toe), lambda i: shots.place(int(toe[i]))
    )
    return np.asarray(toe[ring], dtype=np.int32)


def _leave_out_outside(shots: Shots, left_out: NDArray[np.int8], ring: IntArray) -> NDArray[np.int8]:
    outside = (left_out == 0) & ~_inside(np.column_stack([shots.x_m[ring], shots.y_m[ring]]), shots)
    outside[np.isin(shots.role, [ROLE_INDEX["toe"], ROLE_INDEX["wall"]])] = False
    left = left_out.copy()
    left[outside] = LEFT_OUT_INDEX["outside_edge"]
    return left


def _line_segments(
    shots: Shots,
    merged: Merged,
    lines: tuple[Line, ...],
    ring_shots: IntArray | None,
    limits: FindingLimits,
) -> tuple[IntArray, FloatArray, tuple[Finding, ...]]:
    """Segments between merged vertices (extra crossing points after them), and what was found on the way."""
    if not lines:
        return np.empty((0, 2), np.int32), np.empty((0, 3)), ()
    segments, extra, findings = resolve_crossings(
        lines,
        ring_shots,
        shots.x_m,
        shots.y_m,
        shots.z_m,
        limits.line_height_tolerance_m,
        shots.place,
        merged.of_shot >= 0,
    )
    count = len(shots)
    to_point = np.concatenate(
        [merged.of_shot, len(merged.xyz_m) + np.arange(len(extra), dtype=np.int32)]
    ).astype(np.int32)
    assert count + len(extra) == len(to_point)
    return to_point[segments], extra, tuple(findings)


def _hull_edge(top: Surface) -> Edge:
    corners = hull_corners(top.vertices_m)
    return make_edge("hull", top.vertices_m[corners, :2], top.shot_index[corners])


def hull_within(built: Built, ground: Surface) -> Edge:
    """The hull of the shots, cut to what a surveyed ground reaches."""
    covered = shapely.intersection(
        shapely.polygons(built.edge.ring_m),
        shapely.polygons(ground.vertices_m[hull_corners(ground.vertices_m), :2]),
    )
    if covered.equals(shapely.polygons(built.edge.ring_m)):
        return built.edge
    if covered.geom_type != "Polygon" or covered.area <= 0:
        raise BaseNotPossible("The surveyed ground and the shots do not overlap.", where="base")
    ring = shapely.get_coordinates(covered)[:-1]
    return make_edge("hull", ring, np.full(len(ring), -1))


def build_ground(shots: Shots, control: tuple[KnownPoint, ...], limits: FindingLimits) -> Surface:
    """A surveyed ground as a surface over the hull of its shots (local frame of the top)."""
    left = leave_out(shots, control, limits, None, {}, top_roles=BASE_ROLES)
    if int((left == 0).sum()) < 3:
        raise NothingToMeasure(
            f"Only {int((left == 0).sum())} of {len(shots)} shots of the base lie on the ground.",
            where="base",
        )
    merged = merge_positions(shots, left == 0)
    lines = feature_lines(shots, left == 0)
    segments, extra, _ = _line_segments(shots, merged, lines, None, limits)
    return triangulate(np.vstack([merged.xyz_m, extra]), segments)


def rim_points(built: Built) -> RimPoints:
    """Where the top meets the ground. Wall shots sit up the wall: the ground under them follows the toe."""
    shots = built.shots
    if built.ring is None:
        return _sampled_rim(built)
    ring = built.ring
    rim = ring_points(built, ring)
    weights, xyz = rim.weights, rim.xyz_m
    on_wall = shots.role[ring] == ROLE_INDEX["wall"]
    if not on_wall.any():
        return rim
    toe_only = RimPoints(xyz[~on_wall], weights[~on_wall])
    foot = fitted_plane(toe_only, built.edge)
    at = locate(foot.surface, xyz[:, :2])
    shares = corner_shares(foot.surface, xyz[:, :2], at)
    assert foot.weights is not None
    corner = foot.surface.triangles[at]
    rows = [
        sum(
            (foot.weights[int(corner[i, k])] * shares[i, k] for k in range(1, 3)),
            foot.weights[int(corner[i, 0])] * shares[i, 0],
        )
        if on_wall[i]
        else weights[i]
        for i in range(len(ring))
    ]
    stacked = vstack(rows).tocsr()
    heights = np.where(on_wall, heights_on(foot.surface, at, shares), xyz[:, 2])
    return RimPoints(np.column_stack([xyz[:, :2], heights]), stacked)


def ring_points(built: Built, ring: IntArray) -> RimPoints:
    """The ring as it was shot, the height of each corner by its own shots."""
    weights = csr_matrix(
        (np.ones(len(ring)), (np.arange(len(ring)), ring)), shape=(len(ring), len(built.shots))
    )
    xyz = np.column_stack([built.shots.x_m[ring], built.shots.y_m[ring], _vertex_heights(built, ring)])
    return RimPoints(xyz, _shared(weights, built))


def _vertex_heights(built: Built, shots: IntArray) -> FloatArray:
    heights: FloatArray = built.top.vertices_m[built.vertex_of_shot[shots], 2]
    return heights


def _shared(weights: csr_matrix, built: Built) -> csr_matrix:
    """Spread the weight of a shot over all shots at its position."""
    vertices = len(built.top.vertices_m)
    used = np.flatnonzero(built.vertex_of_shot >= 0)
    of_vertex = csr_matrix(
        (np.ones(len(used)), (built.vertex_of_shot[used], used)), shape=(vertices, len(built.shots))
    )
    count = np.maximum(1, np.asarray(of_vertex.sum(axis=1)).ravel())
    pick = csr_matrix(
        (1.0 / count[built.vertex_of_shot[used]], (built.vertex_of_shot[used], used)),
        shape=(vertices, len(built.shots)),
    )
    to_vertex = csr_matrix(
        (weights.data, (weights.tocoo().row, built.vertex_of_shot[weights.tocoo().col])),
        shape=(weights.shape[0], vertices),
    )
    return (to_vertex @ pick).tocsr()


def _sampled_rim(built: Built) -> RimPoints:
    """Heights of the top along a drawn or hull edge: its corners, and points between where sides are long."""
    spacing = max(built.edge.perimeter_m / 256, 1e-9)
    xy = np.vstack([_along(a, b, spacing) for a, b in _sides(built.edge)])
    at = locate(built.top, xy)
    xy, at = xy[at >= 0], at[at >= 0]
    shares = corner_shares(built.top, xy, at)
    heights = heights_on(built.top, at, shares)
    corner = built.top.triangles[at]
    row = np.repeat(np.arange(len(xy)), 3)
    used = np.flatnonzero(built.vertex_of_shot >= 0)
    count = np.bincount(built.vertex_of_shot[used], minlength=len(built.top.vertices_m))
    to_vertex = csr_matrix((shares.ravel(), (row, corner.ravel())), shape=(len(xy), len(count)))
    pick = csr_matrix(
        (1.0 / count[built.vertex_of_shot[used]], (built.vertex_of_shot[used], used)),
        shape=(len(count), len(built.shots)),
    )
    return RimPoints(np.column_stack([xy, heights]), (to_vertex @ pick).tocsr())


def _sides(edge: Edge) -> list[tuple[FloatArray, FloatArray]]:
    return list(zip(edge.ring_m, np.roll(edge.ring_m, -1, axis=0), strict=True))


def _along(a: FloatArray, b: FloatArray, spacing: float) -> FloatArray:
    """Points from a up to, not including, b."""
    parts = max(1, math.ceil(float(np.hypot(*(b - a))) / spacing))
    return np.asarray(a + (b - a) * (np.arange(parts) / parts)[:, None])


def lay_base(choice: BaseChoice, built: Built, rim: RimPoints, ground: Surface | None) -> Base:
    """The base that was asked for."""
    if choice.kind == "surface":
        assert ground is not None
        return surveyed(ground, choice.label or "surveyed ground")
    if choice.kind == "level":
        assert choice.level_m is not None
        return level(choice.level_m, built.edge)
    return _from_rim(choice.kind, built, rim)


def lay_second_base(choice: BaseChoice, built: Built, rim: RimPoints) -> Base:
    """Another base from the same survey, so that its choice can be seen in the volume."""
    kind = "plane" if choice.kind == "toe" else "toe"
    try:
        return _from_rim(kind, built, rim)
    except BaseNotPossible:
        return _from_rim("lowest-toe", built, rim)


def _from_rim(kind: str, built: Built, rim: RimPoints) -> Base:
    if len(rim.xyz_m) < 3:
        raise BaseNotPossible(f"{len(rim.xyz_m)} points along the edge hold no base.", where="base")
    if kind == "toe":
        return toe_derived(rim)
    toes = rim if built.ring is None else _toes_only(built, rim)
    return fitted_plane(toes, built.edge) if kind == "plane" else lowest_toe(toes, built.edge)


def _toes_only(built: Built, rim: RimPoints) -> RimPoints:
    assert built.ring is not None
    toe = built.shots.role[built.ring] == ROLE_INDEX["toe"]
    return RimPoints(rim.xyz_m[toe], rim.weights[toe])
