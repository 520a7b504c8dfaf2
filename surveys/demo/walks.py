"""Where a crew puts its pole on a heap: toe, wall, crest and breakline strings, spots and floor.

Plan positions only, in the site frame, metres, each kind in the order of walking it round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from surveys.demo.shapes import BayFill, Body, Heap, Ramp

FloatArray = NDArray[np.float64]

TOE_STEP_M = 3.8
CREST_STEP_M = 3.2
BREAK_STEP_M = 3.4
WALL_STEP_M = 2.6
SHORT_RIM = 9
"""A rim of so few shots is taken from one set-up."""
RAYS = 1440
SPOT_FROM_M = 0.7
"""A spot closer to the toe than this thickness of material says nothing that the toe does not say."""
FLAT_BELOW = 0.35
"""Tangent of slope below which a place counts as flat and spots stand wider."""


@dataclass(frozen=True)
class Walk:
    """One string or one field of places. `places_m` (K, 2), in the order of walking.

    closed    : the last place is followed by the first
    from_one  : short enough to be taken from a single set-up
    """

    code: str
    places_m: FloatArray
    closed: bool = False
    from_one: bool = False

    @property
    def is_string(self) -> bool:
        """Whether the crew numbers its shots as a line."""
        return self.code in ("CRS", "BRK", "WAL")


def walks_over(
    heap: Heap, spots_m: float, tops_m: float, rng: np.random.Generator
) -> tuple[tuple[Walk, ...], FloatArray]:
    """Everything that shows the heap, and (K, 2) places on the bare floor around it."""
    toe = toe_walk(heap, rng)
    strings = [toe, *wall_walk(heap), *crest_walks(heap), *break_walks(heap)]
    taken = np.concatenate([walk.places_m for walk in strings])
    spots = spot_walk(heap, spots_m, tops_m, taken, rng)
    return (*strings, spots), floor_places(heap, rng)


# --- toe and walls ---------------------------------------------------------------------------------


def toe_line(heap: Heap) -> FloatArray:
    """(K, 2) dense true toe, counter-clockwise; with walls only the free part between them."""
    if heap.walls_m is not None:
        return _front_toe(heap)
    bearing = np.arange(RAYS) * (2.0 * np.pi / RAYS)
    radius = heap.toe_radius_m(bearing)
    return heap.centre_m + radius[:, None] * np.stack([np.cos(bearing), np.sin(bearing)], axis=1)


def _front_toe(heap: Heap) -> FloatArray:
    """The toe across the opening of a bay, west to east."""
    assert heap.walls_m is not None
    (west, south), (east, north) = heap.walls_m.min(axis=0), heap.walls_m.max(axis=0)
    e = np.linspace(west + 0.02, east - 0.02, 400)
    low, high = np.full_like(e, south - 1.0), np.full_like(e, 0.5 * (south + north))
    for _ in range(40):
        middle = 0.5 * (low + high)
        covered = heap.thickness_m(e, middle) > 0.0
        low, high = np.where(covered, low, middle), np.where(covered, middle, high)
    return np.stack([e, 0.5 * (low + high)], axis=1)


def toe_walk(heap: Heap, rng: np.random.Generator) -> Walk:
    """Toe shots at an even step with some freedom, and one at each sharp corner."""
    dense = toe_line(heap)
    closed = heap.walls_m is None
    places = along(dense, TOE_STEP_M, closed, rng)
    return Walk("TOE", places, closed)


def wall_walk(heap: Heap) -> tuple[Walk, ...]:
    """Contact of the material on the walls, from the west end of the opening round to the east end."""
    if heap.walls_m is None:
        return ()
    places = along(heap.walls_m, WALL_STEP_M, closed=False, rng=None, keep_corners=True)
    # The pole stands a hand off the wall.
    inward = np.sign(heap.centre_m - places) * np.minimum(0.03, np.abs(heap.centre_m - places))
    on_wall = places + np.where(_is_on_wall(places, heap.walls_m), inward, 0.0)
    covered = heap.thickness_m(on_wall[:, 0], on_wall[:, 1]) > 0.15
    return (Walk("WAL", on_wall[covered]),)


def _is_on_wall(places: FloatArray, walls_m: FloatArray) -> NDArray[np.bool_]:
    low, high = walls_m.min(axis=0), walls_m.max(axis=0)
    return (np.abs(places - low) < 1e-6) | (np.abs(places - high) < 1e-6)


def along(
    line_m: FloatArray,
    step_m: float,
    closed: bool,
    rng: np.random.Generator | None,
    keep_corners: bool = False,
) -> FloatArray:
    """Places along a polyline about every `step_m`; both ends (or corners) kept on an open one."""
    if keep_corners:
        parts = [along(line_m[i : i + 2], step_m, False, rng) for i in range(line_m.shape[0] - 1)]
        return np.concatenate([parts[0], *(part[1:] for part in parts[1:])])
    ring = np.concatenate([line_m, line_m[:1]]) if closed else line_m
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    count = max(int(np.ceil(length[-1] / step_m)), 1)
    at = np.linspace(0.0, length[-1], count + 1)
    if closed:
        at = at[:-1]
    if rng is not None:
        shake = rng.uniform(-0.18, 0.18, at.size) * step_m
        if not closed:
            shake[[0, -1]] = 0.0
        at = np.clip(at + shake, 0.0, length[-1])
    return np.stack([np.interp(at, length, ring[:, axis]) for axis in (0, 1)], axis=1)


# --- crest and breaklines --------------------------------------------------------------------------


def crest_walks(heap: Heap) -> tuple[Walk, ...]:
    """A crest for each body: its line, or the rim of its flat top."""
    walks: list[Walk] = []
    for body in heap.bodies:
        if isinstance(body, Ramp):
            continue
        places = _bay_crest(body) if isinstance(body, BayFill) else _rim(body)
        bare = places[_is_topmost(heap, body, places)]
        if bare.shape[0] >= 3:
            is_rim = isinstance(body, Body) and not _is_sharp(body)
            walks.append(Walk("CRS", bare, closed=is_rim, from_one=not is_rim or len(bare) <= SHORT_RIM))
    return tuple(walks)


def _rim(body: Body) -> FloatArray:
    """The crest line of a sharp ridge, else a ring around the top that stays open at its start."""
    if _is_sharp(body):
        return along(body.core_m, CREST_STEP_M, closed=False, rng=None, keep_corners=True)
    out_m = body.flat_m + 0.5 * body.round_m
    ring = _offset_ring(body.core_m, out_m)
    step_m = min(CREST_STEP_M, 2.0 * np.pi * out_m / 6.0)
    return along(ring, step_m, closed=True, rng=None)


def _is_sharp(body: Body) -> bool:
    """A ridge without a flat top."""
    return body.core_m.shape[0] > 1 and body.flat_m < 1.0


def _offset_ring(core_m: FloatArray, out_m: float) -> FloatArray:
    """Counter-clockwise line at a distance around a point or a straight line."""
    if core_m.shape[0] == 1:
        turn = np.linspace(0.0, 2.0 * np.pi, 73)[:-1]
        return core_m[0] + out_m * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    first, last = core_m[0], core_m[-1]
    heading = float(np.arctan2(last[1] - first[1], last[0] - first[0]))
    half = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 37)
    front = last + out_m * np.stack([np.cos(heading + half), np.sin(heading + half)], axis=1)
    back = first - out_m * np.stack([np.cos(heading + half), np.sin(heading + half)], axis=1)
    return np.concatenate([front, back])


def _bay_crest(fill: BayFill) -> FloatArray:
    """Where the level back part breaks off towards the opening."""
    e = np.linspace(fill.west_m + 1.5, fill.east_m - 1.5, 10)
    aside = (e - 0.5 * (fill.west_m + fill.east_m)) / (0.5 * (fill.east_m - fill.west_m))
    top = fill.crest_m - fill.side_fall_m * aside**2
    return np.stack([e, fill.front_m + 1.2 * aside**2 + (top - fill.floor_m) / fill.slope], axis=1)


def _is_topmost(heap: Heap, body: Body | Ramp | BayFill, places: FloatArray) -> NDArray[np.bool_]:
    e, n = places[:, 0], places[:, 1]
    own = body.height_m(e, n)
    others = [other.height_m(e, n) for other in heap.bodies if other is not body]
    return np.all([own >= other - 0.02 for other in others], axis=0) if others else np.ones(e.shape, bool)


def break_walks(heap: Heap) -> tuple[Walk, ...]:
    """Road edges of ramps, then the valleys between bodies that run into each other."""
    walks: list[Walk] = []
    bodies = heap.bodies
    for ramp in bodies:
        if isinstance(ramp, Ramp):
            walks += [Walk("BRK", places, from_one=True) for places in _road_edges(heap, ramp)]
    cones = [body for body in bodies if isinstance(body, Body)]
    for second in range(1, len(cones)):
        for first in range(second):
            places = _valley(heap, cones[first], cones[second])
            if places.shape[0] >= 3:
                walks.append(Walk("BRK", places, from_one=True))
    return tuple(walks)


def _road_edges(heap: Heap, ramp: Ramp) -> list[FloatArray]:
    """Both edges from the flat top down to the ground, where the road is the surface."""
    downhill, across = ramp.axes()
    edges = []
    for side in (-1.0, 1.0):
        down = np.arange(1.5, 60.0, BREAK_STEP_M)
        places = ramp.top_m + down[:, None] * downhill + side * ramp.half_width_m * across
        thick = heap.thickness_m(places[:, 0], places[:, 1])
        edges.append(places[_is_topmost(heap, ramp, places) & (thick > 0.3)])
    return edges


def _valley(heap: Heap, first: Body, second: Body) -> FloatArray:
    """Places where two bodies are equally high, are the surface, and are above the ground."""
    start, end = first.core_m[0], second.core_m[0]
    gap_m = float(np.hypot(*(end - start)))
    axis = (end - start) / gap_m
    across = np.array([-axis[1], axis[0]])
    aside = np.arange(-36.0, 36.1, BREAK_STEP_M)
    low, high = np.zeros_like(aside), np.full_like(aside, gap_m)

    def places(at: FloatArray) -> FloatArray:
        return start + at[:, None] * axis + aside[:, None] * across

    for _ in range(40):
        middle = 0.5 * (low + high)
        e, n = places(middle).T
        nearer_first = first.height_m(e, n) > second.height_m(e, n)
        low, high = np.where(nearer_first, middle, low), np.where(nearer_first, high, middle)
    found = places(0.5 * (low + high))
    thick = heap.thickness_m(found[:, 0], found[:, 1])
    apart = np.abs(first.height_m(*found.T) - second.height_m(*found.T)) < 0.05
    keep = (thick > 0.4) & apart & _is_topmost(heap, first, found)
    return found[keep]


# --- spots and floor -------------------------------------------------------------------------------


def spot_walk(
    heap: Heap, spots_m: float, tops_m: float, taken_m: FloatArray, rng: np.random.Generator
) -> Walk:
    """Shaken triangular grids over faces and flat parts, clear of what is shot already."""
    kept = []
    for step_m, wants_flat in ((spots_m, False), (tops_m, True)):
        grid = _grid(heap, step_m, rng)
        flat = _slope(heap, grid) < FLAT_BELOW
        thick = heap.thickness_m(grid[:, 0], grid[:, 1])
        inside = (thick > SPOT_FROM_M) & heap.within_walls(grid[:, 0], grid[:, 1])
        kept.append(grid[inside & (flat == wants_flat)])
    spots = np.concatenate(kept)
    if heap.walls_m is not None:
        low, high = heap.walls_m.min(axis=0), heap.walls_m.max(axis=0)
        spots = spots[np.all((spots > low + np.array([0.8, 0.0])) & (spots < high - 0.8), axis=1)]
    clear = np.array([np.min(np.hypot(*(taken_m - spot).T)) for spot in spots]) > 0.38 * spots_m
    spots = spots[clear]
    thick = heap.thickness_m(spots[:, 0], spots[:, 1])
    # Level by level, one way round and back: that is how people walk a face.
    level = np.floor(thick / 2.5).astype(int)
    bearing = np.arctan2(*(spots - heap.centre_m).T[::-1])
    order = np.lexsort((np.where(level % 2 == 0, bearing, -bearing), level))
    return Walk("SPT", spots[order])


def _grid(heap: Heap, step_m: float, rng: np.random.Generator) -> FloatArray:
    count = int(np.ceil(heap.reach_m / step_m))
    column, row = np.meshgrid(np.arange(-count, count + 1), np.arange(-count, count + 1))
    e = (column + 0.5 * (row % 2)) * step_m
    n = row * step_m * 0.866
    grid = heap.centre_m + np.stack([e.ravel(), n.ravel()], axis=1)
    return grid + rng.uniform(-0.22, 0.22, grid.shape) * step_m


def _slope(heap: Heap, places: FloatArray) -> FloatArray:
    """(K,) tangent of the slope at each place, over half a metre."""
    e, n = places.T
    reach = 0.25
    east = heap.thickness_m(e + reach, n) - heap.thickness_m(e - reach, n)
    north = heap.thickness_m(e, n + reach) - heap.thickness_m(e, n - reach)
    return np.hypot(east, north) / (2.0 * reach)


def floor_places(heap: Heap, rng: np.random.Generator) -> FloatArray:
    """(K, 2) places on the bare floor 2–4 m outside the toe, all round or in front of the opening."""
    if heap.walls_m is not None:
        toe = _front_toe(heap)[25::70]
        return toe - np.stack([np.zeros(len(toe)), rng.uniform(2.0, 3.5, len(toe))], axis=1)
    toe = toe_line(heap)[:: RAYS // 8]
    out = toe - heap.centre_m
    far_m = np.hypot(*out.T)[:, None]
    return toe + out / far_m * rng.uniform(2.0, 4.0, (len(toe), 1))
