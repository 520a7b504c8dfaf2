"""The map of change between two surveys: added and removed by thickness, grey where nothing is proven."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from surveys.drawings.bands import region_above
from surveys.drawings.graticule import fit, grid
from surveys.drawings.palette import ADDED, NO_CHANGE, REMOVED
from surveys.drawings.paper import Paper
from surveys.drawings.plan import rings
from surveys.drawings.section import Ruler
from surveys.drawings.svg import (
    FloatArray,
    Frame,
    drawing,
    el,
    nice_step,
    north_arrow,
    path_of,
    scale_bar,
    text,
)

LEFT, RIGHT = 60.0, 20.0


@dataclass(frozen=True)
class ChangeSheet:
    """Height change on an even grid, site frame, metres.

    easts_m (C,), norths_m (R,), change_m (R, C): NaN where neither survey reaches
    band_m : height change below which nothing is proven; first_ring_m, second_ring_m : outer edges
    """

    easts_m: FloatArray
    norths_m: FloatArray
    change_m: FloatArray
    band_m: float
    first_ring_m: FloatArray
    second_ring_m: FloatArray
    words: tuple[str, str] = ("removed", "added")


def change_map(
    sheet: ChangeSheet,
    *,
    ruler: Ruler | None = None,
    width: float = 860.0,
    paper: Paper | None = None,
    name: str,
) -> str:
    """SVG of the map with both outer edges, grid, key, north and scale; on `paper` to a stated scale."""
    ruler = ruler or Ruler()
    frame, height, box = fit([sheet.first_ring_m, sheet.second_ring_m], width, paper)
    width = paper.width if paper else width
    levels = _levels(sheet, ruler)
    parts = [
        grid(frame, box, ruler),
        _fills(frame, sheet, levels),
        el("path", d=path_of(frame.points(sheet.first_ring_m), closed=True), class_="before-edge"),
        el("path", d=path_of(frame.points(sheet.second_ring_m), closed=True), class_="edge"),
        _key(width, height, levels, sheet.words, ruler),
        scale_bar(LEFT, height - 28, frame.scale, 150.0, ruler.unit_m, ruler.symbol),
        north_arrow(width - RIGHT - 18, 46),
    ]
    if paper:
        parts.append(text(paper.words, LEFT, height - 44, "scale-words"))
    return drawing(width, height, parts, name=name, class_="change-map", paper=paper)


def _levels(sheet: ChangeSheet, ruler: Ruler) -> list[float]:
    """Where the shades begin, metres: the band's edge, then three round steps up to the largest change."""
    known = np.abs(sheet.change_m[np.isfinite(sheet.change_m)])
    largest = float(known.max()) if known.size else sheet.band_m
    step = nice_step(max(largest - sheet.band_m, 0.01) / ruler.unit_m, 4) * ruler.unit_m
    return [sheet.band_m, *(max(sheet.band_m, 0.0) + step * factor for factor in (1, 2, 3))]


def _fills(frame: Frame, sheet: ChangeSheet, levels: list[float]) -> str:
    vertices, triangles = mesh(sheet.easts_m, sheet.norths_m, sheet.change_m)
    reach = shapely.union_all(
        [shapely.make_valid(shapely.Polygon(ring)) for ring in (sheet.first_ring_m, sheet.second_ring_m)]
    )
    parts = [el("path", d=rings(frame, reach), fill=NO_CHANGE, fill_rule="evenodd", class_="no-change")]
    for sign, colours in ((1.0, ADDED), (-1.0, tuple(reversed(REMOVED)))):
        signed = vertices * np.array([1.0, 1.0, sign])
        for level, colour in zip(levels, colours, strict=True):
            region = region_above(signed, triangles, level).intersection(reach)
            data = rings(frame, region)
            if data:
                parts.append(el("path", d=data, fill=colour, fill_rule="evenodd"))
    return el("g", *parts, class_="change-fills")


def mesh(easts_m: FloatArray, norths_m: FloatArray, values: FloatArray) -> tuple[FloatArray, np.ndarray]:
    """Two triangles a grid cell, of cells whose four corners are known. values (R, C), NaN where unknown."""
    rows, columns = values.shape
    east, north = np.meshgrid(easts_m, norths_m)
    vertices = np.column_stack([east.ravel(), north.ravel(), np.nan_to_num(values).ravel()])
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    cells = np.column_stack([corner.ravel() for corner in (a, b, c, d)])
    cells = cells[np.isfinite(values).ravel()[cells].all(axis=1)]
    return vertices, np.vstack([cells[:, [0, 1, 2]], cells[:, [0, 2, 3]]])


def _key(width: float, height: float, levels: list[float], said: tuple[str, str], ruler: Ruler) -> str:
    """Nine swatches from removed to added, with the heights at which they change."""
    swatch, y = 44.0, height - 34
    colours = [*REMOVED, NO_CHANGE, *ADDED]
    x = width - RIGHT - swatch * len(colours)
    edges = [-level for level in reversed(levels)] + levels
    parts = [
        el("rect", x=x + index * swatch, y=y, width=swatch, height=10.0, fill=colour)
        for index, colour in enumerate(colours)
    ]
    for index, edge in enumerate(edges, start=1):
        words = f"{edge / ruler.unit_m:+.2f}".replace("-", "\u2212")
        parts.append(text(words, x + index * swatch, y + 24, "tick", "middle"))
    middle = x + swatch * len(colours) / 2
    parts.append(text(said[0], x, y - 6, "tick"))
    parts.append(text(f"no change proven, {ruler.symbol}", middle, y - 6, "tick", "middle"))
    parts.append(text(said[1], width - RIGHT, y - 6, "tick", "end"))
    return el("g", *parts, class_="key")
