"""Where the material truly lies: heaps as height fields over their pads.

A heap is the upper envelope of bodies of loose material. Each body falls off from a core (a point, a
line, with or without a flat top around it) at its angle of repose; a ramp is a sloping road with sides.
That is what tipping, stacking and trimming leave behind. Frame: site frame, metres, z up.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from surveys.demo.ground import Pad

FloatArray = NDArray[np.float64]

RELIEF_M = 0.04
"""Amplitude of ruts and gullies on the faces."""
RELIEF_FADE_M = 1.5
"""Thickness of material over which the relief fades out towards the toe."""


def nearest_on_line(line_m: FloatArray, e_m: FloatArray, n_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nearest points (same shape as e_m) of a polyline of K ≥ 1 vertices `line_m` (K, 2)."""
    if line_m.shape[0] == 1:
        return np.full_like(e_m, line_m[0, 0]), np.full_like(n_m, line_m[0, 1])
    best = np.full(e_m.shape, np.inf)
    near_e, near_n = np.zeros_like(e_m), np.zeros_like(n_m)
    for (e0, n0), (e1, n1) in itertools.pairwise(line_m):
        de, dn = e1 - e0, n1 - n0
        along = np.clip(((e_m - e0) * de + (n_m - n0) * dn) / (de * de + dn * dn), 0.0, 1.0)
        fe, fn = e0 + along * de, n0 + along * dn
        squared = (e_m - fe) ** 2 + (n_m - fn) ** 2
        closer = squared < best
        best = np.where(closer, squared, best)
        near_e, near_n = np.where(closer, fe, near_e), np.where(closer, fn, near_n)
    return near_e, near_n


@dataclass(frozen=True)
class Body:
    """Material falling off from a core.

    core_m   : (K, 2) polyline the material was tipped along; one vertex for a cone
    crest_m  : elevation of the top
    slope    : tangent of the angle of repose
    flat_m   : half-width of the flat top around the core
    round_m  : how much the crest is rounded off
    sway     : ((amplitude, waves, phase), …): the slope varies with direction, so no two sides are alike
    """

    core_m: FloatArray
    crest_m: float
    slope: float
    flat_m: float = 0.0
    round_m: float = 0.8
    sway: tuple[tuple[float, int, float], ...] = ()

    def height_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        near_e, near_n = nearest_on_line(self.core_m, e_m, n_m)
        de, dn = e_m - near_e, n_m - near_n
        beyond = np.maximum(np.hypot(de, dn) - self.flat_m, 0.0)
        slope = self.slope * self._direction_factor(de, dn)
        return self.crest_m - slope * (np.sqrt(beyond**2 + self.round_m**2) - self.round_m)

    def _direction_factor(self, de: FloatArray, dn: FloatArray) -> FloatArray:
        factor = np.ones_like(de)
        if self.sway:
            bearing = np.arctan2(dn, de)
            for amplitude, waves, phase in self.sway:
                factor = factor + amplitude * np.cos(waves * bearing + phase)
        return factor


@dataclass(frozen=True)
class Ramp:
    """A road from the top down to the ground, with loose sides.

    top_m : (2,) plan position where it leaves the top; heading_rad counter-clockwise from east, downhill
    grade : fall per metre along it; half_width_m of the road; slope of its sides
    """

    top_m: FloatArray
    heading_rad: float
    crest_m: float
    grade: float
    half_width_m: float
    slope: float

    def axes(self) -> tuple[FloatArray, FloatArray]:
        """Unit vectors along (downhill) and across."""
        along = np.array([np.cos(self.heading_rad), np.sin(self.heading_rad)])
        return along, np.array([-along[1], along[0]])

    def height_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        along, across = self.axes()
        de, dn = e_m - self.top_m[0], n_m - self.top_m[1]
        down = de * along[0] + dn * along[1]
        aside = np.abs(de * across[0] + dn * across[1])
        road = self.crest_m - self.grade * np.maximum(down, 0.0)
        # Behind its head the ramp ends under the flat top; without this it would run on through the heap.
        behind = self.slope * np.maximum(-down, 0.0)
        return road - behind - self.slope * np.maximum(aside - self.half_width_m, 0.0)


