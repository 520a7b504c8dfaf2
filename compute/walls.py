"""Walls that material lies against: the shots of the contact, put on the face they touch.

A wall is a line on the ground and a face above it. A pole stands a hand off a wall and a crew shoots no
corner that the material hides, so that a ring through the shots alone cuts corners and stops short of the
face. The face is known better than the shots: a contact shot near it is moved onto it in plan, its height
kept, and a corner between two contact shots becomes a corner of the ring, its height between theirs.
Where the contact was not seen for long, nothing is put in; `compute.wall_closing` tells what is missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.errors import BadOption
from compute.lines import natural_key
from compute.records import FindingLimits, FloatArray, IntArray, Origin, Shots, read_only
from compute.roles import ROLE_INDEX

CONTACT_M = 0.20
"""Contact shots farther off the face than this are left where they are, and told."""

CORNER_CODE = "WALL-CORNER"
STEEPEST_LEAN_DEG = 45.0

LOW_M, NEAR_TOE_M = 0.3, 3.0
"""Between contacts so low, toe shots so near mean that the toe leaves the wall there."""

CHORD_STEP_M = 2.5


@dataclass(frozen=True)
class Wall:
    """A wall of one bay; bends allowed, one height and one lean throughout.

    foot_m     : (K, 3) easting, northing and height of the foot of the inner face, site frame; walking along
                 it, the material is on the left
    height_m   : top of the wall above its foot
    lean_deg   : of the face from upright; positive leans away from the material, negative over it
    repose_deg : declared assumption about material behind what was seen: from the last contacts seen it
                 falls at this angle to the wall; None to assume nothing
    """

    code: str
    foot_m: FloatArray
    height_m: float
    lean_deg: float = 0.0
    repose_deg: float | None = None

    def __post_init__(self) -> None:
        foot = np.asarray(self.foot_m, dtype=np.float64)
        steps = np.hypot(*np.diff(foot[:, :2], axis=0).T) if foot.ndim == 2 and len(foot) > 1 else np.zeros(1)
        if foot.ndim != 2 or foot.shape[1] != 3 or not np.isfinite(foot).all() or not (steps > 0).all():
            raise BadOption(
                f"The foot of wall {self.code} is no line of two or more different points with heights.",
                where=f"wall {self.code}",
                remedy="Give easting, northing and height of each end and bend of the inner face.",
            )
        if not shapely.LineString(foot[:, :2]).is_simple:
            raise BadOption(
                f"The foot of wall {self.code} crosses itself.",
                where=f"wall {self.code}",
                remedy="Give its points in order along the face.",
            )
        if not self.height_m > 0 or not abs(self.lean_deg) <= STEEPEST_LEAN_DEG:
            raise BadOption(
                f"Wall {self.code}: a height of {self.height_m:g} m and a lean of {self.lean_deg:g}° make no "
                "wall.",
                where=f"wall {self.code}",
                remedy=f"Give a height above zero and a lean of at most {STEEPEST_LEAN_DEG:g}°.",
            )
        if self.repose_deg is not None and not 0 < self.repose_deg < 60:
            raise BadOption(
                f"Wall {self.code}: {self.repose_deg:g}° is no angle of repose.",
                where=f"wall {self.code}",
                remedy="Give degrees from level, above 0 and below 60, or leave it out.",
            )

    def as_input(self) -> list[object]:
        """What of it can change a figure, for the digest."""
        return [
            self.code,
            np.asarray(self.foot_m).tolist(),
            self.height_m,
            self.lean_deg,
            self.repose_deg,
            CONTACT_M,
        ]


@dataclass(frozen=True)
class Face:
    """A wall in the local frame.

    foot_m  : (K, 3); along_m (K,) distance along the foot; outward (K − 1, 2) unit normals away from the
              material, one a straight; corner (K, 2) by how much a corner of the face moves outward for 1 m
    """

    wall: Wall
    foot_m: FloatArray
    along_m: FloatArray
    outward: FloatArray
    corner: FloatArray

    @property
    def lean(self) -> float:
        """Outward metres for one metre of height."""
        return math.tan(math.radians(self.wall.lean_deg))

    def foot_at(self, along_m: FloatArray) -> FloatArray:
        """(N, 3) points of the foot line."""
        return np.column_stack([np.interp(along_m, self.along_m, self.foot_m[:, k]) for k in range(3)])

    def corners_between(self, low_m: float, high_m: float) -> IntArray:
        """Bends strictly between two distances along the foot."""
        bends = np.arange(1, len(self.foot_m) - 1)
        inside = (self.along_m[bends] > low_m + 1e-6) & (self.along_m[bends] < high_m - 1e-6)
        return bends[inside].astype(np.int32)


@dataclass(frozen=True)
class Contacts:
    """Contact shots on faces; arrays are over all shots of the case.

    face    : (N,) int16   index into `faces`, −1 for a shot on no wall
    along_m : (N,) float64 distance along the foot, NaN elsewhere
    height_m: (N,) float64 height over the foot, NaN elsewhere
    is_corner : (N,) which shots are corners that were put in
    off     : shots of the role `wall` too far from every face
    moved_m : largest distance by which a shot was moved
    hidden  : (face, contact, next contact) where a bend lies between the two and nobody saw it
    """

    faces: tuple[Face, ...]
    face: NDArray[np.int16]
    along_m: FloatArray
    height_m: FloatArray
    is_corner: NDArray[np.bool_]
    off: tuple[int, ...]
    moved_m: float
    hidden: tuple[tuple[int, int, int], ...] = ()

    def feet(self, shots: IntArray) -> FloatArray:
        """(M, 3) foot below each of these shots, NaN for one on no wall."""
        feet = np.full((len(shots), 3), np.nan)
        for number, face in enumerate(self.faces):
            here = self.face[shots] == number
            feet[here] = face.foot_at(self.along_m[shots[here]])
        return feet


def face_of(wall: Wall, origin: Origin) -> Face:
    """The wall in the local frame of `origin`."""
    foot = np.asarray(wall.foot_m, dtype=np.float64) - np.array(
        [float(origin.easting_m), float(origin.northing_m), 0.0]
    )
    step = np.diff(foot[:, :2], axis=0)
    length = np.hypot(*step.T)
    outward = np.column_stack([step[:, 1], -step[:, 0]]) / length[:, None]
    corner = np.vstack([outward[:1], outward])
    for k in range(1, len(outward)):
        before, after = outward[k - 1], outward[k]
        # Two faces that turn back on each other have no common corner; one foot of it is enough.
        corner[k] = (before + after) / max(1.0 + float(before @ after), 0.1)
    return Face(wall, read_only(foot), np.r_[0.0, np.cumsum(length)], outward, corner)


def put_on_walls(
    shots: Shots,
    left_out: NDArray[np.int8],
    walls: tuple[Wall, ...],
    origin: Origin,
    limits: FindingLimits,
) -> tuple[Shots, NDArray[np.int8], Contacts]:
    """Shots of the contact moved onto the faces, and the corners between them put in as shots after all
    others (line 0). `left_out` follows."""
    faces = tuple(face_of(wall, origin) for wall in walls)
    wanted = np.flatnonzero((shots.role == ROLE_INDEX["wall"]) & (left_out == 0))
    count = len(shots)
    face = np.full(count, -1, np.int16)
    along, height = np.full(count, np.nan), np.full(count, np.nan)
    x_m, y_m = shots.x_m.copy(), shots.y_m.copy()
    moved = 0.0
    off: list[int] = []
    for i in wanted.tolist():
        at = _nearest(faces, np.array([shots.x_m[i], shots.y_m[i], shots.z_m[i]]))
        if at is None or abs(at.off_m) > CONTACT_M:
            off.append(i)
            continue
        face[i], along[i], height[i] = at.face, at.along_m, at.height_m
        x_m[i], y_m[i] = at.place
        moved = max(moved, abs(at.off_m))
    shots = replace(shots, x_m=read_only(x_m), y_m=read_only(y_m))
    contacts = Contacts(faces, face, along, height, np.zeros(count, bool), tuple(off), moved)
    return _with_corners(shots, left_out, contacts, limits)


@dataclass(frozen=True)
class _At:
    face: int
    along_m: float
    height_m: float
    off_m: float
    place: FloatArray


def _nearest(faces: tuple[Face, ...], point: FloatArray) -> _At | None:
    """Where on which face a shot stands, by distance from the face at the shot's height."""
    best: _At | None = None
    for number, face in enumerate(faces):
        for k, normal in enumerate(face.outward):
            start, end = face.foot_m[k], face.foot_m[k + 1]
            length = float(face.along_m[k + 1] - face.along_m[k])
            away = point[:2] - start[:2]
            along = float(away @ (end[:2] - start[:2])) / length
            inside = min(max(along, 0.0), length)
            height = float(point[2] - (start[2] + (end[2] - start[2]) * inside / length))
            off = float(away @ normal) - max(height, 0.0) * face.lean
            # Past the end of a straight the next one is nearer, or the wall ends.
            if abs(along - inside) > CONTACT_M + abs(max(height, 0.0) * face.lean):
                continue
            if best is None or abs(off) < abs(best.off_m):
                place = point[:2] - off * normal
                best = _At(number, float(face.along_m[k]) + inside, height, off, place)
    return best


