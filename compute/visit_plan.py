"""A plan for the next visit: where to set up so that every face of the pile is seen, and how many shots to
take.

Stations are looked for on the ground around the pile. Faces are seen on the pile at its permitted height,
since a growing pile cuts sights; stations see each other over the pile as it stands. A greedy cover is
improved by exchanging single stations. Nothing is random: the same pile gives the same plan.

The plan knows the pile and the areas it was told to keep off, and nothing else of the yard. It does not judge
whether ground is safe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.errors import BadOption, NothingToMeasure
from compute.records import FloatArray, Surface
from compute.sight_lines import Terrain, growth_to, sees
from compute.station_choice import Places, choose
from compute.surface import heights_at

INSTRUMENT_M = 1.6
POLE_M = 1.8
LONGEST_M = 200.0
MARGIN_M = 6.0
"""Usual heights of instrument and pole, sights under 200 m, and a stand-off from the toe. Common practice, no
source; the stand-off is for the sight, not for safety: the site's own rule comes first."""
FEWEST, MOST = 3, 8
CELLS = 300
RINGS = (0.0, 0.5, 1.0, 1.75)
"""Candidate stations stand on rings at the margin and beyond it by these shares of the pile's width."""
AROUND = 36

CAUTIONS = (
    "The plan does not judge whether ground is safe: keep to the site's rules, out of the way of machines, "
    "and never under a face or on material that may be drawn from below.",
    "Walk or climb a pile only where the site's rules and a competent person allow it; a face that cannot be "
    "reached is stated on the certificate, not guessed.",
    "Before setting up, see that the ground is not tipped on, driven on or blasted, and that nothing was "
    "built "
    "or piled since the last survey.",
)


@dataclass(frozen=True)
class VisitRequest:
    """The last surface of a pile, local frame, metres.

    top, base          : surfaces; `base` None for a level pad at the mean height of the ring
    ring_m             : (M, 2) toe or outer edge
    permitted_height_m : over the pad; None: as it stands
    no_go_m            : rings that no station may stand in (neighbours, roads, faces)
    margin_m           : stand-off from the toe and from the rings
    """

    top: Surface
    ring_m: FloatArray
    base: Surface | None = None
    permitted_height_m: float | None = None
    no_go_m: tuple[FloatArray, ...] = ()
    margin_m: float = MARGIN_M
    longest_m: float = LONGEST_M
    instrument_m: float = INSTRUMENT_M
    pole_m: float = POLE_M


@dataclass(frozen=True)
class PlannedStation:
    """`sees`: other stations seen over the pile as it stands; `sees_grown`: at its permitted height.
    `seen_m2`: plan area of the pile seen from it, at the permitted height."""

    name: str
    x_m: float
    y_m: float
    z_m: float
    sees: tuple[str, ...]
    sees_grown: tuple[str, ...]
    seen_m2: float
    longest_sight_m: float


@dataclass(frozen=True)
class VisitPlan:
    """hidden_m2, hidden_share : plan area of the pile that no station sees, and its share
    twice_share : share seen from two stations or more, where set-ups can be compared
    hidden_at_m : (H, 2) middles of the cells that stay hidden
    short_of_two: stations that see fewer than two others
    """

    stations: tuple[PlannedStation, ...]
    hidden_m2: float
    hidden_share: float
    twice_share: float
    hidden_at_m: FloatArray
    short_of_two: tuple[str, ...]
    growth: float
    cautions: tuple[str, ...] = field(default=CAUTIONS)


def plan_visit(request: VisitRequest) -> VisitPlan:
    """Three to eight stations. Raises `BadOption` for values without sense and `NothingToMeasure` where no
    ground is left to stand on."""
    _check(request)
    ring = shapely.polygons(request.ring_m)
    rim = heights_at(request.top, request.ring_m)
    known = rim[np.isfinite(rim)]
    level = float(np.mean(known)) if len(known) else float(request.top.vertices_m[:, 2].min())
    growth = growth_to(request.top.vertices_m[:, 2], level, request.permitted_height_m)
    now = Terrain(request.top, request.base, level)
    grown = Terrain(request.top, request.base, level, growth)
    cells, cell_m2 = _cells(ring)
    targets = np.column_stack([cells, grown.height_at(cells) + request.pole_m])
    places = _candidates(request, ring)
    eyes = np.column_stack([places, now.ground_at(places) + request.instrument_m])
    seen = np.array([sees(grown, eye, targets, request.longest_m) for eye in eyes])
    others = _between(now, eyes, request)
    away = np.hypot(*(places[:, None, :] - cells[None, :, :]).transpose(2, 0, 1)).mean(axis=1)
    later = others if growth == 1.0 else _between(grown, eyes, request)
    chosen = choose(Places(seen, others, later, away), FEWEST, MOST)
    return _plan(chosen, eyes, request, targets, seen, others, later, cell_m2, growth)


