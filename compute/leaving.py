"""Before the crew leaves the site: what is missing or does not fit, while it can still be put right.

Works on whatever there is: a handful of shots, a book that does not close, one file of several. It judges
nothing it cannot see, and says so. Severity `stop`: do not leave without it; `warn`: better not; `note`: to
look at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.blunders.explain import LEAST_M, SIGMAS
from compute.blunders.records import SetupShots
from compute.blunders.said import turned_findings
from compute.blunders.strips import compare_all, groups_of
from compute.errors import Refused
from compute.findings.said import counted, listed
from compute.quantities import metres
from compute.records import Finding, FindingLimits, FloatArray, Shots
from compute.roles import ROLE_INDEX, TOP_ROLES
from compute.surface import plan_areas
from compute.traverse.solve import TraverseResult
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
BOOK_CODES = {
    "open-leg", "misclosure-angular", "misclosure-linear", "misclosure-height", "target-height-missing",
    "instrument-height-missing", "distance-both-ways", "height-both-ways", "faces-disagree",
    "check-sight-off", "free-station-off",
}  # fmt: skip


@dataclass(frozen=True)
class LeavingRequest:
    """What there is so far, site frame, metres; anything may be missing.

    of       : set-up of each of `shots`, in their order
    outline  : (K, 2) where the pile is expected
    traverse : the solved field book
    refusal  : why the book could not be solved, if it could not
    """

    shots: Shots | None = None
    of: SetupShots | None = None
    outline: FloatArray | None = None
    traverse: TraverseResult | None = None
    refusal: Refused | None = None
    limits: FindingLimits = field(default_factory=FindingLimits)


@dataclass(frozen=True)
class _Pile:
    """Material shots in a local frame, and the line around them: the outline, else their hull."""

    shots: Shots
    xyz: FloatArray
    origin: FloatArray
    material: NDArray[np.int64]
    toe: NDArray[np.int64]
    around: shapely.Polygon | None


def before_leaving(request: LeavingRequest) -> tuple[Finding, ...]:
    """Everything worth doing before leaving, the gravest first; empty where nothing is missing."""
    found = [*_book(request.traverse), *_refused(request.refusal)]
    if request.shots is not None and len(request.shots):
        pile = _pile(request.shots, request.outline)
        found += [
            *_material(pile),
            *_blank_faces(pile),
            *_turned_away(pile, request.of),
            *_toe(pile, request.limits),
            *_crest(pile),
            *_pad(pile),
            *_extremes(pile),
            *_setups(pile, request.of),
        ]
    elif request.shots is not None or (request.traverse is None and request.refusal is None):
        found.append(_finding("nothing-shot", "stop", "There is not a single shot yet.", "Shoot the pile."))
    found += _checks(request)
    gravity = {"stop": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda f: (gravity[f.severity], f.code, f.where)))


def _finding(
    code: str, severity: str, message: str, remedy: str, where: str = "pile", shots: tuple[int, ...] = ()
) -> Finding:
    return Finding(code, severity, message, where, remedy, shots=shots)


def _pile(shots: Shots, outline: FloatArray | None) -> _Pile:
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
    return _Pile(shots, xyz, origin, material, toe, around)


def _material(pile: _Pile) -> list[Finding]:
    if pile.around is not None and len(pile.material) >= 3:
        return []
    return [
        _finding(
            "few-shots", "stop",
            f"{counted(len(pile.material), 'shot lies', 'shots lie')} on material: no surface can be made "
            f"yet.",
            "Shoot toe, crest and faces.",
        )
    ]  # fmt: skip


def _stretches(pile: _Pile) -> tuple[FloatArray, FloatArray]:
    """(S,) middles of even stretches along the line around, and (N,) place of each material shot along it."""
    assert pile.around is not None
    line = pile.around.exterior
    count = max(STRETCHES, math.ceil(line.length / LONGEST_STRETCH_M))
    middles = (np.arange(count) + 0.5) * line.length / count
    along = shapely.line_locate_point(line, shapely.points(pile.xyz[pile.material, :2]))
    return middles, np.asarray(along)


def _wind(pile: _Pile, along_m: FloatArray) -> str:
    """The sides of the pile, seen from its middle, on which places along the line around it lie."""
    assert pile.around is not None
    at = shapely.get_coordinates(shapely.line_interpolate_point(pile.around.exterior, along_m))
    middle = shapely.get_coordinates(pile.around.centroid)[0]
    azimuth = np.degrees(np.arctan2(at[:, 0] - middle[0], at[:, 1] - middle[1])) % 360.0
    winds = [WINDS[round(a / 45.0) % 8] for a in azimuth.tolist()]
    return listed(sorted(set(winds), key=lambda w: (-winds.count(w), WINDS.index(w))))


def _blank_faces(pile: _Pile) -> list[Finding]:
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
        _finding(
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


def _turned_away(pile: _Pile, of: SetupShots | None) -> list[Finding]:
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
        _finding(
            "face-away", "warn",
            f"{100 * share:.0f} % of the surface slopes away from every set-up, most of it to the {worst}: "
            f"it "
            "was not seen, or shot blind.",
            f"Set up on that side. {OFF_GROUND}",
        )
    ]  # fmt: skip


def _toe(pile: _Pile, limits: FindingLimits) -> list[Finding]:
    if not len(pile.toe):
        return [
            _finding(
                "no-toe", "stop", "There is no toe shot.", "Shoot the toe all the way round.", "outer edge"
            )
        ]
    found = []
    if len(pile.toe) < limits.toe_shots_wanted:
        found.append(
            _finding(
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
            _finding(
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


def _crest(pile: _Pile) -> list[Finding]:
    if len(pile.material) < 3 or (pile.shots.role == ROLE_INDEX["crest"]).any():
        return []
    return [
        _finding("no-crest", "warn", "No shot carries a crest code.",
                 "Shoot the crest lines, unless the pile has no edge at its top.")
    ]  # fmt: skip


def _pad(pile: _Pile) -> list[Finding]:
    pads = int((pile.shots.role == ROLE_INDEX["floor"]).sum())
    if pads >= PAD_SHOTS:
        return []
    return [
        _finding(
            "few-pad-shots", "warn",
            f"{counted(pads, 'exposed-pad shot', 'exposed-pad shots')}; {PAD_SHOTS} around the pile would "
            f"show a "
            "wrong pole height or a moved base.",
            "Shoot the bare floor on all sides of the pile, from every set-up.", "pad",
        )
    ]  # fmt: skip


def _extremes(pile: _Pile) -> list[Finding]:
    """The highest and the lowest shot, to be looked at."""
    if not len(pile.material):
        return []
    z = pile.xyz[pile.material, 2]
    high, low = int(pile.material[np.argmax(z)]), int(pile.material[np.argmin(z)])
    return [
        _finding(
            "highest-and-lowest", "note",
            f"Highest: {pile.shots.place(high)} at {metres(pile.xyz[high, 2])}; lowest: "
            f"{pile.shots.place(low)} at "
            f"{metres(pile.xyz[low, 2])}; {metres(pile.xyz[high, 2] - pile.xyz[low, 2])} apart.",
            "See whether that is the pile in front of you.", shots=(high, low),
        )
    ]  # fmt: skip


def _setups(pile: _Pile, of: SetupShots | None) -> list[Finding]:
    """Set-ups that disagree where they overlap, and those that overlap with none."""
    if of is None or len(of.setup) != len(pile.shots):
        return []
    groups = groups_of(pile.shots, of)
    local = Shots(
        pile.xyz[:, 0], pile.xyz[:, 1], pile.xyz[:, 2], pile.shots.role, pile.shots.code_index,
        pile.shots.codes, pile.shots.line, pile.shots.file_index, pile.shots.files,
    )  # fmt: skip
    strips = compare_all(local, groups)
    found = [
        _finding(
            "setups-disagree", "stop",
            f"{s.second.capitalize()} stands {metres(s.step_m, '+.3f')} over {s.first} along their "
            f"shared strip ({s.pairs} pairs, ± {metres(2 * s.standard_error_m, '.3f')}): a pole or "
            "an instrument height is wrong.",
            "Measure both heights again and read them aloud; shoot a hard mark from both set-ups.",
            f"{s.first}, {s.second}", s.shots,
        )
        for s in strips
        if abs(s.step_m) > max(LEAST_M, SIGMAS * s.standard_error_m)
    ]  # fmt: skip
    # What turns or tilts a set-up can still be put right here.
    found += turned_findings(strips)
    alone = [g.name for g in groups if not any(g.name in (s.first, s.second) for s in strips)]
    if len(groups) > 1 and alone:
        found.append(
            _finding(
                "no-overlap", "warn",
                f"{listed(alone).capitalize()} shares no strip with another set-up: a wrong pole height "
                f"there "
                "would not be seen.",
                "Shoot a strip of 5 to 10 m of the face, or three hard marks, from both set-ups.",
                listed(alone),
            )
        )  # fmt: skip
    return found


def _book(traverse: TraverseResult | None) -> list[Finding]:
    """What the field book says of itself, as far as it can be put right on site."""
    if traverse is None:
        return []
    return [
        _finding(f["code"], f["severity"], f["message"], f["remedy"], f["where"])
        for f in traverse.record["findings"]
        if f["code"] in BOOK_CODES
    ]


def _refused(refusal: Refused | None) -> list[Finding]:
    """A book that cannot be solved yet is no reason to say nothing: what is wrong with it, line by line."""
    if refusal is None:
        return []
    lines = "; ".join(f"line {p.line}: {p.message}" for p in refusal.problems[:5])
    more = refusal.total_problems - min(len(refusal.problems), 5)
    told = f" {lines}" + (f"; and {more} more" if more > 0 else "") if lines else ""
    return [
        _finding(
            "book-not-solved", "stop", f"{refusal.message}{told}",
            refusal.remedy or "Correct the lines in the book while the instrument still stands.",
            refusal.where or "field book",
        )
    ]  # fmt: skip


def _checks(request: LeavingRequest) -> list[Finding]:
    """Whether a known mark was shot again, and the back-sight at the end of each set-up."""
    book = None if request.traverse is None else request.traverse.book
    shot = request.shots is not None and bool((request.shots.role == ROLE_INDEX["check"]).any())
    if book is None:
        if shot or request.shots is None or not len(request.shots):
            return []
        return [
            _finding("no-check-shot", "warn", "No known mark was shot again.",
                     "Shoot a station that was not used for orientation, with a check code.", "control")
        ]  # fmt: skip
    open_ended = [s.name for s in book.setups if not any(t.kind == "check" for t in s.targets)]
    if not open_ended:
        return []
    return [
        _finding(
            "no-check-shot", "warn",
            f"Set-up {listed(open_ended)} has no check sight: nothing shows that it did not move.",
            "Sight the back-sight again at the end of each set-up, in direction, distance and height.",
            f"set-up {listed(open_ended)}",
        )
    ]  # fmt: skip
