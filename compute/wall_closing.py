"""The upright side of a pile, closed by the face of its wall.

Where a face leans, a sliver lies between its foot and the line of contact. Leaning away, the face is the
ground under that strip: the base is cut there and the face put in. Leaning over the material, the face is
its top there: the strip is put beside the top and the edge moved to the foot. So every volume, section and
drawing afterwards sees two surfaces and knows of no wall.

What lies behind the last contacts seen is not assumed. The plan area missing is told; with a declared
angle of repose, the volume of a plane that falls from the last contacts to the wall stands beside the
net, never in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from scipy.sparse import csr_matrix, vstack

from compute.bases import Base, RimPoints
from compute.building import BaseChoice, Built, lay_base, lay_second_base, rim_points, ring_points
from compute.errors import Refused
from compute.records import Edge, FloatArray, IntArray, Surface, read_only
from compute.roles import ROLE_INDEX
from compute.surface import corner_shares, cut_to, index_of, indexed, make_edge, plan_areas
from compute.volume import volume_between
from compute.walls import Contacts

HOLE_M2 = 0.5
"""Smaller gaps behind the contact line are rounding of corners."""


@dataclass(frozen=True)
class Hole:
    """A part of a bay that nobody saw. `assumed_m3` is None where nothing is declared, or the base ends.

    first, last : the contact shots it lies between
    ring_m      : (H, 2) local frame
    """

    wall: str
    first: int
    last: int
    ring_m: FloatArray
    area_m2: float
    repose_deg: float | None
    assumed_m3: float | None


@dataclass(frozen=True)
class WallFacts:
    """What a measurement says of one wall.

    freeboard_m : wall top over the highest contact, negative where material stands over it; None without
                  contact. `highest` is that shot
    sliver_m3   : volume between foot and contact line by which a leaning face changes the volume over the
                  plain base: negative where it leans away; None where the base does not reach under it
    """

    code: str
    height_m: float
    lean_deg: float
    contacts: int
    corners: int
    freeboard_m: float | None
    highest: int
    sliver_m3: float | None
    holes: tuple[Hole, ...]

    def as_dict(self) -> dict[str, Any]:
        return {
            "code": self.code,
            "height_m": self.height_m,
            "lean_deg": self.lean_deg,
            "contacts": self.contacts,
            "corners": self.corners,
            "freeboard_m": self.freeboard_m,
            "sliver_m3": self.sliver_m3,
            "hidden": [
                {"area_m2": h.area_m2, "repose_deg": h.repose_deg, "assumed_m3": h.assumed_m3}
                for h in self.holes
            ],
        }


@dataclass(frozen=True)
class Strips:
    """Faces between foot and contact line, in plan counter-clockwise.

    away, over : (S, 3, 3) where the face leans away from, and over, the material
    of_away, of_over : (S,) index of the face
    """

    away: FloatArray
    over: FloatArray
    of_away: IntArray
    of_over: IntArray


@dataclass(frozen=True)
class Closed:
    """A pile closed at its walls: `built` with faces over it, bases with faces in them."""

    built: Built
    base: Base
    second: Base
    facts: tuple[WallFacts, ...]


def close_at_walls(choice: BaseChoice, built: Built, contacts: Contacts, ground: Surface | None) -> Closed:
    """Lay both bases on the known foot of the walls and close the sides by their faces."""
    rim = rim_at_walls(built, contacts)
    # Toe shots and feet are ground alike, so the rim stands as it is for every kind of base.
    on_ground = replace(built, ring=None)
    base, second = lay_base(choice, on_ground, rim, ground), lay_second_base(choice, on_ground, rim)
    strips = strips_of(built, contacts)
    return Closed(
        top_with_faces(built, contacts, strips),
        base_with_faces(base, strips),
        base_with_faces(second, strips),
        facts_of(built, contacts, strips, base.surface),
    )


def rim_at_walls(built: Built, contacts: Contacts) -> RimPoints:
    """Toe shots, and the known foot where the top ends on a wall; each plan position once.

    Contact shots on no wall are ground nowhere: they stand on the plane through all the rest.
    """
    if built.ring is None:
        return rim_points(built)
    rim = ring_points(built, built.ring)
    feet = contacts.feet(built.ring)
    known = np.isfinite(feet[:, 2])
    xyz = np.where(known[:, None], feet, rim.xyz_m)
    lost = (built.shots.role[built.ring] == ROLE_INDEX["wall"]) & ~known
    if lost.any():
        design = np.column_stack([xyz[:, :2], np.ones(len(xyz))])
        plane = np.linalg.lstsq(design[~lost], xyz[~lost, 2], rcond=None)[0]
        xyz[lost, 2] = design[lost] @ plane
    moved = known | lost
    keep = csr_matrix((np.where(moved, 0.0, 1.0), (np.arange(len(xyz)), np.arange(len(xyz)))))
    _, first = np.unique(xyz[:, :2], axis=0, return_index=True)
    once = np.sort(first)
    return RimPoints(xyz[once], (keep @ rim.weights).tocsr()[once])


def strips_of(built: Built, contacts: Contacts) -> Strips:
    """The leaning faces along the edge, as far as the contact was seen."""
    soups: dict[bool, list[FloatArray]] = {True: [], False: []}
    owners: dict[bool, list[int]] = {True: [], False: []}
    for i, j in _ring_pairs(built, contacts):
        number = int(contacts.face[i])
        face = contacts.faces[number]
        if face.lean == 0.0:
            continue
        feet = contacts.feet(np.array([i, j], np.int32))
        shots = built.shots
        top = np.array([[shots.x_m[k], shots.y_m[k], shots.z_m[k]] for k in (i, j)])
        for triangle in ((feet[0], top[0], top[1]), (feet[0], top[1], feet[1])):
            soup = _counter_clockwise(np.array([triangle]))
            if float(plan_areas(soup)[0]) > 1e-12:
                soups[face.lean > 0].append(soup)
                owners[face.lean > 0].append(number)

    def joined(parts: list[FloatArray]) -> FloatArray:
        return np.vstack(parts) if parts else np.empty((0, 3, 3))

    return Strips(
        joined(soups[True]),
        joined(soups[False]),
        np.array(owners[True], np.int32),
        np.array(owners[False], np.int32),
    )


def _ring_pairs(built: Built, contacts: Contacts) -> list[tuple[int, int]]:
    """Neighbours in the ring that touch one and the same wall."""
    if built.ring is None:
        return []
    after = np.roll(built.ring, -1)
    same = (contacts.face[built.ring] >= 0) & (contacts.face[built.ring] == contacts.face[after])
    return [(int(i), int(j)) for i, j in zip(built.ring[same], after[same], strict=True)]


def _counter_clockwise(soup: FloatArray) -> FloatArray:
    turned = plan_areas(soup) < 0
    soup[turned] = soup[turned][:, ::-1]
    return soup


# --- the face as ground, the face as top ---------------------------------------------------------


def base_with_faces(base: Base, strips: Strips) -> Base:
    """The base, cut away under faces that lean outward, with those faces in its place."""
    if not len(strips.away):
        return base
    around = _outside(base.surface, strips.away)
    pieces, parent = cut_to(base.surface, indexed(around))
    surface = _as_surface(np.vstack([pieces, strips.away]))
    if base.weights is None:
        return replace(base, surface=surface)
    corners = pieces.reshape(-1, 3)
    of = np.repeat(parent, 3).astype(np.int64)
    shares = corner_shares(base.surface, corners[:, :2], of)
    vertex = base.surface.triangles[of]
    pick = csr_matrix(
        (shares.ravel(), (np.repeat(np.arange(len(corners)), 3), vertex.ravel())),
        shape=(len(corners), len(base.surface.vertices_m)),
    )
    still = csr_matrix((3 * len(strips.away), base.weights.shape[1]))
    return replace(base, surface=surface, weights=vstack([pick @ base.weights, still]).tocsr())


def _outside(surface: Surface, strips: FloatArray) -> FloatArray:
    """The plan of a surface without the strips, as triangles at height zero."""
    low, high = surface.vertices_m[:, :2].min(axis=0) - 1.0, surface.vertices_m[:, :2].max(axis=0) + 1.0
    rest = shapely.difference(shapely.box(*low, *high), shapely.union_all(shapely.polygons(strips[:, :, :2])))
    parts = shapely.get_parts(shapely.constrained_delaunay_triangles(rest))
    flat = np.array([shapely.get_coordinates(part)[:3] for part in parts])
    return _counter_clockwise(np.dstack([flat, np.zeros(flat.shape[:2])]))


def _as_surface(soup: FloatArray) -> Surface:
    corners = np.ascontiguousarray(soup).reshape(-1, 3)
    surface = Surface(
        read_only(corners),
        read_only(np.arange(len(corners), dtype=np.int32).reshape(-1, 3)),
        read_only(np.full(len(corners), -1, np.int32)),
        read_only(np.empty((0, 2), np.int32)),
    )
    index_of(surface)
    return surface


def top_with_faces(built: Built, contacts: Contacts, strips: Strips) -> Built:
    """The top with the faces that lean over it beside it, and the edge at their foot."""
    if not len(strips.over) or built.ring is None:
        return built
    top = built.top
    corners = strips.over.reshape(-1, 3)
    known = {tuple(v): k for k, v in enumerate(top.vertices_m.tolist())}
    added: list[list[float]] = []
    place = np.empty(len(corners), np.int32)
    for k, corner in enumerate(corners.tolist()):
        key = tuple(corner)
        if key not in known:
            known[key] = len(top.vertices_m) + len(added)
            added.append(corner)
        place[k] = known[key]
    over = replace(
        top,
        vertices_m=read_only(np.vstack([top.vertices_m, np.array(added)])),
        triangles=read_only(np.vstack([top.triangles, place.reshape(-1, 3)]).astype(np.int32)),
        shot_index=read_only(np.r_[top.shot_index, np.full(len(added), -1)].astype(np.int32)),
    )
    return replace(built, top=over, edge=_edge_at_feet(built, contacts))


def _edge_at_feet(built: Built, contacts: Contacts) -> Edge:
    """The outer edge along the foot of walls that lean over the material."""
    assert built.ring is not None
    feet = contacts.feet(built.ring)
    over = np.array([f.lean < 0 for f in contacts.faces])[contacts.face[built.ring]] & np.isfinite(feet[:, 2])
    ring = np.column_stack([built.shots.x_m[built.ring], built.shots.y_m[built.ring]])
    ring[over] = feet[over, :2]
    index = np.where(over, -1, built.ring).astype(np.int32)
    keep = (np.hypot(*(ring - np.roll(ring, 1, axis=0)).T)) > 1e-9
    return make_edge("toe", ring[keep], index[keep])


# --- what is told of each wall -------------------------------------------------------------------


def facts_of(built: Built, contacts: Contacts, strips: Strips, base: Surface) -> tuple[WallFacts, ...]:
    """Freeboard, slivers and holes of every wall; `base` as it was laid, without faces."""
    return tuple(_facts(built, contacts, strips, base, k) for k in range(len(contacts.faces)))


def _facts(built: Built, contacts: Contacts, strips: Strips, base: Surface, number: int) -> WallFacts:
    face = contacts.faces[number]
    on = np.flatnonzero((contacts.face == number) & (built.left_out == 0))
    highest = int(on[np.argmax(contacts.height_m[on])]) if len(on) else -1
    slivers = [
        sign * _net(soup[owner == number], base)
        for sign, soup, owner in ((-1.0, strips.away, strips.of_away), (1.0, strips.over, strips.of_over))
        if (owner == number).any()
    ]
    return WallFacts(
        code=face.wall.code,
        height_m=face.wall.height_m,
        lean_deg=face.wall.lean_deg,
        contacts=int((~contacts.is_corner[on]).sum()),
        corners=int(contacts.is_corner[on].sum()),
        freeboard_m=float(face.wall.height_m - contacts.height_m[highest]) if len(on) else None,
        highest=highest,
        sliver_m3=None if any(math.isnan(s) for s in slivers) else math.fsum(slivers),
        holes=tuple(_holes(built, contacts, base, number)),
    )


def _net(soup: FloatArray, base: Surface) -> float:
    try:
        return volume_between(soup, base).net_m3
    except Refused:
        return math.nan


def _holes(built: Built, contacts: Contacts, base: Surface, number: int) -> list[Hole]:
    """Parts of the bay between the line of the last contacts seen and the foot of the wall."""
    face = contacts.faces[number]
    found = []
    for i, j in ((i, j) for of, i, j in contacts.hidden if of == number):
        bends = face.corners_between(float(contacts.along_m[i]), float(contacts.along_m[j]))
        ends = np.array([[built.shots.x_m[k], built.shots.y_m[k], built.shots.z_m[k]] for k in (i, j)])
        ring = np.vstack([ends[:1, :2], face.foot_m[bends, :2], ends[1:, :2]])
        edge = make_edge("hidden", ring, np.full(len(ring), -1))
        if edge.area_m2 < HOLE_M2 or not shapely.is_valid(shapely.polygons(ring)):
            continue
        repose = face.wall.repose_deg
        assumed = None if repose is None else assumed_volume(edge, ends, repose, base)
        found.append(Hole(face.wall.code, i, j, edge.ring_m, edge.area_m2, repose, assumed))
    return found


def assumed_volume(edge: Edge, ends: FloatArray, repose_deg: float, base: Surface) -> float | None:
    """m³ over the base under the plane that holds both last contacts and falls from their line to the wall.

    ends : (2, 3). None where the base does not reach under all of the hole.
    """
    line = ends[1, :2] - ends[0, :2]
    length = float(np.hypot(*line))
    low, high = edge.ring_m.min(axis=0) - 1.0, edge.ring_m.max(axis=0) + 1.0
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    away = corners - ends[0, :2]
    along = away @ line / length
    across = (line[0] * away[:, 1] - line[1] * away[:, 0]) / length
    inward = edge.ring_m - ends[0, :2]
    # The hole lies on one side of the line of the last contacts: across counts from there.
    side = math.copysign(1.0, math.fsum(line[0] * inward[:, 1] - line[1] * inward[:, 0]))
    rise = (ends[1, 2] - ends[0, 2]) / length
    z = ends[0, 2] + along * rise - side * across * math.tan(math.radians(repose_deg))
    xyz = np.column_stack([corners, z])
    plane = np.array([xyz[[0, 1, 2]], xyz[[0, 2, 3]]])
    try:
        return volume_between(plane, base, edge=edge).above_m3
    except Refused:
        return None
