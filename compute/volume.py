"""Exact volume between two triangulated surfaces."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from compute.errors import BaseNotCovering, OuterEdgeNotCovered
from compute.kernels import overlay
from compute.records import Edge, FloatArray, Surface, Volume
from compute.surface import Indexed, cut_to, edge_soup, index_of, indexed, plan_areas

UNCOVERED_SHARE = 1e-3
"""A surface may miss this share of the edge's area (slivers of a drawn edge); beyond it it is refused."""


def volume_between(
    top: Surface | FloatArray,
    base: Surface | FloatArray | Indexed,
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
    pieces = _soup(top)
    wanted = None if edge is None else edge.area_m2
    if edge is not None:
        pieces, _ = cut_to(pieces, indexed(edge_soup(edge)))
    covered = math.fsum(plan_areas(pieces))
    top_missing = 0.0 if wanted is None else max(0.0, wanted - covered)
    if wanted is not None and top_missing > UNCOVERED_SHARE * wanted:
        raise OuterEdgeNotCovered(
            f"The shots of the top surface cover {covered:,.2f} m² of the {wanted:,.2f} m² inside the outer "
            f"edge; {top_missing:,.2f} m² are missing. A volume of the rest would read low.",
            where="outer edge",
        )
    ground = base if isinstance(base, Indexed) else index_of(base)
    rows = _overlay_rows(pieces, ground, band_m, threads)
    above, below, above_area, below_area, band_above, band_below, band_area = (
        math.fsum(column) for column in rows.T[: overlay.SUMS]
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
        greatest_above_m=float(rows[:, 7].max()),
        greatest_below_m=float(rows[:, 8].max()),
        top_uncovered_m2=top_missing if top_missing > 1e-9 * covered else 0.0,
        base_uncovered_m2=base_missing if base_missing > 1e-9 * covered else 0.0,
    )


def _soup(surface: Surface | FloatArray) -> FloatArray:
    return surface.corners_m if isinstance(surface, Surface) else np.ascontiguousarray(surface)


def _overlay_rows(pieces: FloatArray, ground: Indexed, band_m: float, threads: int | None) -> FloatArray:
    rows = np.zeros((len(pieces), overlay.COLUMNS))
    highest = max(float(np.abs(pieces[:, :, 2]).max()), float(np.abs(ground.soup[:, :, 2]).max()))
    snap = 16.0 * np.finfo(np.float64).eps * highest

    def work(first: int, last: int) -> None:
        overlay.integrate(
            pieces, ground.soup, ground.start, ground.item, ground.grid, first, last, band_m, snap, rows
        )

    _in_chunks(work, len(pieces), threads)
    return rows


def _in_chunks(work: Callable[[int, int], None], count: int, threads: int | None) -> None:
    """Run `work(first, last)` over 0..count; compiled loops release the interpreter lock."""
    threads = threads or os.cpu_count() or 1
    if threads == 1 or count < 20_000:
        work(0, count)
        return
    bounds = np.linspace(0, count, 4 * threads + 1).astype(int)
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, bounds[:-1].tolist(), bounds[1:].tolist()))


def derivative_by_vertex(surface: Surface, edge: Edge | None, threads: int | None = None) -> FloatArray:
    """(V,) m²: exact change of the volume under `surface` inside `edge` for 1 m of each vertex's height.

    Their sum is the covered area: raising every vertex by 1 m adds the area times 1 m.
    """
    corners = surface.corners_m
    shares = np.zeros((len(corners), 3))
    if edge is None:
        shares[:] = (plan_areas(corners) / 3.0)[:, None]
    else:
        mask = indexed(edge_soup(edge))

        def work(first: int, last: int) -> None:
            overlay.share_by_corner(corners, mask.soup, mask.start, mask.item, mask.grid, first, last, shares)

        _in_chunks(work, len(corners), threads)
    by_vertex: FloatArray = np.bincount(  # type: ignore[assignment]
        surface.triangles.ravel(), weights=shares.ravel(), minlength=len(surface.vertices_m)
    )
    return by_vertex