def _with_corners(
    shots: Shots, left_out: NDArray[np.int8], contacts: Contacts, limits: FindingLimits
) -> tuple[Shots, NDArray[np.int8], Contacts]:
    """Corners of the faces between contact shots that follow each other within the usual gap; where the gap
    is wider, the back was not seen, and the ring goes straight from the one to the other."""
    toes = np.flatnonzero((shots.role == ROLE_INDEX["toe"]) & (left_out == 0))
    toe_points = shapely.points(shots.x_m[toes], shots.y_m[toes])
    rows: list[tuple[float, float, float, str]] = []
    where: list[tuple[int, float, float]] = []
    hidden: list[tuple[int, int, int]] = []
    for number, face in enumerate(contacts.faces):
        for i, j in pairs_along(contacts, number):
            low, high = contacts.along_m[i], contacts.along_m[j]
            bends = face.corners_between(low, high)
            if not len(bends):
                continue
            placed = _corners(face, bends, contacts, i, j)
            ends = np.array([[shots.x_m[k], shots.y_m[k], shots.z_m[k]] for k in (i, j)])
            if _has_floor(np.vstack([ends[:1], placed, ends[1:]]), toe_points, contacts.height_m[[i, j]]):
                continue
            if high - low > limits.toe_gap_m:
                hidden.append((number, i, j))
                placed = _along_chord(ends)
                where += [(-1, math.nan, math.nan)] * len(placed)
            else:
                heights = placed[:, 2] - face.foot_m[bends, 2]
                where += [(number, face.along_m[b], h) for b, h in zip(bends, heights, strict=True)]
            names = _names_between(shots.name(i), shots.name(j), len(placed))
            rows += [(*xyz, name) for xyz, name in zip(placed.tolist(), names, strict=True)]
    if not rows:
        return shots, left_out, contacts
    return (
        _appended(shots, rows),
        np.r_[left_out, np.zeros(len(rows), np.int8)].astype(np.int8),
        replace(
            contacts,
            face=np.r_[contacts.face, [w[0] for w in where]].astype(np.int16),
            along_m=np.r_[contacts.along_m, [w[1] for w in where]],
            height_m=np.r_[contacts.height_m, [w[2] for w in where]],
            is_corner=np.r_[contacts.is_corner, np.ones(len(rows), bool)],
            hidden=tuple(hidden),
        ),
    )


