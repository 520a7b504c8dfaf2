"""The bare pad against the base: a place for each look, by how far the ground lies off, and the regions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from surveys.drawings.graticule import fit, grid
from surveys.drawings.palette import ADDED, NO_CHANGE, REMOVED
from surveys.drawings.plan import rings
from surveys.drawings.section import Ruler
from surveys.drawings.svg import FloatArray, drawing, el, north_arrow, path_of, scale_bar, text, title

LEFT, RIGHT, RADIUS = 60.0, 20.0, 5.0


@dataclass(frozen=True)
class PadSheet:
    """Site frame, metres. places_m (N, 2) and difference_m (N,) with words for each; regions as polygons."""

    places_m: FloatArray
    difference_m: FloatArray
    said: Sequence[str]
    regions: Sequence[Any]
    edge_m: FloatArray
    band_m: float


def pad_map(sheet: PadSheet, *, ruler: Ruler | None = None, width: float = 860.0, name: str) -> str:
    """SVG of the pad with the outer edge of the newest survey, grid, key, north and scale."""
    ruler = ruler or Ruler()
    frame, height, box = fit([sheet.places_m, sheet.edge_m], width)
    parts = [grid(frame, box, ruler)]
    for number, region in enumerate(sheet.regions, start=1):
        x, y = frame.points(shapely.get_coordinates(shapely.point_on_surface(region)))[0]
        parts.append(el("path", d=rings(frame, region), class_="pad-region", fill_rule="evenodd"))
        parts.append(text(f"{number}", x, y, "contour-label", "middle"))
    parts.append(el("path", d=path_of(frame.points(sheet.edge_m), closed=True), class_="edge"))
    for (x, y), over, words in zip(frame.points(sheet.places_m), sheet.difference_m, sheet.said, strict=True):
        parts.append(_mark(x, y, float(over), sheet.band_m, words))
    parts += [
        _key(width, height, sheet.band_m, ruler),
        scale_bar(LEFT, height - 28, frame.scale, 150.0, ruler.unit_m, ruler.symbol),
        north_arrow(width - RIGHT - 18, 46),
    ]
    return drawing(width, height, parts, name=name, class_="pad-map")


def _mark(x: float, y: float, over: float, band_m: float, words: str) -> str:
    """Raised points up, lowered down, true is round: the shape tells it without the colour."""
    if abs(over) <= band_m:
        return el("circle", title(words), cx=x, cy=y, r=RADIUS - 1, fill=NO_CHANGE, class_="pad-true")
    up = -1.0 if over > 0 else 1.0
    corners = np.array([[0.0, up * 1.3], [1.1, -up * 0.8], [-1.1, -up * 0.8]]) * RADIUS + [x, y]
    colour = ADDED[2] if over > 0 else REMOVED[1]
    return el("path", title(words), d=path_of(corners, closed=True), fill=colour, class_="pad-off")


def _key(width: float, height: float, band_m: float, ruler: Ruler) -> str:
    y, band = height - 26, band_m / ruler.unit_m
    parts, x = [], width - RIGHT - 390
    for over, words, wide in (
        (-1.0, "lower", 90.0),
        (0.0, f"within ± {band:.2f} {ruler.symbol}", 170.0),
        (1.0, "higher than the base", 0.0),
    ):
        parts += [_mark(x, y, over, 0.5, words), text(words, x + 12, y + 4, "tick")]
        x += wide
    return el("g", *parts, class_="key")
