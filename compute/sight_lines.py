"""What can be seen from where, over a pile on its ground. Only the pile hides: the ground around it is taken
as open, since nothing is known of what stands there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from compute.records import FloatArray, Surface
from compute.surface import heights_at

STEP_M = 0.5
"""A sight is looked at every so far; the shape of a pile between is at most a shot's spacing."""
RASTER_M, MOST_NODES = 0.25, 1000
MOST_STEPS = 400
CLEAR_M = 0.05
"""A sight that passes closer than this over the surface is taken as blocked. Common practice, no source."""


@dataclass(frozen=True)
class Terrain:
    """A pile and the ground around it, local frame. `growth` multiplies heights over the ground, so that the
    pile can be looked at as it stands (1) or at a permitted height."""

    top: Surface
    base: Surface | None
    level_m: float
    growth: float = 1.0

    def ground_at(self, xy: FloatArray) -> FloatArray:
        """Heights of the pad: the base where it reaches, the level elsewhere."""
        flat = np.full(len(xy), self.level_m)
        if self.base is None:
            return flat
        known = heights_at(self.base, xy)
        return np.where(np.isfinite(known), known, flat)

    def height_at(self, xy: FloatArray) -> FloatArray:
        """Heights of pile or pad."""
        ground = self.ground_at(xy)
        pile = heights_at(self.top, xy)
        grown = ground + (pile - ground) * self.growth
        return np.where(np.isfinite(pile), np.maximum(grown, ground), ground)

    @cached_property
    def raster(self) -> _Raster:
        """The same heights for millions of questions: a sight asks a hundred times."""
        low, high = self.top.vertices_m[:, :2].min(axis=0), self.top.vertices_m[:, :2].max(axis=0)
        side = max(RASTER_M, float((high - low).max()) / MOST_NODES)
        columns, rows = (int(n) for n in np.ceil((high - low) / side) + 2)
        x, y = low[0] + side * np.arange(columns), low[1] + side * np.arange(rows)
        nodes = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        return _Raster(low, side, self.height_at(nodes).reshape(columns, rows))


@dataclass(frozen=True)
class _Raster:
    """Heights on a square grid over the pile's extent, read between its nodes."""

    low: FloatArray
    side_m: float
    z: FloatArray

    def height_at(self, xy: FloatArray) -> FloatArray:
        u = np.clip((xy - self.low) / self.side_m, 0.0, np.array(self.z.shape) - 1.000001)
        i = u.astype(np.int64)
        f = u - i
        east = self.z[i[:, 0], i[:, 1]] * (1.0 - f[:, 0]) + self.z[i[:, 0] + 1, i[:, 1]] * f[:, 0]
        more = self.z[i[:, 0], i[:, 1] + 1] * (1.0 - f[:, 0]) + self.z[i[:, 0] + 1, i[:, 1] + 1] * f[:, 0]
        return np.asarray(east * (1.0 - f[:, 1]) + more * f[:, 1])


def sees(terrain: Terrain, eye_m: FloatArray, targets_m: FloatArray, longest_m: float) -> NDArray[np.bool_]:
    """(K,) whether the sights from `eye_m` (3,) to `targets_m` (K, 3) are clear and no longer than
    allowed."""
    away = np.hypot(targets_m[:, 0] - eye_m[0], targets_m[:, 1] - eye_m[1])
    near = away <= longest_m
    clear = np.zeros(len(targets_m), bool)
    if not near.any():
        return clear
    chosen = targets_m[near]
    start, end = _over_pile(terrain.top, eye_m, chosen)
    length = np.hypot(*(chosen[:, :2] - eye_m[:2]).T) * (end - start)
    steps = min(max(8, math.ceil(float(length.max()) / STEP_M)), MOST_STEPS)
    # Middles of the steps: at neither end, where the sight is over the surface by instrument or pole.
    share = start[:, None] + (np.arange(steps) + 0.5) / steps * (end - start)[:, None]
    along = eye_m[None, None, :] + share[:, :, None] * (chosen - eye_m)[:, None, :]
    flat = along.reshape(-1, 3)
    over = (flat[:, 2] - terrain.raster.height_at(flat[:, :2])).reshape(len(chosen), steps)
    over[start == end] = np.inf
    clear[near] = (over > CLEAR_M).all(axis=1)
    return clear


def _over_pile(top: Surface, eye: FloatArray, targets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(K,) shares of each sight at which it comes over the pile's extent and leaves it; equal where it never
    does."""
    low, high = top.vertices_m[:, :2].min(axis=0), top.vertices_m[:, :2].max(axis=0)
    step = targets[:, :2] - eye[:2]
    safe = np.where(np.abs(step) < 1e-12, 1e-12, step)
    first, second = (low - eye[:2]) / safe, (high - eye[:2]) / safe
    start = np.clip(np.minimum(first, second).max(axis=1), 0.0, 1.0)
    end = np.clip(np.maximum(first, second).min(axis=1), 0.0, 1.0)
    return start, np.maximum(start, end)


def growth_to(top_heights_m: FloatArray, level_m: float, permitted_height_m: float | None) -> float:
    """How much higher a pile may become, as a factor of its heights; 1 where it is as high already."""
    height = float(top_heights_m.max()) - level_m
    if permitted_height_m is None or height <= 0.0 or not math.isfinite(permitted_height_m):
        return 1.0
    return max(1.0, permitted_height_m / height)