def _check(request: VisitRequest) -> None:
    for name in ("margin_m", "longest_m", "instrument_m", "pole_m"):
        value = getattr(request, name)
        if not (math.isfinite(value) and value > 0.0):
            raise BadOption(f"{name} of {value} makes no sense.", where=name, remedy="Give metres above 0.")
    if request.permitted_height_m is not None and not 0.0 < request.permitted_height_m < 500.0:
        raise BadOption(
            f"{request.permitted_height_m} m is no permitted height.", where="permitted height",
            remedy="Give the height over the pad in metres, or leave it out.",
        )  # fmt: skip
    if len(request.ring_m) < 3 or not shapely.is_valid(shapely.polygons(request.ring_m)):
        raise BadOption("The outer edge of the pile is no simple ring.", where="outer edge")


def _cells(ring: shapely.Polygon) -> tuple[FloatArray, float]:
    """Middles of square cells inside the ring, and the plan area each stands for."""
    side = math.sqrt(ring.area / CELLS)
    low_x, low_y, high_x, high_y = ring.bounds
    grid = np.stack(
        np.meshgrid(np.arange(low_x + side / 2, high_x, side), np.arange(low_y + side / 2, high_y, side)),
        axis=-1,
    ).reshape(-1, 2)
    inside = grid[shapely.contains_xy(ring, grid[:, 0], grid[:, 1])]
    return inside, ring.area / max(len(inside), 1)


def _candidates(request: VisitRequest, ring: shapely.Polygon) -> FloatArray:
    """(C, 2) places around the pile, outside the margin and the forbidden rings."""
    width = math.sqrt(ring.area)
    kept_off = [shapely.polygons(r) for r in request.no_go_m]
    forbidden = shapely.unary_union([ring, *kept_off]).buffer(request.margin_m * 0.999)
    found = []
    for share in RINGS:
        line = ring.buffer(request.margin_m + share * width).exterior
        points = shapely.line_interpolate_point(line, np.arange(AROUND) / AROUND, normalized=True)
        found.append(shapely.get_coordinates(points))
    places = np.vstack(found)
    places = places[~shapely.contains_xy(forbidden, places[:, 0], places[:, 1])]
    if len(places) < FEWEST:
        raise NothingToMeasure(
            f"Only {len(places)} places around the pile are left to stand on; {FEWEST} stations are needed.",
            where="areas to keep off",
            remedy="Draw them smaller, or plan by hand.",
        )
    return np.asarray(places)


def _between(terrain: Terrain, eyes: FloatArray, request: VisitRequest) -> NDArray[np.bool_]:
    """(C, C) which stations see each other, instrument to a target at pole height; symmetrical."""
    targets = eyes.copy()
    targets[:, 2] += request.pole_m - request.instrument_m
    matrix = np.array([sees(terrain, eye, targets, request.longest_m) for eye in eyes])
    matrix &= matrix.T
    np.fill_diagonal(matrix, False)
    return matrix


def _plan(
    chosen: list[int], eyes: FloatArray, request: VisitRequest, targets: FloatArray,
    seen: NDArray[np.bool_], others: NDArray[np.bool_], later: NDArray[np.bool_], cell_m2: float,
    growth: float,
) -> VisitPlan:  # fmt: skip
    names = {c: f"P{i + 1}" for i, c in enumerate(chosen)}
    stations = []
    for c in chosen:
        away = np.hypot(*(targets[seen[c], :2] - eyes[c, :2]).T)
        stations.append(
            PlannedStation(
                names[c], float(eyes[c, 0]), float(eyes[c, 1]), float(eyes[c, 2] - request.instrument_m),
                tuple(names[o] for o in chosen if others[c, o]),
                tuple(names[o] for o in chosen if later[c, o]),
                cell_m2 * int(seen[c].sum()), float(away.max()) if len(away) else 0.0,
            )
        )  # fmt: skip
    times = seen[chosen].sum(axis=0)
    hidden = times == 0
    return VisitPlan(
        tuple(stations),
        cell_m2 * int(hidden.sum()),
        float(hidden.mean()),
        float((times >= 2).mean()),
        targets[hidden, :2].copy(),
        tuple(s.name for s in stations if len(s.sees) < 2),
        growth,
    )
