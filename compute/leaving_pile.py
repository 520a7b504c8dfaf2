"""What a pile's own shots lack: faces, toe, crest, pad. Parts of the check before leaving."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.blunders.records import SetupShots
from compute.errors import Refused
from compute.findings.said import counted, listed
from compute.quantities import metres
from compute.records import Finding, FindingLimits, FloatArray, Shots
from compute.roles import ROLE_INDEX, TOP_ROLES
from compute.surface import plan_areas
from compute.triangulate import triangulate

PAD_SHOTS = 4
"""Exposed-pad shots around each pile. Common practice, no source."""
STRETCHES = 24
LONGEST_STRETCH_M = 12.0
"""The foot of the pile is looked at in this many stretches, none longer than that."""
FACE_SHARE = 0.6
"""A shot on a face lies within this share of the way from the foot to the middle; beyond it is the top."""
AWAY_SHARE = 0.05
"""Told where more of the surface than this slopes away from every station."""
OFF_GROUND = "Do not climb the pile for it unless the site's rules allow."
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class Pile:
    """Material shots in a local frame, and the line around them: the outline, else their hull."""

    shots: Shots
    xyz: FloatArray
    origin: FloatArray
    material: NDArray[np.int64]
    toe: NDArray[np.int64]
    around: shapely.Polygon | None


def pile_of(shots: Shots, outline: FloatArray | None) -> Pile:
    finite = np.isfinite(shots.x_m + shots.y_m + shots.z_m)
    material = np.flatnonzero(finite & np.isin(shots.role, [ROLE_INDEX[r] for r in TOP_ROLES]))
    toe = np.flatnonzero(finite & np.isin(shots.role, [ROLE_INDEX["toe"], ROLE_INDEX["wall"]]))
    anchor = material if len(material) else np.arange(len(shots))
    origin = np.floor(np.array([shots.x_m[anchor].min(), shots.y_m[anchor].min()]))
    xyz = np.column_stack([shots.x_m - origin[0], shots.y_m - origin[1], shots.z_m])
    around = None
    if outline is not None and len(outline) >= 3:
        around = shapely.polygons(np.asarray(outline, dtype=np.float64) - origin)
    elif len(material) >= 3:
        around = shapely.convex_hull(shapely.multipoints(xyz[material, :2]))
    if around is None or around.geom_type != "Polygon" or around.area <= 0.0 or not around.is_valid:
        around = None
    return Pile(shots, xyz, origin, material, toe, around)


def to_do(
    code: str, severity: str, message: str, remedy: str, where: str = "pile", shots: tuple[int, ...] = ()
) -> Finding:
    return Finding(code, severity, message, where, remedy, shots=shots)


def about_pile(pile: Pile, of: SetupShots | None, limits: FindingLimits) -> list[Finding]:
    return [
        *_material(pile),
        *_blank_faces(pile),
        *_turned_away(pile, of),
        *_toe(pile, limits),
        *_crest(pile),
        *_pad(pile),
        *_extremes(pile),
    ]


def _material(pile: Pile) -> list[Finding]:
    if pile.around is not None and len(pile.material) >= 3:
        return []
    return [
        to_do(
            "few-shots", "stop",
            f"{counted(len(pile.material), 'shot lies', 'shots lie')} on material: no surface can be made "
            f"yet.",
            "Shoot toe, crest and faces.",
        )
    ]  # fmt: skip


def _stretches(pile: Pile) -> tuple[FloatArray, FloatArray]:
    """(S,) middles of even stretches along the line around, and (N,) place of each material shot along it."""
    assert pile.around is not None
    line = pile.around.exterior
    count = max(STRETCHES, math.ceil(line.length / LONGEST_STRETCH_M))
    middles = (np.arange(count) + 0.5) * line.length / count
    along = shapely.line_locate_point(line, shapely.points(pile.xyz[pile.material, :2]))
    return middles, np.asarray(along)


def _wind(pile: Pile, along_m: FloatArray) -> str:
    """The sides of the pile, seen from its middle, on which places along the line around it lie."""
    assert pile.around is not None
    at = shapely.get_coordinates(shapely.line_interpolate_point(pile.around.exterior, along_m))
    middle = shapely.get_coordinates(pile.around.centroid)[0]
    azimuth = np.degrees(np.arctan2(at[:, 0] - middle[0], at[:, 1] - middle[1])) % 360.0
    winds = [WINDS[round(a / 45.0) % 8] for a in azimuth.tolist()]
    return listed(sorted(set(winds), key=lambda w: (-winds.count(w), WINDS.index(w))))


def _blank_faces(pile: Pile) -> list[Finding]:
    """Stretches of the foot behind which nobody shot anything but the toe."""
    if pile.around is None:
        return []
    middles, along = _stretches(pile)
    away = shapely.distance(pile.around.exterior, shapely.points(pile.xyz[pile.material, :2]))
    face = ~np.isin(pile.material, pile.toe) & (away <= FACE_SHARE * _inner_radius(pile.around))
    length = pile.around.exterior.length / len(middles)
    stretch = np.floor(along[face] / length).astype(int) % len(middles)
    counts = np.bincount(stretch, minlength=len(middles))
    blank = counts == 0
    # A single empty stretch between two full ones is the usual distance between shots.
    blank &= np.roll(blank, 1) | np.roll(blank, -1)
    if not blank.any():
        return []
    share = float(blank.mean())
    return [
        to_do(
            "blank-face", "stop" if share >= 0.125 else "warn",
            f"Along {metres(blank.sum() * length, '.0f')} of the foot ({100 * share:.0f} %) there is no shot "
            "on the "
            f"face, "
            f"to the {_wind(pile, middles[blank])}. A straight line would be drawn across.",
            f"Set up where that side can be seen, and shoot it. {OFF_GROUND}",
        )
    ]  # fmt: skip


def _inner_radius(around: shapely.Polygon) -> float:
    """How far the middle of the pile lies from its foot: the margin that just leaves something inside."""
    low, high = 0.0, math.sqrt(around.area)
    for _ in range(20):
        middle = (low + high) / 2.0
        low, high = (low, middle) if around.buffer(-middle).is_empty else (middle, high)
    return low


def _turned_away(pile: Pile, of: SetupShots | None) -> list[Finding]:
    """Faces that slope away from every station: whatever stands there was not seen."""
    if of is None or pile.around is None or not of.setups:
        return []
    try:
        _, keep = np.unique(pile.xyz[pile.material, :2], axis=0, return_index=True)
        corners = triangulate(pile.xyz[pile.material[np.sort(keep)]]).corners_m
    except Refused:
        return []
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    middle = corners.mean(axis=1)
    seen = np.zeros(len(corners), bool)
    floor = float(pile.xyz[pile.material, 2].min())
    for setup in of.setups:
        foot = floor if setup.elevation_m is None else setup.elevation_m
        eye = np.array(
            [
                setup.easting_m - pile.origin[0],
                setup.northing_m - pile.origin[1],
                foot + (setup.instrument_height_m or 1.6),
            ]
        )
        # A pole stands 1.8 m over the face: a level top is seen past its edge.
        seen |= ((eye - middle - np.array([0.0, 0.0, -1.8])) * normal).sum(axis=1) > 0.0
    steep = np.hypot(normal[:, 0], normal[:, 1]) > math.tan(math.radians(15.0)) * normal[:, 2]
    area = np.asarray(plan_areas(corners))
    hidden = ~seen & steep
    share = float(area[hidden].sum() / area.sum())
    if share < AWAY_SHARE:
        return []
    azimuth = np.degrees(np.arctan2(normal[hidden, 0], normal[hidden, 1])) % 360.0
    winds = [WINDS[round(a / 45.0) % 8] for a in azimuth.tolist()]
    worst = max(set(winds), key=lambda w: (winds.count(w), w))
    return [
        to_do(
            "face-away", "warn",
            f"{100 * share:.0f} % of the surface slopes away from every set-up, most of it to the {worst}: "
            f"it "
            "was not seen, or shot blind.",
            f"Set up on that side. {OFF_GROUND}",
        )
    ]  # fmt: skip


def _toe(pile: Pile, limits: FindingLimits) -> list[Finding]:
    if not len(pile.toe):
        return [
            to_do("no-toe", "stop", "There is no toe shot.", "Shoot the toe all the way round.", "outer edge")
        ]
    found = []
    if len(pile.toe) < limits.toe_shots_wanted:
        found.append(
            to_do(
                "few-toe-shots", "stop",
                f"{counted(len(pile.toe), 'toe shot', 'toe shots')}; at least {limits.toe_shots_wanted} are "
                f"needed.",
                "Shoot more of the toe.", "outer edge",
            )
        )  # fmt: skip
    if pile.around is None:
        return found
    line = pile.around.exterior
    along = shapely.line_locate_point(line, shapely.points(pile.xyz[pile.toe, :2]))
    order = np.argsort(along, kind="stable")
    gaps = np.diff(along[order], append=along[order[0]] + line.length)
    wide = np.flatnonzero(gaps > limits.toe_gap_m)
    if len(wide):
        worst = int(wide[np.argmax(gaps[wide])])
        a, b = (int(pile.toe[order[i % len(order)]]) for i in (worst, worst + 1))
        middles = (along[order[wide]] + gaps[wide] / 2.0) % line.length
        found.append(
            to_do(
                "toe-gap", "stop" if gaps[worst] > 2.0 * limits.toe_gap_m else "warn",
                f"The toe has {counted(len(wide), 'gap', 'gaps')} wider than "
                f"{metres(limits.toe_gap_m, '.0f')}, "
                "to "
                f"the "
                f"{_wind(pile, middles)}; the widest is {metres(gaps[worst], '.0f')}, "
                f"between {pile.shots.place(a)} "
                f"and "
                f"{pile.shots.place(b)}.",
                "Shoot the toe there.", "outer edge", (a, b),
            )
        )  # fmt: skip
    return found


def _crest(pile: Pile) -> list[Finding]:
    if len(pile.material) < 3 or (pile.shots.role == ROLE_INDEX["crest"]).any():
        return []
    return [
        to_do("no-crest", "warn", "No shot carries a crest code.",
                 "Shoot the crest lines, unless the pile has no edge at its top.")
    ]  # fmt: skip


def _pad(pile: Pile) -> list[Finding]:
    pads = int((pile.shots.role == ROLE_INDEX["floor"]).sum())
    if pads >= PAD_SHOTS:
        return []
    return [
        to_do(
            "few-pad-shots", "warn",
            f"{counted(pads, 'exposed-pad shot', 'exposed-pad shots')}; {PAD_SHOTS} around the pile would "
            f"show a "
            "wrong pole height or a moved base.",
            "Shoot the bare floor on all sides of the pile, from every set-up.", "pad",
        )
    ]  # fmt: skip


def _extremes(pile: Pile) -> list[Finding]:
    """The highest and the lowest shot, to be looked at."""
    if not len(pile.material):
        return []
    z = pile.xyz[pile.material, 2]
    high, low = int(pile.material[np.argmax(z)]), int(pile.material[np.argmin(z)])
    return [
        to_do(
            "highest-and-lowest", "note",
            f"Highest: {pile.shots.place(high)} at {metres(pile.xyz[high, 2])}; lowest: "
            f"{pile.shots.place(low)} at "
            f"{metres(pile.xyz[low, 2])}; {metres(pile.xyz[high, 2] - pile.xyz[low, 2])} apart.",
            "See whether that is the pile in front of you.", shots=(high, low),
        )
    ]  # fmt: skip
