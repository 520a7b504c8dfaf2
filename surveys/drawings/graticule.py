"""What every plan of the ground has in common: a frame round all places, north up, and round coordinates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from surveys.drawings.paper import Paper
from surveys.drawings.section import Ruler
from surveys.drawings.svg import FloatArray, Frame, el, nice_step, num, step_decimals, steps_within, text

MARGIN_LEFT, MARGIN_TOP, MARGIN_RIGHT, MARGIN_BOTTOM = 60.0, 20.0, 20.0, 86.0
AIR = 0.07
ON_PAPER = 0.04
"""Margin on paper, as a share of the longer side: there the scale counts, not the air."""

TALLEST = 620.0
Box = tuple[float, float, float, float]


def extent(places_m: Sequence[FloatArray], share: float = AIR) -> tuple[FloatArray, FloatArray]:
    """Low and high corner of all places, metres, with a margin of `share` of the longer side."""
    points = np.vstack(places_m)
    low, high = points.min(axis=0), points.max(axis=0)
    pad = share * float(max(high - low)) + 0.5
    return low - pad, high + pad


def fit(
    places_m: Sequence[FloatArray],
    width: float,
    paper: Paper | None = None,
    *,
    air: float = AIR,
    bottom: float = MARGIN_BOTTOM,
    tallest: float = TALLEST,
) -> tuple[Frame, float, Box]:
    """Frame, sheet height and the box (x low, y low, x high, y high) that holds all places with a margin.

    `tallest` limits the height of the drawn part on a page; on `paper` its scale does.
    """
    low, high = extent(places_m, ON_PAPER if paper else air)
    room = (paper.width if paper else width) - MARGIN_LEFT - MARGIN_RIGHT
    scale = min(room / float(high[0] - low[0]), tallest / float(high[1] - low[1]))
    scale = paper.units_per_m if paper else scale
    spare = room / scale - float(high[0] - low[0])
    low[0] -= spare / 2
    high[0] += spare / 2
    frame = Frame(float(low[0]), float(high[1]), scale, MARGIN_LEFT, MARGIN_TOP)
    height = MARGIN_TOP + float(high[1] - low[1]) * scale + bottom
    return frame, height, (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def grid(frame: Frame, box: Box, ruler: Ruler) -> str:
    """Coordinate lines at round values of the site's unit, numbered at the left and below."""
    left, right, top, bottom = sides(frame, box)
    easts, norths, _ = round_places(box, ruler, 8)
    lines = [f"M{num(frame.x(east * ruler.unit_m))} {num(top)}V{num(bottom)}" for east in easts]
    lines += [f"M{num(left)} {num(frame.y(north * ruler.unit_m))}H{num(right)}" for north in norths]
    drawn = [el("path", d=line, class_="grid-line") for line in lines]
    return el("g", neat_line(frame, box), *drawn, *numbered(frame, box, ruler, 8), class_="grid")


def sides(frame: Frame, box: Box) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of the box on the sheet."""
    x_low, y_low, x_high, y_high = box
    return frame.x(x_low), frame.x(x_high), frame.y(y_high), frame.y(y_low)


def round_places(box: Box, ruler: Ruler, wanted: int) -> tuple[list[float], list[float], int]:
    """Round eastings and northings within the box, in the site's unit, and the decimals that tell them."""
    x_low, y_low, x_high, y_high = (side / ruler.unit_m for side in box)
    step = nice_step(x_high - x_low, wanted)
    return steps_within(x_low, x_high, step), steps_within(y_low, y_high, step), step_decimals(step)


def neat_line(frame: Frame, box: Box) -> str:
    left, right, top, bottom = sides(frame, box)
    around = f"M{num(left)} {num(top)}H{num(right)}V{num(bottom)}H{num(left)}Z"
    return el("path", d=around, class_="neat-line")


def numbered(frame: Frame, box: Box, ruler: Ruler, wanted: int) -> list[str]:
    """The round values at the left and below, and the names of the axes."""
    left, right, top, bottom = sides(frame, box)
    easts, norths, decimals = round_places(box, ruler, wanted)
    # A number at the very top would run into the name of the axis.
    norths = [north for north in norths if frame.y(north * ruler.unit_m) > top + 14.0]
    return [
        *(
            text(f"{e:,.{decimals}f}", frame.x(e * ruler.unit_m), bottom + 16, "tick", "middle")
            for e in easts
        ),
        *(text(f"{n:,.{decimals}f}", left - 7, frame.y(n * ruler.unit_m) + 4, "tick", "end") for n in norths),
        text(f"N {ruler.symbol}", left - 7, top + 4, "tick strong", "end"),
        text(f"E {ruler.symbol}", right, bottom + 30, "tick strong", "end"),
    ]
