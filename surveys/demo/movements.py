"""What moved in the invented year, as the weighbridges, belts and barges of three sites wrote it down.

`movements.csv` says how many tonnes the story wants of each pile and month, and how many moved between its
survey and the month's end. Loads, hours, numbers, customers and hauliers are drawn from a fixed seed.
"""

from __future__ import annotations

import calendar
import csv
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from surveys.demo.monthly import wanted

LOAD_T = {"sale": 28.5, "transfer": 28.5, "purchase": 24.0, "usage": 160.0, "production": 1500.0}
BARGE_T = 690.0
"""Tulmarrow is supplied by water; its own boilers and a neighbour's take coal by the shift."""
KTV_LOAD_T = 21.0
LATE = ("TUL-02", "2025-08")
LATE_ON = (dt.date(2025, 8, 20), dt.date(2025, 8, 21))
ON_BELT = "DRV-01"
"""Its belt reads three per cent high from June to August; `movements.csv` holds what the belt showed."""

_OPENS, _CLOSES = 7, 17
_AFTER_SURVEY_OPENS = 13


@dataclass(frozen=True)
class Load:
    """One line of a ticket file. `to_pile` for a transfer. Tonnes as the scale showed them."""

    at: dt.datetime
    pile: str
    what: str
    tonnes: float
    to_pile: str = ""
    is_late: bool = False


@dataclass(frozen=True)
class Flow:
    month: str
    pile: str
    what: str
    tonnes: float
    other_pile: str


@cache
def flows() -> tuple[Flow, ...]:
    text = (Path(__file__).parent / "movements.csv").read_text(encoding="utf-8")
    return tuple(
        Flow(row["month"], row["pile"], row["what"], float(row["tonnes"]), row["other_pile"])
        for row in csv.DictReader(text.splitlines())
    )


def openings() -> dict[str, float]:
    """Pile → tonnes in the book on New Year's Day."""
    return {flow.pile: flow.tonnes for flow in flows() if flow.what == "opening"}


@cache
def loads_of(site: str, month: str) -> tuple[Load, ...]:
    """Everything that moved at a site in a month, by time; late tickets are marked, still in their day."""
    piles = sorted({f.pile for f in flows() if f.month == month and f.pile.startswith(site)})
    loads = [load for pile in piles for load in _of_pile(pile, month)]
    return tuple(sorted(loads, key=lambda load: (load.at, load.pile, load.what)))


def belt_totals(month: str) -> list[tuple[dt.datetime, float]]:
    """(moment, tonnes carried since the month began) as the belt to `ON_BELT` was read."""
    total, read = 0.0, []
    for load in _of_pile(ON_BELT, month):
        if load.what == "production":
            total += load.tonnes
            read.append((load.at, total))
    return read


def _of_pile(pile: str, month: str) -> list[Load]:
    """Transfers run before either pile is surveyed; what else moves after the survey nets to the story's."""
    mine = [f for f in flows() if f.month == month and f.pile == pile]
    into = [f for f in mine if f.what in ("production", "purchase")]
    out_of = [f for f in mine if f.what in ("sale", "usage")]
    net_after = sum(f.tonnes for f in mine if f.what == "net-after-survey")
    before, after = _days(pile, month)
    share = len(after) / (len(before) + len(after))
    out_t, in_t = sum(f.tonnes for f in out_of), sum(f.tonnes for f in into)
    if not after:
        out_after = in_after = 0.0
    elif not in_t:
        out_after, in_after = max(-net_after, 0.0), 0.0
    else:
        out_after = max(out_t * share, -net_after)
        in_after = net_after + out_after
    rng = np.random.default_rng([int(month.replace("-", "")), sum(map(ord, pile)), int(pile[-2:])])
    loads: list[Load] = []
    for group, after_t, total_t in ((into, in_after, in_t), (out_of, out_after, out_t)):
        for flow in sorted(group, key=lambda f: f.what):
            part_t = after_t * flow.tonnes / total_t
            loads += _spread(flow, flow.tonnes - part_t, before, rng)
            loads += _spread(flow, part_t, after, rng)
    for flow in mine:
        if flow.what == "transfer":
            quiet_from = min(_surveyed_on(pile, month), _surveyed_on(flow.other_pile, month))
            loads += _spread(flow, flow.tonnes, [day for day in before if day < quiet_from], rng)
        if flow.what == "late-sale":
            loads += _late(flow, rng)
    return loads


def _days(pile: str, month: str) -> tuple[list[dt.date], list[dt.date]]:
    """(working days before the survey, those from its afternoon on); a pile rests while it is surveyed."""
    year, number = int(month[:4]), int(month[5:])
    last = calendar.monthrange(year, number)[1]
    days = [dt.date(year, number, day) for day in range(1, last + 1)]
    on = _surveyed_on(pile, month)
    before = [day for day in days if day < on and day.weekday() < 6]
    after = [day for day in days if day >= on and (day == on or day.weekday() < 6)]
    return before, after if on.day < last else []


def _surveyed_on(pile: str, month: str) -> dt.date:
    return next(w.surveyed_on for w in wanted() if w.pile == pile and f"{w.surveyed_on:%Y-%m}" == month)


def _spread(flow: Flow, tonnes: float, days: list[dt.date], rng: np.random.Generator) -> list[Load]:
    """Loads that sum to `tonnes` to the hundredth, over the days and hours."""
    if tonnes < 0.01 or not days:
        return []
    usual = BARGE_T if (flow.what, flow.pile[:3]) == ("purchase", "TUL") else LOAD_T[flow.what]
    usual = min(usual, KTV_LOAD_T) if flow.pile.startswith("KTV") and usual < 100.0 else usual
    count = max(round(tonnes / usual), 1)
    sizes = 1.0 + rng.uniform(-0.045, 0.045, count)
    cents = np.round(100.0 * tonnes * sizes / sizes.sum()).astype(int)
    cents[-1] += round(100.0 * tonnes) - int(cents.sum())
    moments = sorted(_moment(days, rng) for _ in range(count))
    pairs = zip(moments, cents.tolist(), strict=True)
    return [Load(at, flow.pile, flow.what, n / 100.0, flow.other_pile) for at, n in pairs if n > 0]


def _moment(days: list[dt.date], rng: np.random.Generator) -> dt.datetime:
    place = int(rng.integers(len(days)))
    day = days[place]
    first_is_survey = len(days) < 10 and place == 0
    opens = _AFTER_SURVEY_OPENS if first_is_survey else _OPENS
    minute = int(rng.integers(60 * opens, 60 * _CLOSES))
    return dt.datetime.combine(day, dt.time(minute // 60, minute % 60, int(rng.integers(60))), dt.UTC)


def _late(flow: Flow, rng: np.random.Generator) -> Iterator[Load]:
    """Loads that left and were weighed, but whose tickets lay in a drawer until September."""
    for load in _spread(Flow(flow.month, flow.pile, "sale", flow.tonnes, ""), flow.tonnes, [*LATE_ON], rng):
        hours = max(load.at.hour, _OPENS)
        yield Load(load.at.replace(hour=hours), load.pile, "sale", load.tonnes, is_late=True)
