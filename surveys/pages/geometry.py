"""From the kept geometry of a measurement to drawings: plan, section, solid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.utils.safestring import SafeString, mark_safe

from compute.roles import ROLES
from compute.sections import long_axis_rad
from compute.sections import section as cut
from compute.surface import heights_at, indexed
from surveys import computing, thinned
from surveys.drawings.changemap import ChangeSheet, change_map
from surveys.drawings.plan import PlanSheet, PlanShots, plan
from surveys.drawings.section import Ruler, section
from surveys.drawings.silhouette import Profile
from surveys.drawings.thickness import ThicknessSheet
from surveys.drawings.visit import VisitMarks
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.models import Measurement
from surveys.pages.figures import Units

Arrays = dict[str, np.ndarray]
GRID_CELLS = 110


def arrays_of(measurement: Measurement) -> Arrays | None:
    """What to draw, of a large pile thinned; None where nothing was measured or the store has lost it: a page
    then says so."""
    if not measurement.geometry_path:
        return None
    try:
        return computing.drawn_of(measurement)
    except (EvidenceMissing, EvidenceDamaged):
        return None


def places_of_shots(measurement: Measurement) -> np.ndarray | None:
    """(N, 2) where its crew shot, site frame, of a large pile a part; None where the store has lost it."""
    try:
        arrays = thinned.found(measurement.geometry_path) or computing.geometry_of(
            measurement, "shots", "origin"
        )
    except (EvidenceMissing, EvidenceDamaged):
        return None
    places: np.ndarray = arrays["shots"][:, :2] + arrays["origin"]
    return places


def exact_of(measurement: Measurement, drawn: Arrays) -> Arrays | None:
    """What figures are worked out from, where `drawn` may be thinned."""
    if thinned.thinning_of(drawn) is None:
        return drawn
    try:
        return computing.geometry_of(measurement)
    except (EvidenceMissing, EvidenceDamaged):
        return None


def thinned_words(units: Units, *drawn: Arrays | None) -> str:
    """What to say beside a picture of large piles; empty where it is drawn from the measured surfaces."""
    found = [each for arrays in drawn if arrays and (each := thinned.thinning_of(arrays))]
    if not found:
        return ""
    worst = max(found, key=lambda each: each.largest_deviation_m)
    # Rounded up: what is drawn may be nearer than said, never further.
    off = math.ceil(units.shown(worst.largest_deviation_m, "length") * 100) / 100
    return (
        f"Drawn from a surface of {worst.measured:,} points thinned to {worst.drawn:,}, nowhere more than "
        f"{off:.2f}\u00a0{units.symbol('length')} from the measured one. The volume is from all of it."
    )


def ruler_of(units: Units) -> Ruler:
    return Ruler(1.0 / units.shown(1.0, "length"), units.symbol("length"))


@dataclass(frozen=True)
class DrawnShots:
    """Shots that a plan of the pile shows, local frame: without those of other piles in the same file.

    `by_role` has (role, number of shots), drawn or not, for the key of the plan.
    """

    xy_m: np.ndarray
    roles: tuple[str, ...]
    by_role: tuple[tuple[str, int], ...] = ()


def shots_of(arrays: Arrays) -> DrawnShots:
    kept = thinned.shots_drawn(arrays)
    counts = zip(ROLES, thinned.shots_by_role(arrays).tolist(), strict=True)
    return DrawnShots(
        arrays["shots"][kept, :2],
        tuple(ROLES[role] for role in thinned.role_shown(arrays)[kept].tolist()),
        tuple((role, count) for role, count in counts if count),
    )


def plan_of(
    measurement: Measurement,
    arrays: Arrays,
    shots: DrawnShots,
    units: Units,
    visit: VisitMarks | None = None,
) -> SafeString:
    """The plan in the site's frame: bands, contours, every shot by its use; a planned `visit`."""
    origin = arrays["origin"]
    top = arrays["top_vertices"].copy()
    top[:, :2] += origin
    sheet = PlanSheet(
        vertices_m=top,
        triangles=arrays["top_triangles"],
        ring_m=arrays["edge"] + origin,
        shots=PlanShots(shots.xy_m + origin, shots.roles),
        base_label=measurement.base_version.label if measurement.base_version else "",
        visit=visit,
    )
    name = f"Plan of {measurement.pile.code}: contours, shots, outer edge"
    return mark_safe(plan(sheet, ruler=ruler_of(units), name=name))  # noqa: S308  escaped by the drawing


def section_of(
    arrays: Arrays, ends_m: np.ndarray, units: Units, previous: Arrays | None = None, name: str = "Section"
) -> SafeString:
    """SVG of the cut between two points of the site frame. `ValueError` where the line meets no surface."""
    profile = profile_of(arrays, ends_m)
    before = None if previous is None else profile_of(previous, ends_m, "top")
    return mark_safe(  # noqa: S308  built and escaped by the drawing
        section(profile, previous=before, ruler=ruler_of(units), name=name)
    )


def profile_of(arrays: Arrays, ends_m: np.ndarray, *only: str) -> Profile:
    """Top and base along a line of the site frame, or `only` one of them."""
    length_m = float(np.hypot(*(ends_m[1] - ends_m[0])))
    top, base = (
        _pieces(arrays, which, ends_m) if not only or which in only else () for which in ("top", "base")
    )
    return Profile.of_pieces(top, base, length_m)


