"""The flat-topped ridge that the spacing and uncertainty figures are worked on, and small solids.

Own arithmetic, not published: slope 36°, 72 m × 32 m toe to toe, crest 11 m inside the toe, so 7.99 m
high; footprint 40 · 32 + π · 16² = 2,084 m²; toe length 2 · 40 + 2 · π · 16 = 181 m. Its volume is a
prism of trapezoidal section 40 m long plus a cone frustum: 9,735 m³.
"""

from __future__ import annotations

import math

import numpy as np

from compute.records import Edge, FloatArray, Surface
from compute.surface import make_edge
from compute.triangulate import triangulate

HALF_STRAIGHT_M = 20.0
TOE_RADIUS_M = 16.0
CREST_RADIUS_M = 5.0
TAN_SLOPE = math.tan(math.radians(36.0))
HEIGHT_M = (TOE_RADIUS_M - CREST_RADIUS_M) * TAN_SLOPE
AREA_M2 = 4 * HALF_STRAIGHT_M * TOE_RADIUS_M + math.pi * TOE_RADIUS_M**2
TOE_LENGTH_M = 4 * HALF_STRAIGHT_M + 2 * math.pi * TOE_RADIUS_M
VOLUME_M3 = 2 * HALF_STRAIGHT_M * (TOE_RADIUS_M + CREST_RADIUS_M) * HEIGHT_M + math.pi * HEIGHT_M / 3 * (
    TOE_RADIUS_M**2 + TOE_RADIUS_M * CREST_RADIUS_M + CREST_RADIUS_M**2
)


def height_m(x: FloatArray, y: FloatArray) -> FloatArray:
    """True height of the pile over a level pad at zero."""
    outside = np.hypot(np.maximum(np.abs(x) - HALF_STRAIGHT_M, 0.0), y)
    return np.clip((TOE_RADIUS_M - outside) * TAN_SLOPE, 0.0, HEIGHT_M)


def stadium(radius_m: float, spacing_m: float, phase: float = 0.0) -> FloatArray:
    """Points (K, 2) along the outline at even spacing, counter-clockwise."""
    length = 4 * HALF_STRAIGHT_M + 2 * math.pi * radius_m
    count = max(8, round(length / spacing_m))
    s = (np.arange(count) + phase) * length / count % length
    straight, turn = 2 * HALF_STRAIGHT_M, math.pi * radius_m
    out = np.empty((count, 2))
    for i, d in enumerate(s):
        if d < straight:
            out[i] = d - HALF_STRAIGHT_M, -radius_m
        elif d < straight + turn:
            a = (d - straight) / radius_m - math.pi / 2
            out[i] = HALF_STRAIGHT_M + radius_m * math.cos(a), radius_m * math.sin(a)
        elif d < 2 * straight + turn:
            out[i] = HALF_STRAIGHT_M - (d - straight - turn), radius_m
        else:
            a = (d - 2 * straight - turn) / radius_m + math.pi / 2
            out[i] = -HALF_STRAIGHT_M + radius_m * math.cos(a), radius_m * math.sin(a)
    return out


def shots_of_survey(
    spacing_m: float, seed: int = 0, with_crest: bool = True
) -> tuple[FloatArray, list[FloatArray], FloatArray]:
    """(points (N, 3), closed lines as point indices, ring): toe, crest and a shaken grid of spots."""
    rng = np.random.default_rng(seed)
    toe = stadium(TOE_RADIUS_M, spacing_m, rng.uniform())
    crest = stadium(CREST_RADIUS_M, spacing_m, rng.uniform()) if with_crest else np.empty((0, 2))
    grid_x = np.arange(-36.0 + rng.uniform(0, spacing_m), 36.0, spacing_m)
    grid_y = np.arange(-16.0 + rng.uniform(0, spacing_m), 16.0, spacing_m)
    spots = np.stack(np.meshgrid(grid_x, grid_y), axis=-1).reshape(-1, 2)
    spots = spots + rng.uniform(-0.25, 0.25, spots.shape) * spacing_m
    away = np.hypot(np.maximum(np.abs(spots[:, 0]) - HALF_STRAIGHT_M, 0.0), spots[:, 1])
    # Keep clear of the lines: between two shots of a line a spot just outside its chord would be across it.
    clear = 0.05 + spacing_m**2 / 8 / CREST_RADIUS_M
    keep = away < TOE_RADIUS_M - 0.05 - spacing_m**2 / 8 / TOE_RADIUS_M
    if with_crest:
        keep &= np.abs(away - CREST_RADIUS_M) > min(clear, spacing_m / 3)
    xy = np.vstack([toe, crest, spots[keep]])
    z = height_m(xy[:, 0], xy[:, 1])
    z[: len(toe)] = 0.0
    z[len(toe) : len(toe) + len(crest)] = HEIGHT_M
    ring = np.arange(len(toe))
    lines = [np.arange(len(toe), len(toe) + len(crest))] if with_crest else []
    return np.column_stack([xy, z]), lines, ring


def pairs(closed: FloatArray) -> FloatArray:
    return np.column_stack([closed, np.roll(closed, -1)])


def surveyed(spacing_m: float, seed: int = 0, with_crest: bool = True) -> tuple[Surface, Edge]:
    """Top surface of one survey and its toe edge."""
    points, lines, ring = shots_of_survey(spacing_m, seed, with_crest)
    joined = np.vstack([pairs(line) for line in lines]).astype(np.int32) if lines else None
    return triangulate(points, joined, ring.astype(np.int32)), make_edge("toe", points[ring, :2], ring)


def level(z_m: float, reach_m: float = 200.0) -> Surface:
    """A level base far beyond everything."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64) * reach_m
    return triangulate(np.column_stack([corners, np.full(4, z_m)]))


def cone(radius_m: float, height: float, sides: int) -> tuple[Surface, Edge]:
    """A pyramid on a regular polygon, apex over the middle."""
    angle = np.arange(sides) * 2 * math.pi / sides
    ring = np.column_stack([radius_m * np.cos(angle), radius_m * np.sin(angle)])
    points = np.vstack([np.column_stack([ring, np.zeros(sides)]), [[0.0, 0.0, height]]])
    index = np.arange(sides, dtype=np.int32)
    return triangulate(points, None, index), make_edge("toe", ring, index)