@dataclass(frozen=True)
class BayFill:
    """Material pushed into a bay open to the south: level at the back, falling to the front toe.

    The walls stop it at the sides and the back; the highest part is in the middle of the width.
    """

    west_m: float
    east_m: float
    front_m: float
    back_m: float
    crest_m: float
    floor_m: float
    slope: float
    side_fall_m: float

    def height_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        middle = 0.5 * (self.west_m + self.east_m)
        aside = (e_m - middle) / (0.5 * (self.east_m - self.west_m))
        top = self.crest_m - self.side_fall_m * aside**2
        # The front toe bows out in the middle of the opening, as pushed material does.
        toe_n = self.front_m + 1.2 * aside**2
        front = self.floor_m + self.slope * (n_m - toe_n)
        soft = 0.6
        gap = np.hypot(top - front, soft)
        return 0.5 * (top + front - gap)


@dataclass(frozen=True)
class Heap:
    """One pile on one day: bodies over a pad. The true surface of the demo.

    centre_m     : (2,) a place inside, from which the whole toe can be seen (the heap is star-shaped)
    reach_m      : no material lies farther than this from the centre
    walls_m      : (K, 2) foot line of walls, or None
    """

    pad: Pad
    bodies: tuple[Body | Ramp | BayFill, ...]
    centre_m: FloatArray
    reach_m: float
    walls_m: FloatArray | None = None
    relief_phase: float = field(default=0.0)

    def thickness_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        """(…) height of material over the pad; negative outside the toe. Walls are not asked."""
        e_m, n_m = np.asarray(e_m, np.float64), np.asarray(n_m, np.float64)
        top = self.bodies[0].height_m(e_m, n_m)
        for body in self.bodies[1:]:
            top = np.maximum(top, body.height_m(e_m, n_m))
        thick = top - self.pad.height_m(e_m, n_m)
        fade = np.clip(thick / RELIEF_FADE_M, 0.0, 1.0)
        ruts = np.sin(0.83 * e_m + 0.31 * n_m + self.relief_phase) * np.sin(0.27 * e_m - 0.71 * n_m)
        return thick + RELIEF_M * fade * ruts

    def surface_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        """(…) elevation that a pole would find: material where there is any, else the pad."""
        inside = self.within_walls(e_m, n_m)
        return self.pad.height_m(e_m, n_m) + np.where(
            inside, np.maximum(self.thickness_m(e_m, n_m), 0.0), 0.0
        )

    def within_walls(self, e_m: FloatArray, n_m: FloatArray) -> NDArray[np.bool_]:
        """True where no wall stops the material."""
        if self.walls_m is None:
            return np.ones(np.shape(e_m), dtype=bool)
        (west, south), (east, north) = self.walls_m.min(axis=0), self.walls_m.max(axis=0)
        return (e_m >= west) & (e_m <= east) & (n_m >= south) & (n_m <= north)

    def toe_radius_m(self, bearing_rad: FloatArray) -> FloatArray:
        """(K,) distance from the centre to the toe in each direction (counter-clockwise from east).

        Where a wall is met first, the distance to the wall.
        """
        inner = np.zeros_like(bearing_rad)
        outer = np.full_like(bearing_rad, self.reach_m)
        for _ in range(34):
            middle = 0.5 * (inner + outer)
            e = self.centre_m[0] + middle * np.cos(bearing_rad)
            n = self.centre_m[1] + middle * np.sin(bearing_rad)
            inside = (self.thickness_m(e, n) > 0.0) & self.within_walls(e, n)
            inner, outer = np.where(inside, middle, inner), np.where(inside, outer, middle)
        return 0.5 * (inner + outer)

    def integral(self, cell_m: float) -> tuple[float, float]:
        """Volume (m³) of material over the pad and footprint (m²), by midpoints of a square grid.

        The footprint counts cells at the toe in part, so that it moves smoothly with the size.
        """
        count = int(np.ceil(2.0 * self.reach_m / cell_m))
        if self.walls_m is None:
            axis = (np.arange(count) + 0.5 - 0.5 * count) * cell_m
            e, n = np.meshgrid(self.centre_m[0] + axis, self.centre_m[1] + axis)
            area = cell_m * cell_m
        else:
            (west, south), (east, north) = self.walls_m.min(axis=0), self.walls_m.max(axis=0)
            across, deep = round((east - west) / cell_m), round((north - south) / cell_m)
            e_axis = west + (np.arange(across) + 0.5) * (east - west) / across
            n_axis = south + (np.arange(deep) + 0.5) * (north - south) / deep
            e, n = np.meshgrid(e_axis, n_axis)
            area = (east - west) / across * (north - south) / deep
        thick = self.thickness_m(e, n)
        part = np.clip(thick / (0.7 * cell_m) + 0.5, 0.0, 1.0)
        return float(np.maximum(thick, 0.0).sum() * area), float(part.sum() * area)


def line(*points: Sequence[float]) -> FloatArray:
    """(K, 2) array of plan positions."""
    return np.array(points, dtype=np.float64)