def _pieces(arrays: Arrays, which: str, ends_m: np.ndarray) -> tuple[np.ndarray, ...]:
    """Runs of (distance, height) where the line lies on the surface."""
    found = cut(thinned.surface_of(arrays, which), ends_m - arrays["origin"])
    return tuple(piece[:, [0, 3]] for piece in found.pieces)


def longest_cut(arrays: Arrays) -> np.ndarray:
    """(2, 2) ends of a first section, site frame: along the longer side and a little beyond the edge."""
    ring = arrays["edge"] + arrays["origin"]
    middle = ring.mean(axis=0)
    turn = long_axis_rad(arrays["edge"])
    axis = np.array([np.cos(turn), np.sin(turn)])
    along = ((ring - middle) * axis).sum(axis=1)
    reach = 1.04 * np.array([along.min(), along.max()])
    ends = middle + reach[:, None] * axis
    return ends if ends[0, 0] <= ends[1, 0] else ends[::-1]


def solid_of(arrays: Arrays, units: Units) -> dict[str, Any]:
    """Top, base and edge for a turnable view, in the site's unit and frame."""
    factor = units.shown(1.0, "length")
    origin = np.append(arrays["origin"], 0.0)
    ring = arrays["edge"]

    def mesh(which: str) -> dict[str, Any]:
        places = (arrays[f"{which}_vertices"] + origin) * factor
        corners = arrays[f"{which}_triangles"]
        axes = {name: np.round(places[:, axis], 3).tolist() for axis, name in enumerate("xyz")}
        return axes | {name: corners[:, axis].tolist() for axis, name in enumerate("ijk")}

    top, base = mesh("top"), _base_within(mesh("base"), (ring + origin[:2]) * factor)
    return {"top": top, "base": base, "unit": units.symbol("length"), "words": thinned_words(units, arrays)}


def _base_within(base: dict[str, Any], ring: np.ndarray) -> dict[str, Any]:
    """The base near the pile: a pre-pile survey of the whole yard would make the pile a speck."""
    low, high = ring.min(axis=0), ring.max(axis=0)
    pad = 0.1 * float(max(high - low))
    x, y = np.array(base["x"]), np.array(base["y"])
    near = (x >= low[0] - pad) & (x <= high[0] + pad) & (y >= low[1] - pad) & (y <= high[1] + pad)
    corners = np.column_stack([base["i"], base["j"], base["k"]])
    kept = corners[near[corners].any(axis=1)]
    return {**base, **{name: kept[:, axis].tolist() for axis, name in enumerate("ijk")}}


def change_drawing(first: Arrays, second: Arrays, band_m: float, units: Units, name: str) -> SafeString:
    """The map of change. The volumes beside it are not taken from it."""
    sheet = change_sheet(first, second, band_m)
    return mark_safe(change_map(sheet, ruler=ruler_of(units), name=name))  # noqa: S308  escaped by the drawing


def change_sheet(first: Arrays, second: Arrays, band_m: float) -> ChangeSheet:
    """What came and went, on a grid fine enough for the eye."""
    rings = [arrays["edge"] + arrays["origin"] for arrays in (first, second)]
    easts, norths, nodes = _nodes(rings)
    tops, bases = (
        [_heights(arrays, which, nodes) for arrays in (first, second)] for which in ("top", "base")
    )
    before = np.where(np.isfinite(tops[0]), tops[0], bases[1])
    after = np.where(np.isfinite(tops[1]), tops[1], bases[0])
    neither = ~np.isfinite(tops[0]) & ~np.isfinite(tops[1])
    change = np.where(neither, 0.0, after - before).reshape(len(norths), len(easts))
    return ChangeSheet(easts, norths, change, band_m, *rings)


def base_sheet(first: Arrays, second: Arrays, band_m: float) -> ChangeSheet:
    """Second base over first, on the ground that both surveys reach."""
    rings = [arrays["edge"] + arrays["origin"] for arrays in (first, second)]
    easts, norths, nodes = _nodes(rings)
    before, after = (_heights(arrays, "base", nodes) for arrays in (first, second))
    change = (after - before).reshape(len(norths), len(easts))
    return ChangeSheet(easts, norths, change, band_m, *rings, words=("lowered", "raised"))


def thickness_sheet(arrays: Arrays) -> ThicknessSheet:
    """Top over base, on a grid fine enough for the eye."""
    ring = arrays["edge"] + arrays["origin"]
    easts, norths, nodes = _nodes([ring])
    thick = _heights(arrays, "top", nodes) - _heights(arrays, "base", nodes)
    return ThicknessSheet(easts, norths, thick.reshape(len(norths), len(easts)), ring)


def _nodes(rings: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Eastings, northings and all nodes of a grid over some rings, with a cell to spare."""
    places = np.vstack(rings)
    low, high = places.min(axis=0), places.max(axis=0)
    step = float(max(high - low)) / GRID_CELLS
    easts = np.arange(low[0] - step, high[0] + 2 * step, step)
    norths = np.arange(low[1] - step, high[1] + 2 * step, step)
    return easts, norths, np.column_stack([axis.ravel() for axis in np.meshgrid(easts, norths)])


def _heights(arrays: Arrays, which: str, nodes_m: np.ndarray) -> np.ndarray:
    soup = arrays[f"{which}_vertices"][arrays[f"{which}_triangles"]]
    return heights_at(indexed(soup), np.ascontiguousarray(nodes_m - arrays["origin"]))
