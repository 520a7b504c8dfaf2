"""The form of each pile: what a height and a size make of it. `monthly` finds the two for each month."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from surveys.demo.ground import Pad
from surveys.demo.shapes import BayFill, Body, Heap, Ramp, line

Build = Callable[[Pad, float, float], Heap]
"""(pad, height over the pad's middle in metres, size in metres) → heap."""


@dataclass(frozen=True)
class Form:
    """How a pile is built up, and where to look for its height and size (both metres)."""

    build: Build
    height_m: tuple[float, float]
    size_m: tuple[float, float]


def cone(pad: Pad, height_m: float, size_m: float) -> Heap:
    """Under a stacker; size is the radius at the toe. A gentle sway keeps it from being a perfect circle."""
    centre = np.array([pad.centre_e_m, pad.centre_n_m])
    body = Body(
        core_m=centre[None, :],
        crest_m=pad.level_m + height_m,
        slope=height_m / size_m,
        round_m=1.2,
        sway=((0.03, 2, pad.centre_e_m % 3.0), (0.02, 3, pad.centre_n_m % 5.0)),
    )
    return Heap(pad, (body,), centre, reach_m=1.5 * size_m + 4.0, relief_phase=pad.centre_n_m)


def ridge(slope: float, heading_deg: float, bend_m: float) -> Build:
    """Tipped along a slightly bent line; size is the length of that line."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        heading = math.radians(heading_deg)
        along = np.array([math.cos(heading), math.sin(heading)])
        across = np.array([-along[1], along[0]])
        half = 0.5 * size_m
        core = np.array([centre - half * along, centre + bend_m * across, centre + half * along])
        body = Body(core, pad.level_m + height_m, slope, sway=((0.02, 1, 0.4), (0.015, 3, 1.9)))
        reach = 1.15 * (half + height_m / slope) + 5.0
        return Heap(pad, (body,), centre, reach, relief_phase=size_m % 1.0)

    return build


def trimmed_with_ramp(
    slope: float, heading_deg: float, core_length_m: float, ramp_heading_deg: float
) -> Build:
    """Flat-topped, with a ramp for the loader; size is the half-width of the flat top."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        heading = math.radians(heading_deg)
        half = 0.5 * core_length_m * np.array([math.cos(heading), math.sin(heading)])
        crest = pad.level_m + height_m
        top = Body(
            np.array([centre - half, centre + half]),
            crest,
            slope,
            flat_m=size_m,
            round_m=0.4,
            sway=((0.02, 2, 1.1),),
        )
        down = math.radians(ramp_heading_deg)
        head = centre + (0.5 * core_length_m + size_m - 1.0) * np.array([math.cos(down), math.sin(down)])
        ramp = Ramp(head, down, crest, grade=0.36, half_width_m=2.6, slope=slope)
        reach = (
            max(0.5 * core_length_m + size_m + height_m / slope, core_length_m + size_m + height_m / 0.36)
            * 1.12
            + 4.0
        )
        return Heap(pad, (top, ramp), centre, reach)

    return build


def trimmed_ridge(slope: float, heading_deg: float, half_width_m: float) -> Build:
    """Long and trimmed by a dozer: the toe stays half_width_m from the line; size is the line's length."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        heading = math.radians(heading_deg)
        half = 0.5 * size_m * np.array([math.cos(heading), math.sin(heading)])
        flat = max(half_width_m - height_m / slope, 0.5)
        body = Body(
            np.array([centre - half, centre + half]),
            pad.level_m + height_m,
            slope,
            flat_m=flat,
            round_m=0.6,
            sway=((0.015, 2, 0.3),),
        )
        return Heap(pad, (body,), centre, 1.1 * (0.5 * size_m + half_width_m) + 6.0, relief_phase=0.7)

    return build


def low_heap(slope: float, heading_deg: float, flat_m: float) -> Build:
    """Long heap kept under a height limit; size is the length of the line it is tipped along."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        heading = math.radians(heading_deg)
        half = 0.5 * size_m * np.array([math.cos(heading), math.sin(heading)])
        body = Body(
            np.array([centre - half, centre + half]),
            pad.level_m + height_m,
            slope,
            flat_m=flat_m,
            round_m=0.8,
        )
        return Heap(pad, (body,), centre, 1.1 * (0.5 * size_m + flat_m + height_m / slope) + 5.0)

    return build


def two_lobes(slope: float, heading_deg: float, second_share: float) -> Build:
    """Two heaps pushed together; size is the distance between their tops."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        heading = math.radians(heading_deg)
        along = np.array([math.cos(heading), math.sin(heading)])
        first = Body(
            (centre - 0.5 * size_m * along)[None, :],
            pad.level_m + height_m,
            slope,
            flat_m=1.5,
            sway=((0.02, 3, 0.5),),
        )
        second = Body(
            (centre + 0.5 * size_m * along)[None, :],
            pad.level_m + second_share * height_m,
            slope,
            flat_m=1.5,
            sway=((0.02, 2, 2.2),),
        )
        return Heap(pad, (first, second), centre, 0.5 * size_m + 1.2 * height_m / slope + 6.0)

    return build


def tipped_loads(slope: float) -> Build:
    """Irregular: a trimmed middle with loads tipped against it on three sides; size scales the plan."""
    places = (
        (0.0, 0.0, 1.0),
        (0.95, 0.25, 0.72),
        (-0.55, 0.80, 0.66),
        (-0.75, -0.55, 0.80),
        (0.35, -0.80, 0.58),
    )

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        bodies = tuple(
            Body(
                (centre + size_m * np.array([de, dn]))[None, :],
                pad.level_m + share * height_m,
                slope,
                flat_m=1.8 if share < 1.0 else 3.0,
                sway=((0.03, 3, 4.0 * share),),
            )
            for de, dn, share in places
        )
        return Heap(pad, bodies, centre, 1.3 * size_m + 1.2 * height_m / slope + 6.0)

    return build


def bay(width_m: float, depth_m: float, slope: float, side_fall_m: float) -> Build:
    """Three walls, open to the south. Only the height matters: the walls fix the size."""

    def build(pad: Pad, height_m: float, size_m: float) -> Heap:
        west, south = pad.centre_e_m - 0.5 * width_m, pad.centre_n_m - 0.5 * depth_m
        east, north = west + width_m, south + depth_m
        fill = BayFill(west, east, south, north, pad.level_m + height_m, pad.level_m, slope, side_fall_m)
        walls = line((west, south), (west, north), (east, north), (east, south))
        centre = np.array([pad.centre_e_m, pad.centre_n_m])
        return Heap(pad, (fill,), centre, reach_m=width_m + depth_m, walls_m=walls)

    return build
