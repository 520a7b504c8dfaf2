"""Exact volume between two triangulated surfaces."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from compute.errors import BaseNotCovering, OuterEdgeNotCovered
from compute.kernels import overlay
from compute.records import Edge, FloatArray, Surface, Volume
from compute.surface import (
    Indexed,
    Triangles,
    cut_to,
    edge_soup,
    facets,
    facets_of,
    index_of,
    indexed,
    meshed,
)

Found = TypeVar("Found")

UNCOVERED_SHARE = 1e-3
"""A surface may miss this share of the edge's area (slivers of a drawn edge); beyond it it is refused."""


def volume_between(
    top: Surface | FloatArray,
    base: Triangles,
    *,
    edge: Edge | None = None,
    band_m: float = 0.0,
    threads: int | None = None,
) -> Volume:
    """Volume of `top` over `base`, metres, inside `edge` (or on the whole of `top`).

    The overlay clips triangle by triangle and integrates the linear difference in closed form, split
    where the surfaces cross; sums are exact (`math.fsum`), so the number of threads changes no bit.
    Above base is positive; both signs are given. Raises `OuterEdgeNotCovered` or `BaseNotCovering` when
    more than `UNCOVERED_SHARE` of the area is missing.
    """
    wanted = None if edge is None else edge.area_m2
    if edge is not None:
        top, _ = cut_to(top, indexed(edge_soup(edge)))
    covered = exact_sum(_areas(top))
    top_missing = 0.0 if wanted is None else max(0.0, wanted - covered)
    if wanted is not None and top_missing > UNCOVERED_SHARE * wanted:
        raise OuterEdgeNotCovered(
            f"The shots of the top surface cover {covered:,.2f} m² of the {wanted:,.2f} m² inside the outer "
            f"edge; {top_missing:,.2f} m² are missing. A volume of the rest would read low.",
            where="outer edge",
        )
    (above, below, above_area, below_area, band_above, band_below, band_area), greatest = _overlaid(
        top, index_of(base), band_m, threads
    )
    base_missing = max(0.0, covered - above_area - below_area)
    if base_missing > UNCOVERED_SHARE * covered:
        raise BaseNotCovering(
            f"The base covers {above_area + below_area:,.2f} m² of the {covered:,.2f} m² to be measured; "
            f"{base_missing:,.2f} m² of ground are missing.",
            where="base",
        )
    return Volume(
        above_m3=above,
        below_m3=below,
        net_m3=above - below,
        plan_area_m2=above_area + below_area,
        above_area_m2=above_area,
        below_area_m2=below_area,
        band_m=band_m,
        band_above_m3=band_above,
        band_below_m3=band_below,
        band_area_m2=band_area,
        greatest_above_m=greatest[0],
        greatest_below_m=greatest[1],
        top_uncovered_m2=top_missing if top_missing > 1e-9 * covered else 0.0,
        base_uncovered_m2=base_missing if base_missing > 1e-9 * covered else 0.0,
    )


def _areas(surface: Surface | FloatArray) -> FloatArray:
    return (facets_of(surface) if isinstance(surface, Surface) else facets(surface)).area_m2


def exact_sum(values: FloatArray) -> float:
    """The rounded exact sum, as `math.fsum` gives it, whatever the order."""
    return math.fsum(overlay.exact_parts(values))


def _overlaid(
    top: Surface | FloatArray, ground: Indexed, band_m: float, threads: int | None
) -> tuple[list[float], list[float]]:
    """The exact sums of `overlay.SUMS`, and the greatest height above and depth below."""
    vertices, triangles = meshed(top)
    highest = max(float(np.abs(surface[:, 2]).max()) for surface in (vertices, ground.vertices_m))
    snap = 16.0 * np.finfo(np.float64).eps * highest

    def work(first: int, last: int) -> tuple[FloatArray, FloatArray]:
        return overlay.integrate(
            vertices,
            triangles,
            ground.vertices_m,
            ground.triangles,
            ground.start,
            ground.item,
            ground.grid,
            first,
            last,
            band_m,
            snap,
        )

    parts = _in_chunks(work, len(triangles), threads)
    # Parts of exact sums: joining them by an exact sum again forgets where the chunks began.
    sums = [
        math.fsum(part for found, _ in parts for part in found[row, 1 : 1 + int(found[row, 0])])
        for row in range(overlay.SUMS)
    ]
    return sums, np.max([greatest for _, greatest in parts], axis=0).tolist()


def _in_chunks(work: Callable[[int, int], Found], count: int, threads: int | None) -> list[Found]:
    """`work(first, last)` over 0..count; compiled loops release the interpreter lock."""
    threads = threads or os.cpu_count() or 1
    if threads == 1 or count < 20_000:
        return [work(0, count)]
    bounds = np.linspace(0, count, 4 * threads + 1).astype(int)
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, bounds[:-1].tolist(), bounds[1:].tolist()))


def derivative_by_vertex(surface: Surface, edge: Edge | None, threads: int | None = None) -> FloatArray:
    """(V,) m²: exact change of the volume under `surface` inside `edge` for 1 m of each vertex's height.

    Their sum is the covered area: raising every vertex by 1 m adds the area times 1 m.
    """
    shares = np.zeros((len(surface.triangles), 3))
    if edge is None:
        shares[:] = (facets_of(surface).area_m2 / 3.0)[:, None]
    else:
        mask = indexed(edge_soup(edge))

        def work(first: int, last: int) -> None:
            overlay.share_by_corner(
                surface.vertices_m,
                surface.triangles,
                mask.vertices_m,
                mask.triangles,
                mask.start,
                mask.item,
                mask.grid,
                first,
                last,
                shares,
            )

        _in_chunks(work, len(surface.triangles), threads)
    by_vertex: FloatArray = np.bincount(  # type: ignore[assignment]
        surface.triangles.ravel(), weights=shares.ravel(), minlength=len(surface.vertices_m)
    )
    return by_vertex


def volume_under(surface: Surface, by_vertex: FloatArray, zero_m: float) -> float:
    """Volume between a surface and the height `zero_m`, by `derivative_by_vertex` of the same part of it."""
    return exact_sum(by_vertex * (surface.vertices_m[:, 2] - zero_m))