def _has_floor(path_m: FloatArray, toes: NDArray[np.object_], heights_m: FloatArray) -> bool:
    """Whether the toe runs between two contacts: there is floor in the corner, and nothing to fill."""
    if not len(toes):
        return False
    cut_off = shapely.polygons(path_m[:, :2])
    if shapely.intersects(cut_off, toes).any():
        return True
    apart = float(np.hypot(*(path_m[-1, :2] - path_m[0, :2])))
    near = shapely.buffer(cut_off, min(0.5 * apart, NEAR_TOE_M))
    return bool(heights_m.min() < LOW_M and shapely.intersects(near, toes).any())


def _along_chord(ends_m: FloatArray) -> FloatArray:
    """Points on the straight line between two contacts. They bend nothing: the ring goes there, whatever
    else could be joined."""
    length = float(np.hypot(*(ends_m[1, :2] - ends_m[0, :2])))
    share = np.arange(1, math.ceil(length / CHORD_STEP_M)) / math.ceil(length / CHORD_STEP_M)
    return ends_m[0] + share[:, None] * (ends_m[1] - ends_m[0])


def pairs_along(contacts: Contacts, number: int) -> list[tuple[int, int]]:
    """Contact shots of one face that follow each other along its foot."""
    on = np.flatnonzero(contacts.face == number)
    on = on[np.lexsort((on, contacts.along_m[on]))]
    return [(int(i), int(j)) for i, j in pairwise(on)]


def _corners(face: Face, bends: IntArray, contacts: Contacts, i: int, j: int) -> FloatArray:
    """(C, 3) corners of the face where the contact line between two shots crosses them."""
    low, high = contacts.along_m[i], contacts.along_m[j]
    share = (face.along_m[bends] - low) / (high - low)
    height = contacts.height_m[i] + share * (contacts.height_m[j] - contacts.height_m[i])
    plan = face.foot_m[bends, :2] + face.corner[bends] * (np.maximum(height, 0.0) * face.lean)[:, None]
    return np.column_stack([plan, face.foot_m[bends, 2] + height])


def _names_between(one: str, other: str, count: int) -> list[str]:
    """Names that stand between two others where these tell an order, so that the ring can still use it."""
    if not one.strip() or not other.strip():
        return [""] * count
    turned = natural_key(one) > natural_key(other)
    names = [f"{other if turned else one}.{k + 1}" for k in range(count)]
    return names[::-1] if turned else names


def _appended(shots: Shots, rows: list[tuple[float, float, float, str]]) -> Shots:
    count = len(rows)
    names = None if shots.names is None else [shots.name(i) for i in range(len(shots))] + [r[3] for r in rows]
    notes = shots.notes
    if notes is not None:
        notes = [*(n.as_py() if hasattr(n, "as_py") else n for n in notes), *[""] * count]
    return replace(
        shots,
        x_m=read_only(np.r_[shots.x_m, [r[0] for r in rows]]),
        y_m=read_only(np.r_[shots.y_m, [r[1] for r in rows]]),
        z_m=read_only(np.r_[shots.z_m, [r[2] for r in rows]]),
        role=read_only(np.r_[shots.role, np.full(count, ROLE_INDEX["wall"])].astype(np.int8)),
        codes=(*shots.codes, CORNER_CODE),
        code_index=read_only(np.r_[shots.code_index, np.full(count, len(shots.codes))].astype(np.int32)),
        line=read_only(np.r_[shots.line, np.zeros(count)].astype(np.int32)),
        file_index=read_only(np.r_[shots.file_index, np.zeros(count)].astype(np.int16)),
        names=names,
        notes=notes,
    )
