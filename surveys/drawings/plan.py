"""The plan of one pile: heights in bands with contours, shots by role, the outer edge, grid, north, scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from surveys.drawings import bands
from surveys.drawings.graticule import (
    MARGIN_BOTTOM,
    MARGIN_LEFT,
    MARGIN_RIGHT,
    MARGIN_TOP,
    ON_PAPER,
    extent,
    fit,
    grid,
)
from surveys.drawings.palette import height_colour
from surveys.drawings.paper import UNIT_MM, Paper, denominator_for
from surveys.drawings.section import Ruler
from surveys.drawings.svg import (
    FloatArray,
    Frame,
    drawing,
    el,
    north_arrow,
    num,
    path_of,
    scale_bar,
    step_decimals,
    text,
)
from surveys.drawings.visit import VisitMarks, marks_of_visit

TRIANGLES_WITH_BANDS = 20_000
"""Above this the bands would cost more than the page: contours alone tell the shape."""


@dataclass(frozen=True)
class PlanShots:
    """Shots by role, site frame."""

    xy_m: FloatArray
    roles: tuple[str, ...]


@dataclass(frozen=True)
class PlanSheet:
    """What a plan shows. Plan coordinates in the site's frame, metres.

    ring_m : (M, 2) outer edge, or None; vertices_m, triangles : the top surface
    cuts_m : further sections as ((2, 2) ends, name of the one, name of the other)
    base_rings_m : outline of the base surface, where it is one of its own
    visit  : stations of a planned visit, which stand around the pile
    """

    vertices_m: FloatArray
    triangles: Any
    ring_m: FloatArray | None = None
    shots: PlanShots | None = None
    base_label: str = ""
    neighbours: dict[str, FloatArray] = field(default_factory=dict)
    section_ends_m: Sequence[Sequence[float]] | None = None
    cuts_m: Sequence[tuple[FloatArray, str, str]] = ()
    base_rings_m: Sequence[FloatArray] = ()
    visit: VisitMarks | None = None


MARKS = {
    "spot": "m-1.6 0h3.2m-1.6 -1.6v3.2",
    "toe": "m-2.6 0a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0 -5.2 0",
    "crest": "m0 -3.2l3 5.2h-6Z",
    "breakline": "m0 -3l3 3l-3 3l-3 -3Z",
    "wall": "m-2.4 -2.4h4.8v4.8h-4.8Z",
    "floor": "m-2.6 -2.6l5.2 5.2m0 -5.2l-5.2 5.2",
    "ground": "m0 3l3 -5.2h-6Z",
    "control": "m0 -6l5.4 9.4h-10.8Zm0 5.4v.8",
    "check": "m0 6l5.4 -9.4h-10.8Z",
    "structure": "m-3.4 -3.4h6.8v6.8h-6.8Zm0 0l6.8 6.8",
    "rejected": "m-2.6 -2.6l5.2 5.2m0 -5.2l-5.2 5.2m-1.4 -2.6a4 4 0 1 0 8 0a4 4 0 1 0 -8 0",
    "unknown": "m-2 -2a2.4 2.4 0 1 1 2.6 3.2v1.4",
}
"""Role → a shape around its place. Told apart by shape first: a print has no colour."""


def plan(
    sheet: PlanSheet,
    *,
    ruler: Ruler | None = None,
    width: float = 860.0,
    paper: Paper | None = None,
    name: str,
) -> str:
    """SVG of a plan, north up. Its `data-` attributes let the page turn a click into site coordinates.

    On `paper` it is drawn to the paper's scale, which is stated.
    """
    ruler = ruler or Ruler()
    frame, height, box = fit(places_of(sheet), width, paper)
    width = paper.width if paper else width
    heights = sheet.vertices_m[:, 2]
    step_m, levels = bands.contour_levels(float(heights.min()), float(heights.max()), ruler.unit_m)
    parts = [
        grid(frame, box, ruler),
        *_neighbours(frame, sheet.neighbours),
        _bands(frame, sheet, levels) if len(sheet.triangles) <= TRIANGLES_WITH_BANDS else "",
        _contours(frame, sheet, levels, step_m, ruler),
        _base(frame, sheet.base_rings_m, box),
        _edge(frame, sheet.ring_m),
        _shots(frame, sheet.shots if paper is None else within(sheet.shots, box)),
        _section_line(frame, sheet.section_ends_m) if paper is None else "",
        *(_cut(frame, *cut) for cut in sheet.cuts_m),
        marks_of_visit(frame, sheet.visit),
        _footer(frame, sheet, width, height, ruler, step_m, paper),
    ]
    return drawing(
        width, height, parts, name=name, class_="plan", paper=paper,
        data_x_min=repr(frame.x_min), data_y_max=repr(frame.y_max), data_scale=repr(frame.scale),
        data_left=num(frame.left), data_top=num(frame.top),
    )  # fmt: skip


def places_of(sheet: PlanSheet) -> list[FloatArray]:
    """What has to be on the plan."""
    ring = [] if sheet.ring_m is None else [sheet.ring_m]
    stood = [] if sheet.visit is None else [np.array(list(sheet.visit.stations.values()))]
    return [sheet.vertices_m[:, :2], *ring, *stood, *(ends for ends, _, _ in sheet.cuts_m)]


def paper_for(places_m: Sequence[FloatArray], width_mm: float, height_mm: float) -> Paper:
    """Paper of that room, at the largest scale of a scale rule that holds all places."""
    low, high = extent(places_m, ON_PAPER)
    room = (
        width_mm - UNIT_MM * (MARGIN_LEFT + MARGIN_RIGHT),
        height_mm - UNIT_MM * (MARGIN_TOP + MARGIN_BOTTOM),
    )
    return Paper(width_mm, height_mm, denominator_for(float(high[0] - low[0]), float(high[1] - low[1]), room))


def rings(frame: Frame, region: Any) -> str:
    data = []
    for polygon in shapely.get_parts(region):
        if shapely.get_type_id(polygon) != shapely.GeometryType.POLYGON:
            continue
        every = (polygon.exterior, *polygon.interiors)
        data += [path_of(frame.points(shapely.get_coordinates(ring)[:-1]), closed=True) for ring in every]
    return "".join(data)


def _bands(frame: Frame, sheet: PlanSheet, levels: list[float]) -> str:
    """The ground band, then every higher region painted over the lower ones."""
    heights = sheet.vertices_m[:, 2]
    low, high = float(heights.min()), float(heights.max())
    parts = []
    for start, end in zip([low, *levels], [*levels, high], strict=True):
        # The lowest band is all of the surface, with the ground that lies level at its very bottom.
        from_m = start if start > low else low - 1.0
        region = bands.region_above(sheet.vertices_m, sheet.triangles, from_m)
        colour = height_colour(((start + end) / 2 - low) / max(high - low, 1e-9))
        data = rings(frame, region)
        if data:
            parts.append(el("path", d=data, fill=colour, fill_rule="evenodd", class_="band"))
    return el("g", *parts, class_="bands")


def _contours(frame: Frame, sheet: PlanSheet, levels: list[float], step_m: float, ruler: Ruler) -> str:
    parts, labels = [], []
    for level in levels:
        lines = [frame.points(line) for line in bands.contour_lines(sheet.vertices_m, sheet.triangles, level)]
        if not lines:
            continue
        is_index = round(level / step_m) % 5 == 0
        class_ = "contour contour-index" if is_index else "contour"
        parts.append(el("path", d="".join(path_of(line) for line in lines), class_=class_))
        longest = max(lines, key=lambda line: float(np.hypot(*np.diff(line, axis=0).T).sum()))
        if is_index or len(levels) <= 6:
            labels.append((level, longest))
    for level, line in labels:
        x, y = line[len(line) // 3]
        value = f"{level / ruler.unit_m:,.{step_decimals(step_m / ruler.unit_m)}f}"
        parts.append(text(value, x, y + 4, "contour-label", "middle"))
    return el("g", *parts, class_="contours")


def _edge(frame: Frame, ring_m: FloatArray | None) -> str:
    return "" if ring_m is None else el("path", d=path_of(frame.points(ring_m), closed=True), class_="edge")


def _neighbours(frame: Frame, outlines: dict[str, FloatArray]) -> list[str]:
    return [
        el("path", d=path_of(frame.points(ring), closed=True), class_="neighbour")
        for ring in outlines.values()
    ]


def _shots(frame: Frame, shots: PlanShots | None) -> str:
    if shots is None or not len(shots.roles):
        return ""
    points = frame.points(shots.xy_m)
    roles = np.array(shots.roles)
    groups = []
    for role, shape in MARKS.items():
        chosen = points[roles == role]
        if len(chosen):
            data = "".join(f"M{num(x)} {num(y)}{shape}" for x, y in chosen)
            groups.append(el("path", d=data, class_=f"shot shot-{role}"))
    return el("g", *groups, class_="shots")


def _base(frame: Frame, rings_m: Sequence[FloatArray], box: tuple[float, float, float, float]) -> str:
    """The outline of the base as far as the sheet reaches."""
    inside = [
        shapely.LineString(np.vstack([ring, ring[:1]])).intersection(shapely.box(*box)) for ring in rings_m
    ]
    lines = [line for each in inside for line in shapely.get_parts(each) if line.geom_type == "LineString"]
    data = "".join(path_of(frame.points(shapely.get_coordinates(line))) for line in lines)
    return el("path", d=data, class_="base-edge") if data else ""


def _cut(frame: Frame, ends_m: FloatArray, first: str, second: str) -> str:
    (x1, y1), (x2, y2) = frame.points(ends_m)
    aside = 12.0 / max(float(np.hypot(x2 - x1, y2 - y1)), 1e-9)
    dx, dy = aside * (x2 - x1), aside * (y2 - y1)
    return el(
        "g",
        el("path", d=f"M{num(x1)} {num(y1)}L{num(x2)} {num(y2)}", class_="cut-line"),
        text(first, x1 - dx, y1 - dy + 5, "label strong", "middle"),
        text(second, x2 + dx, y2 + dy + 5, "label strong", "middle"),
    )


def within(shots: PlanShots | None, box: tuple[float, float, float, float]) -> PlanShots | None:
    """Shots inside the neat line; on paper others would stand among the numbers."""
    if shots is None:
        return None
    x, y = shots.xy_m.T
    inside = (x >= box[0]) & (x <= box[2]) & (y >= box[1]) & (y <= box[3])
    return PlanShots(shots.xy_m[inside], tuple(np.array(shots.roles, dtype=object)[inside]))


def _section_line(frame: Frame, ends_m: Sequence[Sequence[float]] | None) -> str:
    """The cut, always in the drawing so that the page can move it."""
    if ends_m is None:
        return el("path", d="", class_="cut-line", data_cut="")
    (x1, y1), (x2, y2) = frame.points(ends_m)
    return el(
        "g",
        el("path", d=f"M{num(x1)} {num(y1)}L{num(x2)} {num(y2)}", class_="cut-line", data_cut=""),
        text("A", x1, y1 - 6, "label strong", "middle"),
        text("B", x2, y2 - 6, "label strong", "middle"),
    )


def _footer(
    frame: Frame,
    sheet: PlanSheet,
    width: float,
    height: float,
    ruler: Ruler,
    step_m: float,
    paper: Paper | None,
) -> str:
    y = height - 28
    words = f"contours every {step_m / ruler.unit_m:g} {ruler.symbol}"
    if sheet.base_label:
        words += f" · base: {sheet.base_label}"
    return el(
        "g",
        scale_bar(MARGIN_LEFT, y, frame.scale, 190.0, ruler.unit_m, ruler.symbol),
        text(words, width - MARGIN_RIGHT, y + 16, "tick", "end"),
        text(paper.words, width - MARGIN_RIGHT, y - 4, "scale-words", "end") if paper else "",
        north_arrow(width - MARGIN_RIGHT - 18, MARGIN_TOP + 26),
        class_="footer",
    )
