"""The plan of a site: outlines of its piles to scale, control, and the shots of the last visit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from surveys.drawings.graticule import (
    MARGIN_LEFT,
    MARGIN_RIGHT,
    MARGIN_TOP,
    Box,
    fit,
    neat_line,
    numbered,
    round_places,
)
from surveys.drawings.plan import MARKS
from surveys.drawings.section import Ruler
from surveys.drawings.svg import FloatArray, Frame, drawing, el, north_arrow, num, path_of, scale_bar, text

BOTTOM = 70.0
CROSSES = 7


@dataclass(frozen=True)
class Outline:
    """One pile on the site plan. `words` stand under its code; `state` is a class of the drawing."""

    code: str
    ring_m: FloatArray
    words: str = ""
    link: str = ""
    state: str = "measured"


@dataclass(frozen=True)
class SiteSheet:
    outlines: list[Outline]
    control: dict[str, tuple[float, float]] = field(default_factory=dict)
    shots_m: FloatArray | None = None


def site_plan(sheet: SiteSheet, *, ruler: Ruler | None = None, width: float = 960.0, name: str) -> str:
    """SVG of the yard, north up, every outline to one scale and linked to its pile."""
    ruler = ruler or Ruler()
    frame, height, box = fit(_places(sheet), width, air=0.05, bottom=BOTTOM, tallest=640.0)
    parts = [_grid(frame, box, ruler)]
    if sheet.shots_m is not None and len(sheet.shots_m):
        dots = "".join(f"M{num(x)} {num(y)}h0" for x, y in frame.points(sheet.shots_m))
        parts.append(el("path", d=dots, class_="visit-shots"))
    parts += [_outline(frame, outline) for outline in sheet.outlines]
    parts.append(_control(frame, sheet.control))
    parts.append(scale_bar(MARGIN_LEFT, height - 24, frame.scale, 220.0, ruler.unit_m, ruler.symbol))
    parts.append(north_arrow(width - MARGIN_RIGHT - 18, MARGIN_TOP + 26))
    return drawing(width, height, parts, name=name, class_="site-plan", role="group")


def _places(sheet: SiteSheet) -> list[FloatArray]:
    rings = [outline.ring_m for outline in sheet.outlines]
    return [*rings, *(np.array([place]) for place in sheet.control.values())]


def _grid(frame: Frame, box: Box, ruler: Ruler) -> str:
    """Grid crosses instead of lines: a yard sheet has to stay quiet under its outlines."""
    easts, norths, _ = round_places(box, ruler, CROSSES)
    crosses = "".join(
        f"M{num(frame.x(e * ruler.unit_m) - 4)} {num(frame.y(n * ruler.unit_m))}h8m-4 -4v8"
        for e in easts
        for n in norths
    )
    drawn = el("path", d=crosses, class_="grid-cross")
    return el("g", neat_line(frame, box), drawn, *numbered(frame, box, ruler, CROSSES), class_="grid")


def _outline(frame: Frame, outline: Outline) -> str:
    ring = frame.points(outline.ring_m)
    middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
    body = [
        el("path", d=path_of(ring, closed=True), class_=f"pile-outline pile-{outline.state}"),
        text(outline.code, middle[0], middle[1], "pile-code", "middle"),
        text(outline.words, middle[0], middle[1] + 15, "pile-words", "middle") if outline.words else "",
    ]
    return el("a", *body, href=outline.link, class_="pile-link") if outline.link else el("g", *body)


def _control(frame: Frame, control: dict[str, tuple[float, float]]) -> str:
    parts = []
    for label, place in control.items():
        x, y = frame.points([place])[0]
        parts.append(el("path", d=f"M{num(x)} {num(y)}{MARKS['control']}", class_="shot shot-control"))
        parts.append(text(label, x + 9, y + 4, "tick"))
    return el("g", *parts, class_="control") if parts else ""
