"""A section: top and base along a line, true to scale unless the exaggeration says otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from surveys.drawings.paper import Paper
from surveys.drawings.silhouette import Profile
from surveys.drawings.svg import (
    FloatArray,
    Frame,
    drawing,
    el,
    nice_step,
    num,
    path_of,
    step_decimals,
    steps_within,
    text,
)

LEFT, RIGHT, TOP, BOTTOM = 58.0, 20.0, 26.0, 44.0
LEAST, LEAST_ON_PAPER = 110.0, 60.0
"""Sheet units below which a section is too low to read. Paper is read from nearer than a screen."""


@dataclass(frozen=True)
class Ruler:
    """How lengths are read: metres in one unit, and its symbol."""

    unit_m: float = 1.0
    symbol: str = "m"


def section(
    profile: Profile,
    *,
    previous: Profile | None = None,
    ruler: Ruler | None = None,
    width: float = 860.0,
    paper: Paper | None = None,
    exaggeration: int | None = None,
    ends: tuple[str, str] = ("A", "B"),
    name: str,
) -> str:
    """SVG of a section with distances below and elevations at the left.

    Drawn true to scale where it fits; a flat section is exaggerated by a whole factor, which is printed:
    the one given, so that two sections have the same, or one of its own. On `paper` lengths are drawn to
    the paper's scale, which is stated.
    """
    ruler = ruler or Ruler()
    known = np.isfinite(profile.top_m) | np.isfinite(profile.base_m)
    if known.sum() < 2:
        raise ValueError("a section needs at least two places where a surface is known")
    low, high = _height_range(profile, previous)
    per_m = paper.units_per_m if paper else (width - LEFT - RIGHT) / max(profile.length_m, 1e-9)
    width = LEFT + RIGHT + profile.length_m * per_m if paper else width
    factor = exaggeration or _exaggeration(per_m, high - low)
    frame = Frame(profile.distance_m[0], high, per_m, LEFT, TOP, y_scale=per_m * factor)
    height = TOP + (high - low) * per_m * factor + BOTTOM
    parts = [
        _grid(frame, profile, low, high, ruler, width, ends[0]),
        *_bodies(frame, profile),
        _previous_line(frame, previous),
        el("path", d=_runs(frame, profile.distance_m, profile.base_m), class_="section-base"),
        el("path", d=_runs(frame, profile.distance_m, profile.top_m), class_="section-top"),
        text(ends[0], LEFT, TOP - 10, "label strong", "middle"),
        text(ends[1], width - RIGHT, TOP - 10, "label strong", "middle"),
        text(_scale_words(factor, paper), (LEFT + width - RIGHT) / 2, TOP - 10, "tick", "middle"),
    ]
    return drawing(width, height, parts, name=name, class_="section", paper=paper)


def _scale_words(factor: int, paper: Paper | None) -> str:
    stated = f"{paper.words}, " if paper else ""
    return stated + (
        "heights and lengths at one scale"
        if factor == 1
        else f"heights drawn {factor} times larger than lengths"
    )


def exaggeration_for(profiles: Sequence[Profile], paper: Paper) -> int:
    """One factor for several sections on one paper: that of the highest, so that none outgrows the page."""
    ranges = [float(np.subtract(*reversed(_height_range(profile, None)))) for profile in profiles]
    return _exaggeration(paper.units_per_m, max(ranges), LEAST_ON_PAPER)


def _height_range(profile: Profile, previous: Profile | None) -> tuple[float, float]:
    heights = [profile.top_m, profile.base_m] + ([previous.top_m] if previous is not None else [])
    every = np.concatenate(heights)
    every = every[np.isfinite(every)]
    pad = max(0.06 * float(np.ptp(every)), 0.2)
    return float(every.min()) - pad, float(every.max()) + pad


def _exaggeration(per_m: float, range_m: float, least: float = LEAST) -> int:
    """1 unless the section would be drawn lower than `least` units; never above 10."""
    drawn = per_m * range_m
    return 1 if drawn >= least else min(10, int(np.ceil(least / max(drawn, 1e-9))))


def _grid(
    frame: Frame, profile: Profile, low: float, high: float, ruler: Ruler, width: float, first: str
) -> str:
    parts = []
    y_step = nice_step((high - low) / ruler.unit_m, 5)
    for level in steps_within(low / ruler.unit_m, high / ruler.unit_m, y_step):
        y = frame.y(level * ruler.unit_m)
        parts.append(el("path", d=f"M{num(LEFT)} {num(y)}H{num(width - RIGHT)}", class_="grid-line"))
        parts.append(text(f"{level:,.{step_decimals(y_step)}f}", LEFT - 8, y + 4, "tick", "end"))
    start = float(profile.distance_m[0])
    x_step = nice_step(profile.length_m / ruler.unit_m, 8)
    floor = frame.y(low)
    for along in steps_within(0.0, profile.length_m / ruler.unit_m, x_step):
        x = frame.x(start + along * ruler.unit_m)
        parts.append(el("path", d=f"M{num(x)} {num(TOP)}V{num(floor + 5)}", class_="grid-line"))
        parts.append(text(f"{along:,.{step_decimals(x_step)}f}", x, floor + 19, "tick", "middle"))
    words = f"distance from {first} below, elevation at the left, {ruler.symbol}"
    parts.append(text(words, (LEFT + width - RIGHT) / 2, floor + 36, "tick", "middle"))
    return el("g", *parts, class_="grid")


def _bodies(frame: Frame, profile: Profile) -> list[str]:
    """Material above the base and, marked apart, below it. Split exactly where the lines cross."""
    distance, top, base = _with_crossings(profile)
    bodies = []
    for class_, keep in (("section-above", top >= base), ("section-below", top <= base)):
        data = []
        for run in _true_runs(keep & np.isfinite(top) & np.isfinite(base)):
            if len(run) < 2:
                continue
            there = np.column_stack([distance[run], top[run]])
            back = np.column_stack([distance[run], base[run]])[::-1]
            data.append(path_of(frame.points(np.vstack([there, back])), closed=True))
        if data:
            bodies.append(el("path", d="".join(data), class_=class_))
    return bodies


def _with_crossings(profile: Profile) -> tuple[FloatArray, FloatArray, FloatArray]:
    distance, top, base = profile.distance_m, profile.top_m, profile.base_m
    gap = top - base
    with np.errstate(invalid="ignore"):
        crosses = np.flatnonzero(gap[:-1] * gap[1:] < 0)
    if not len(crosses):
        return distance, top, base
    part = gap[crosses] / (gap[crosses] - gap[crosses + 1])
    at = distance[crosses] + part * (distance[crosses + 1] - distance[crosses])
    height = top[crosses] + part * (top[crosses + 1] - top[crosses])
    places = crosses + 1
    return np.insert(distance, places, at), np.insert(top, places, height), np.insert(base, places, height)


def _true_runs(mask: np.ndarray) -> list[np.ndarray]:
    """Index runs where `mask` holds."""
    where = np.flatnonzero(mask)
    if not len(where):
        return []
    return np.split(where, np.flatnonzero(np.diff(where) > 1) + 1)


def _runs(frame: Frame, distance: FloatArray, height: FloatArray) -> str:
    runs = _true_runs(np.isfinite(height))
    return "".join(
        path_of(frame.points(np.column_stack([distance[run], height[run]]))) for run in runs if len(run) > 1
    )


def _previous_line(frame: Frame, previous: Profile | None) -> str:
    if previous is None:
        return ""
    return el("path", d=_runs(frame, previous.distance_m, previous.top_m), class_="section-before")
