"""A pile's variance over its months: measured less book with its ±, and what was posted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from surveys.drawings.svg import drawing, el, nice_step, num, step_decimals, text

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720.0, 210.0, 78.0, 16.0, 16.0, 30.0


@dataclass(frozen=True)
class MonthOf:
    """One month: its name, variance and twice its standard uncertainty, posted adjustment; any one unit.

    `variance` is None where nothing was counted.
    """

    name: str
    variance: float | None
    u95: float | None
    posted: float


def variance_chart(months: Sequence[MonthOf], *, symbol: str, name: str) -> str:
    """SVG, oldest month at the left: dots with bars are measured less book, squares what was posted."""
    reach = max([abs(m.variance or 0.0) + (m.u95 or 0.0) for m in months] + [abs(m.posted) for m in months])
    step = nice_step(max(reach, 1.0), 2)
    top = step * 2 if reach <= 2 * step else step * 3
    middle = TOP + (HEIGHT - TOP - BOTTOM) / 2
    per_unit = (HEIGHT - TOP - BOTTOM) / 2 / top
    apart = (WIDTH - LEFT - RIGHT) / len(months)

    parts = []
    for tick in (top, top / 2, 0.0, -top / 2, -top):
        y = middle - tick * per_unit
        line = el("path", d=f"M{num(LEFT)} {num(y)}H{num(WIDTH - RIGHT)}", class_="grid-line")
        shown = "0" if tick == 0.0 else f"{'+' if tick > 0 else '−'}{abs(tick):,.{step_decimals(step)}f}"
        parts += [line, text(shown, LEFT - 8, y + 4, "tick", "end")]
    parts.append(el("path", d=f"M{num(LEFT)} {num(middle)}H{num(WIDTH - RIGHT)}", class_="variance-zero"))
    parts.append(text(symbol, 4, TOP + 4, "tick strong"))
    for place, month in enumerate(months):
        x = LEFT + (place + 0.5) * apart
        parts.append(text(month.name[2:], x, HEIGHT - 8, "tick", "middle"))
        if month.posted:
            y = middle - month.posted * per_unit
            parts.append(el("rect", x=x - 4.5, y=y - 4.5, width="9", height="9", class_="variance-posted"))
        if month.variance is None:
            continue
        y, half = middle - month.variance * per_unit, (month.u95 or 0.0) * per_unit
        parts.append(el("path", d=f"M{num(x)} {num(y - half)}V{num(y + half)}", class_="variance-bar"))
        parts.append(el("circle", cx=x, cy=y, r="3.5", class_="variance-dot"))
    return drawing(WIDTH, HEIGHT, parts, name=name, class_="variance-chart")
