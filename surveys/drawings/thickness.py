"""The thickness of a pile: how high its top stands over the base, by round steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from surveys.drawings.bands import region_above
from surveys.drawings.changemap import mesh
from surveys.drawings.graticule import MARGIN_LEFT, MARGIN_RIGHT, fit, grid
from surveys.drawings.palette import REMOVED, height_colour
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
    step_decimals,
    text,
)

SHADES = 7
BELOW = REMOVED[1]
LEAST_BELOW_M = 0.005
"""Less is rounding of the shots, not a rut."""


@dataclass(frozen=True)
class ThicknessSheet:
    """Top less base on an even grid, site frame, metres; NaN where either is unknown.

    easts_m (C,), norths_m (R,), thick_m (R, C), ring_m : outer edge
    """

    easts_m: FloatArray
    norths_m: FloatArray
    thick_m: FloatArray
    ring_m: FloatArray


def thickness_map(
    sheet: ThicknessSheet,
    *,
    ruler: Ruler | None = None,
    width: float = 860.0,
    paper: Paper | None = None,
    name: str,
) -> str:
    """SVG of the map with edge, grid, key, north and scale; brown where the top lies under the base."""
    ruler = ruler or Ruler()
    frame, height, box = fit([sheet.ring_m], width, paper)
    width = paper.width if paper else width
    levels = levels_of(sheet, ruler)
    parts = [
        grid(frame, box, ruler),
        _fills(frame, sheet, levels),
        el("path", d=path_of(frame.points(sheet.ring_m), closed=True), class_="edge"),
        _key(width, height, levels, ruler),
        scale_bar(MARGIN_LEFT, height - 28, frame.scale, 150.0, ruler.unit_m, ruler.symbol),
        north_arrow(width - MARGIN_RIGHT - 18, 46),
        text(paper.words, MARGIN_LEFT, height - 44, "scale-words") if paper else "",
    ]
    return drawing(width, height, parts, name=name, class_="thickness-map", paper=paper)


def levels_of(sheet: ThicknessSheet, ruler: Ruler) -> list[float]:
    """Where the shades begin, metres: from nothing by one round step of the site's unit."""
    known = sheet.thick_m[np.isfinite(sheet.thick_m)]
    largest = max(float(known.max()) if known.size else 0.0, 0.01)
    step = nice_step(largest / ruler.unit_m, SHADES) * ruler.unit_m
    return [step * index for index in range(int(largest / step) + 1)]


def _shade(index: int, count: int) -> str:
    return height_colour((index + 0.5) / count)


def _fills(frame: Frame, sheet: ThicknessSheet, levels: list[float]) -> str:
    vertices, triangles = mesh(sheet.easts_m, sheet.norths_m, sheet.thick_m)
    reach = shapely.make_valid(shapely.Polygon(sheet.ring_m))
    # Along the edge the grid knows no whole cell: there the pile is thin, not under its base.
    parts = [el("path", d=rings(frame, reach), fill=_shade(0, len(levels)), fill_rule="evenodd")]
    regions = [
        (region_above(vertices, triangles, level), _shade(index, len(levels)))
        for index, level in enumerate(levels)
        if index
    ]
    under = vertices * np.array([1.0, 1.0, -1.0])
    for region, colour in (*regions, (region_above(under, triangles, LEAST_BELOW_M), BELOW)):
        data = rings(frame, region.intersection(reach))
        if data:
            parts.append(el("path", d=data, fill=colour, fill_rule="evenodd"))
    return el("g", *parts, class_="thickness-fills")


def _key(width: float, height: float, levels: list[float], ruler: Ruler) -> str:
    swatch, y = 44.0, height - 34
    decimals = step_decimals((levels[1] if len(levels) > 1 else 1.0) / ruler.unit_m)
    colours = [BELOW, *(_shade(index, len(levels)) for index in range(len(levels)))]
    x = width - MARGIN_RIGHT - swatch * len(colours)
    parts = [
        el("rect", x=x + index * swatch, y=y, width=swatch, height=10.0, fill=colour)
        for index, colour in enumerate(colours)
    ]
    for index, level in enumerate(levels, start=1):
        words = f"{level / ruler.unit_m:,.{decimals}f}"
        parts.append(text(words, x + index * swatch, y + 24, "tick", "middle"))
    parts.append(text("under the base", x, y - 6, "tick"))
    parts.append(text(f"top over base, {ruler.symbol}", width - MARGIN_RIGHT, y - 6, "tick", "end"))
    return el("g", *parts, class_="key")
