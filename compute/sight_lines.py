"""What can be seen from where, over a pile on its ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from compute.records import FloatArray, Surface
from compute.surface import heights_at

STEP_M = 0.5
"""A sight is looked at every so far; the shape of a pile between is at most a shot's spacing."""
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
        low, high = self.top.vertices_m[:, :2].min(axis=0), self.top.vertices_m[:, :2].max(axis=0)
        near = ((xy >= low) & (xy <= high)).all(axis=1)
        pile = np.full(len(xy), np.nan)
        pile[near] = heights_at(self.top, xy[near])
        grown = ground + (pile - ground) * self.growth
        return np.where(np.isfinite(pile), np.maximum(grown, ground), ground)


def sees(terrain: Terrain, eye_m: FloatArray, targets_m: FloatArray, longest_m: float) -> NDArray[np.bool_]:
    """(K,) whether the sights from `eye_m` (3,) to `targets_m` (K, 3) are clear and no longer than
    allowed."""
    away = np.hypot(targets_m[:, 0] - eye_m[0], targets_m[:, 1] - eye_m[1])
    near = away <= longest_m
    clear = np.zeros(len(targets_m), bool)
    if not near.any():
        return clear
    chosen = targets_m[near]
    steps = max(8, math.ceil(float(away[near].max()) / STEP_M))
    # Neither end itself: there the sight is over the surface by the height of the instrument or pole.
    share = (np.arange(1, steps) / steps)[None, :, None]
    along = eye_m[None, None, :] + share * (chosen[:, None, :] - eye_m[None, None, :])
    flat = along.reshape(-1, 3)
    over = (flat[:, 2] - terrain.height_at(flat[:, :2])).reshape(len(chosen), steps - 1)
    clear[near] = (over > CLEAR_M).all(axis=1)
    return clear


def growth_to(top_heights_m: FloatArray, level_m: float, permitted_height_m: float | None) -> float:
    """How much higher a pile may become, as a factor of its heights; 1 where it is as high already."""
    height = float(top_heights_m.max()) - level_m
    if permitted_height_m is None or height <= 0.0 or not math.isfinite(permitted_height_m):
        return 1.0
    return max(1.0, permitted_height_m / height)
