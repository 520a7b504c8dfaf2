"""A small line of one quantity over the months, on its own zero line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from surveys.drawings.svg import drawing, el, num, path_of

WIDTH, HEIGHT, PAD = 92.0, 24.0, 3.0
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def month_ends(today: dt.date, number: int) -> list[dt.date]:
    """The last days of the `number` months before today's, and today."""
    firsts = [today.replace(day=1)]
    while len(firsts) < number:
        firsts.append((firsts[-1] - dt.timedelta(days=1)).replace(day=1))
    return [*(first - dt.timedelta(days=1) for first in reversed(firsts)), today]


def trend(values: Sequence[float | None], days: Sequence[dt.date], of: str) -> str:
    """SVG of `values` at `days`: lines between neighbours that are both known, a dot on the last one known.

    The scale runs from zero to the largest value, so that a small change does not look like a large one.
    """
    known = [value for value in values if value is not None]
    low, high = min(0.0, *known), max(0.0, *known)
    step = (WIDTH - 2 * PAD) / max(1, len(values) - 1)

    def at(index: int) -> tuple[float, float]:
        value = values[index]
        assert value is not None
        rise = (value - low) / (high - low) if high > low else 0.0
        return PAD + index * step, HEIGHT - PAD - rise * (HEIGHT - 2 * PAD)

    zero = HEIGHT - PAD - (0.0 - low) / (high - low) * (HEIGHT - 2 * PAD) if high > low else HEIGHT - PAD
    parts = [el("path", d=f"M{num(PAD)} {num(zero)}H{num(WIDTH - PAD)}", class_="trend-zero")]
    parts += [el("path", d=path_of([at(i) for i in run]), class_="trend-line") for run in runs(values)]
    x, y = at(max(i for i, value in enumerate(values) if value is not None))
    parts.append(el("circle", cx=x, cy=y, r="2.4", class_="trend-last"))
    return drawing(WIDTH, HEIGHT, parts, name=_said(values, days, of), class_="silhouette trend")


def runs(values: Sequence[float | None]) -> list[list[int]]:
    """Indices of neighbours that are known, two or more at a time."""
    found: list[list[int]] = [[]]
    for index, value in enumerate(values):
        if value is None:
            found.append([])
        else:
            found[-1].append(index)
    return [run for run in found if len(run) > 1]


def _said(values: Sequence[float | None], days: Sequence[dt.date], of: str) -> str:
    told = [
        f"{MONTHS[day.month - 1]} {day.year}: {value:,.0f}"
        for value, day in zip(values, days, strict=True)
        if value is not None
    ]
    return f"{of}: {'; '.join(told)}"
