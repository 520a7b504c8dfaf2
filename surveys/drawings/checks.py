"""What every survey saw of one mark: measured less known along each axis, over the days, with its ±."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from surveys.drawings.section import Ruler
from surveys.drawings.svg import drawing, el, nice_step, num, step_decimals, text
from surveys.drawings.trend import MONTHS

WIDTH, LEFT, RIGHT, TOP, STRIP, GAP, BOTTOM = 620.0, 76.0, 16.0, 14.0, 62.0, 12.0, 26.0


@dataclass(frozen=True)
class CheckDot:
    """One sight: its day, measured less known, and twice its standard uncertainty; metres."""

    on: dt.date
    off_m: float
    u95_m: float


def check_chart(axes: Sequence[tuple[str, Sequence[CheckDot]]], *, ruler: Ruler, name: str) -> str:
    """SVG: one strip an axis, all at one scale, zero in the middle. `axes`: (words, dots), none empty."""
    dots = [dot for _, given in axes for dot in given]
    first, last = min(dot.on for dot in dots), max(dot.on for dot in dots)
    reach = max(abs(dot.off_m) + dot.u95_m for dot in dots) / ruler.unit_m
    step = nice_step(reach, 1)
    span_days = max((last - first).days, 1)
    room = WIDTH - LEFT - RIGHT - 16
    height = TOP + len(axes) * (STRIP + GAP) + BOTTOM

    def x(day: dt.date) -> float:
        return LEFT + 8 + (day - first).days / span_days * room

    parts = []
    for index, (words, given) in enumerate(axes):
        middle = TOP + index * (STRIP + GAP) + STRIP / 2
        per_m = STRIP / 2 / (step * ruler.unit_m)
        parts += _strip(words, middle, step, ruler)
        for dot in given:
            at, y, half = x(dot.on), middle - dot.off_m * per_m, dot.u95_m * per_m
            parts.append(el("path", d=f"M{num(at)} {num(y - half)}V{num(y + half)}", class_="check-bar"))
            parts.append(el("circle", cx=at, cy=y, r="3", class_="check-dot"))
    parts.append(text(_day(first), LEFT + 8, height - 8, "tick", "start"))
    if last > first:
        parts.append(text(_day(last), WIDTH - RIGHT - 8, height - 8, "tick", "end"))
    return drawing(WIDTH, height, parts, name=name, class_="check-chart")


def _strip(words: str, middle: float, step: float, ruler: Ruler) -> list[str]:
    edge = f"M{num(LEFT)} {num(middle - STRIP / 2)}H{num(WIDTH - RIGHT)}"
    under = f"M{num(LEFT)} {num(middle + STRIP / 2)}H{num(WIDTH - RIGHT)}"
    value = f"{step:,.{step_decimals(step)}f}"
    return [
        el("path", d=edge + under, class_="grid-line"),
        el("path", d=f"M{num(LEFT)} {num(middle)}H{num(WIDTH - RIGHT)}", class_="check-zero"),
        text(words, 4, middle + 4, "tick strong"),
        text(f"+{value} {ruler.symbol}", LEFT - 6, middle - STRIP / 2 + 9, "tick", "end"),
        text(f"−{value}", LEFT - 6, middle + STRIP / 2, "tick", "end"),
    ]


def _day(day: dt.date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"
