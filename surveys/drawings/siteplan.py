"""The plan of a site: outlines of its piles to scale, control, and the shots of the last visit."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from surveys.drawings.plan import MARKS
from surveys.drawings.section import Ruler
from surveys.drawings.svg import (
    FloatArray,
    Frame,
    drawing,
    el,
    nice_step,
    north_arrow,
    num,
    path_of,
    scale_bar,
    step_decimals,
    steps_within,
    text,
)

LEFT, TOP, RIGHT, BOTTOM = 60.0, 20.0, 20.0, 70.0


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
    frame, height, box = _frame(sheet, width)
    parts = [_grid(frame, box, ruler)]
    if sheet.shots_m is not None and len(sheet.shots_m):
        dots = "".join(f"M{num(x)} {num(y)}h0" for x, y in frame.points(sheet.shots_m))
        parts.append(el("path", d=dots, class_="visit-shots"))
    parts += [_outline(frame, outline) for outline in sheet.outlines]
    parts.append(_control(frame, sheet.control))
    parts.append(scale_bar(LEFT, height - 24, frame.scale, 220.0, ruler.unit_m, ruler.symbol))
    parts.append(north_arrow(width - RIGHT - 18, TOP + 26))
    return drawing(width, height, parts, name=name, class_="site-plan")


def _frame(sheet: SiteSheet, width: float) -> tuple[Frame, float, tuple[float, float, float, float]]:
    rings = [outline.ring_m for outline in sheet.outlines]
    control = [np.array([place]) for place in sheet.control.values()]
    points = np.vstack([*rings, *control])
    low, high = points.min(axis=0), points.max(axis=0)
    pad = 0.05 * float(max(high - low)) + 2.0
    low, high = low - pad, high + pad
    room = width - LEFT - RIGHT
    scale = min(room / float(high[0] - low[0]), 640.0 / float(high[1] - low[1]))
    spare = room / scale - float(high[0] - low[0])
    low[0] -= spare / 2
    high[0] += spare / 2
    frame = Frame(float(low[0]), float(high[1]), scale, LEFT, TOP)
    height = TOP + float(high[1] - low[1]) * scale + BOTTOM
    return frame, height, (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _grid(frame: Frame, box: tuple[float, float, float, float], ruler: Ruler) -> str:
    """Grid crosses instead of lines: a yard sheet has to stay quiet under its outlines."""
    x_low, y_low, x_high, y_high = box
    left, right, top, bottom = frame.x(x_low), frame.x(x_high), frame.y(y_high), frame.y(y_low)
    step = nice_step((x_high - x_low) / ruler.unit_m, 7)
    easts = steps_within(x_low / ruler.unit_m, x_high / ruler.unit_m, step)
    norths = steps_within(y_low / ruler.unit_m, y_high / ruler.unit_m, step)
    crosses = "".join(
        f"M{num(frame.x(e * ruler.unit_m) - 4)} {num(frame.y(n * ruler.unit_m))}h8m-4 -4v8"
        for e in easts
        for n in norths
    )
    decimals = step_decimals(step)
    parts = [
        el("path", d=f"M{num(left)} {num(top)}H{num(right)}V{num(bottom)}H{num(left)}Z", class_="neat-line"),
        el("path", d=crosses, class_="grid-cross"),
        *(
            text(f"{e:,.{decimals}f}", frame.x(e * ruler.unit_m), bottom + 16, "tick", "middle")
            for e in easts
        ),
        *(text(f"{n:,.{decimals}f}", left - 7, frame.y(n * ruler.unit_m) + 4, "tick", "end") for n in norths),
        text(f"N {ruler.symbol}", left - 7, top + 4, "tick strong", "end"),
        text(f"E {ruler.symbol}", right, bottom + 30, "tick strong", "end"),
    ]
    return el("g", *parts, class_="grid")


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
