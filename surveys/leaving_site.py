"""The check before a crew leaves: a file as it is, held against what the site knows. Nothing of it is kept.

A book that cannot be solved yet says why; shots of a whole yard are looked at pile by pile.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.blunders.records import SetupShots
from compute.coding import Rules, assign_roles, merge_rules
from compute.errors import NothingToMeasure, Refused
from compute.leaving import LeavingRequest, before_leaving
from compute.pointfiles import read_points
from compute.records import Finding, Shots, SourceFile
from compute.roles import ROLE_INDEX, TOP_ROLES
from compute.traverse.book import read_traverse
from compute.traverse.chain import Control
from compute.traverse.solve import TraverseRequest, TraverseResult, solve_traverse
from compute.traverse.to_shots import shots_of_book
from inventory.models import Pile, Site
from surveys.fieldbook_request import in_unit, marks_of
from surveys.fieldbooks import is_field_book
from surveys.models import ControlPoint
from surveys.splitting import LEAST_SHOTS

AROUND_M = 15.0
"""Shots of the floor and toe this far outside an outline are looked at with its pile."""
NEAR_M = 10.0
"""An outline nowhere farther than this from the shots' own hull has room around the same pile, and the hull
is its foot; where it is farther, a side was not shot."""
OF_THE_CREW = "no-check-shot"
"""Told once for a visit, not for each pile."""


@dataclass(frozen=True)
class PileLook:
    """`code` empty: the shots are looked at as one pile."""

    code: str
    shots_n: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class SiteLook:
    """What a file says before leaving. `unread`: why nothing could be looked at. `missing`: open piles of the
    site that the file has no shots of; empty where one pile was asked for."""

    is_book: bool
    shots_n: int = 0
    findings: tuple[Finding, ...] = ()
    piles: tuple[PileLook, ...] = ()
    missing: tuple[str, ...] = ()
    unread: Refused | None = None


def look_before_leaving(
    site: Site, name: str, data: bytes, unit: str, day: dt.date, pile: Pile | None = None
) -> SiteLook:
    """Look at a point file or a field book on the day `day`; never raises for what the file lacks."""
    if is_field_book(data):
        return _look_at_book(site, name, data, unit, day, pile)
    try:
        points = read_points(data, name, unit=unit)
        shots = assign_roles([points], merge_rules(site.code_rules))
    except Refused as refusal:
        return SiteLook(False, unread=refusal)
    told = [f for f in before_leaving(LeavingRequest(shots)) if f.code == OF_THE_CREW]
    return _by_pile(SiteLook(False, len(shots), tuple(told)), site, shots, None, day, pile)


def _look_at_book(site: Site, name: str, data: bytes, unit: str, day: dt.date, pile: Pile | None) -> SiteLook:
    solved, refusal = _solved(site, name, data, unit, day)
    told = before_leaving(LeavingRequest(traverse=solved, refusal=refusal))
    look = SiteLook(True, 0, told)
    if solved is None:
        return look
    rules: Rules = merge_rules(site.code_rules)
    try:
        book = shots_of_book(solved, rules, SourceFile(name, len(data), hashlib.sha256(data).hexdigest()))
    except NothingToMeasure as nothing:
        stopped = Finding("no-shots-yet", "warn", nothing.message, name, nothing.remedy)
        return replace(look, findings=(*told, stopped))
    return _by_pile(replace(look, shots_n=len(book.shots)), site, book.shots, book.of, day, pile)


def _solved(
    site: Site, name: str, data: bytes, unit: str, day: dt.date
) -> tuple[TraverseResult | None, Refused | None]:
    """The book on the control that is trusted today, or why it cannot be solved."""
    try:
        marks = marks_of(read_traverse(data, name))
        known = ControlPoint.objects.filter(site=site, name__in=marks).trusted_on(day)
        stations = {point.name: in_unit(_place(point), unit) for point in known.order_by("name")}
        return solve_traverse(TraverseRequest(data, name, Control(stations, {}), unit=unit)), None
    except Refused as refusal:
        return None, refusal


def _place(point: ControlPoint) -> dict[str, str]:
    return {key: str(getattr(point, key)) for key in ("northing_m", "easting_m", "elevation_m")}


def _by_pile(
    look: SiteLook, site: Site, shots: Shots, of: SetupShots | None, day: dt.date, pile: Pile | None
) -> SiteLook:
    if pile is not None:
        outline = np.array(pile.outline, dtype=np.float64) if pile.outline else None
        return replace(look, piles=(_look(pile.code, shots, of, outline),))
    piles = list(Pile.objects.filter(site=site).open_on(day).order_by("code"))
    outlined = [each for each in piles if each.outline]
    found = [_of_outline(each, shots, of) for each in outlined]
    touched = tuple(each for each in found if each is not None)
    if not touched:
        return replace(look, piles=(_look("", shots, of, None),))
    missing = tuple(p.code for p in outlined if p.code not in {each.code for each in touched})
    return replace(look, piles=touched, missing=missing)


def _of_outline(pile: Pile, shots: Shots, of: SetupShots | None) -> PileLook | None:
    """The pile with the shots in and around its outline; None where it was not shot."""
    outline = np.array(pile.outline, dtype=np.float64)
    ring = shapely.polygons(outline)
    inside = shapely.intersects_xy(ring, shots.x_m, shots.y_m)
    material = np.isin(shots.role, [ROLE_INDEX[role] for role in TOP_ROLES])
    if int((inside & material).sum()) < LEAST_SHOTS:
        return None
    near = shapely.intersects_xy(ring.buffer(AROUND_M), shots.x_m, shots.y_m)
    kept = np.flatnonzero((inside & material) | (near & ~material))
    part_of = None if of is None else _some_setups(of, kept)
    return _look(pile.code, _some(shots, kept), part_of, outline)


def _look(code: str, shots: Shots, of: SetupShots | None, outline: NDArray[np.float64] | None) -> PileLook:
    told = before_leaving(LeavingRequest(shots, of, None if _is_shot_around(shots, outline) else outline))
    return PileLook(code, len(shots), tuple(f for f in told if f.code != OF_THE_CREW))


def _is_shot_around(shots: Shots, outline: NDArray[np.float64] | None) -> bool:
    material = np.isin(shots.role, [ROLE_INDEX[role] for role in TOP_ROLES])
    if outline is None or int(material.sum()) < LEAST_SHOTS:
        return False
    hull = shapely.convex_hull(shapely.multipoints(np.column_stack([shots.x_m, shots.y_m])[material]))
    sides = shapely.segmentize(shapely.polygons(outline).exterior, 1.0)
    away = shapely.distance(hull, shapely.points(shapely.get_coordinates(sides)))
    return bool(away.max() <= NEAR_M)


def _some(shots: Shots, kept: NDArray[np.int64]) -> Shots:
    arrays = ("x_m", "y_m", "z_m", "role", "code_index", "line", "file_index")
    return replace(
        shots,
        **{name: getattr(shots, name)[kept] for name in arrays},
        names=None if shots.names is None else [shots.name(int(i)) for i in kept],
        notes=None,
    )


def _some_setups(of: SetupShots, kept: NDArray[np.int64]) -> SetupShots:
    return SetupShots(of.setup[kept], of.target_height_m[kept], of.setups)
