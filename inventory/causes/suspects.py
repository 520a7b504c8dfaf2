"""What each cause would leave in the months of a yard: its shape, how large it can be, how common it is.

The sizes and odds are the choice of this tool, set from what such causes do in yards (common practice,
no source) and scored on simulated years with one planted cause each; see the test of the confusion table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from inventory.causes.fits import usual_t
from inventory.causes.history import Floats, Yard

CODES: dict[str, str] = {
    "noise": "Nothing beyond what surveys and scales leave open",
    "wrong-survey": "One survey is wrong",
    "late-tickets": "Tickets missing or late",
    "base": "The base is off",
    "density": "The density is off",
    "base-changed": "The base changed",
    "density-changed": "The density changed",
    "height-datum": "All heights of one visit are off",
    "material-density": "The density of the material is off on every pile",
    "belt-scale": "The belt scale drifts",
    "production-figures": "What was entered as production is off",
    "weighbridge": "The weighbridge is off",
    "unticketed-loads": "Loads leave this pile without a ticket",
    "neighbour": "Booked on the neighbouring pile, or the line between them is off",
    "natural-loss": "Natural loss",
    "paper-receipts": "Received on paper only",
    "worked-during-count": "The pile was worked while it was measured",
}
"""Cause → what it says in a few words. `Explanation.cause_code` is one of these, or `other`."""

HEIGHT_SD_M = 0.12
SCALE_SD = 0.03
DENSITY_SD = 0.04
ONE_OFF_SD = 0.04
LOSS_SD_PERCENT = 1.5


@dataclass(frozen=True)
class Suspect:
    """One way in which one cause could have made the months what they are.

    shapes   : pile → (n,) tonnes for b = 1
    mean, sd : what b can be
    log_odds : how common it is, against nothing at all
    unit     : of b, for people
    """

    code: str
    shapes: Mapping[str, Floats]
    mean: float
    sd: float
    log_odds: float
    unit: str
    since: int | None = None


def suspects(yard: Yard, name: str) -> Iterator[Suspect]:
    """Every cause worth asking of the pile's last month."""
    n = len(yard.months)
    yield from _one_off(yard, name, n)
    yield from _standing(yard, name)
    yield from _changes(yard, name, n)
    yield from _of_the_visit(yard, name, n)
    yield from _running(yard, name, n)
    yield from _with_neighbours(yard, name, n)


def _at(n: int, month: int) -> Floats:
    shape = np.zeros(n)
    shape[month] = 1.0
    return shape


def _from(n: int, month: int) -> Floats:
    shape = np.zeros(n)
    shape[month:] = 1.0
    return shape


def _since(flow: tuple[float, ...], start: int) -> Floats:
    """What has run through since `start`, that month included."""
    part = np.array(flow, dtype=np.float64)
    part[:start] = 0.0
    return np.cumsum(part)


def _one_off(yard: Yard, name: str, n: int) -> Iterator[Suspect]:
    pile, tonnes = yard.piles[name], usual_t(yard, name)
    for month in range(max(n - 2, 0), n):
        yield Suspect("wrong-survey", {name: _at(n, month)}, 0.0, ONE_OFF_SD * tonnes, -1.6, "t", month)
        missing = int(pile.at(tuple(map(float, pile.missing_tickets)), month))
        if missing and pile.mean_load_t:
            expected = missing * pile.mean_load_t
            # The tickets of a gap were issued, so material left; its weight is known to a load's scatter.
            spread = 0.12 * pile.mean_load_t * missing**0.5 + 0.25 * pile.mean_load_t
            yield Suspect("late-tickets", {name: _at(n, month)}, -expected, spread, 0.0, "t", month)
        elif pile.mean_load_t:
            yield Suspect(
                "late-tickets", {name: _at(n, month)}, 0.0, 8.0 * pile.mean_load_t, -3.2, "t", month
            )
        unweighed = pile.at(pile.unweighed_t, month)
        if unweighed > 0.0:
            yield Suspect(
                "paper-receipts", {name: _from(n, month)}, -unweighed, 0.15 * unweighed, -1.0, "t", month
            )
        moved = pile.at(pile.moved_during_count_t, month)
        if moved > 0.0:
            yield Suspect("worked-during-count", {name: _at(n, month)}, 0.0, moved, -1.0, "t", month)


def _standing(yard: Yard, name: str) -> Iterator[Suspect]:
    """Off by the same in every month (base), or by the same share of the tonnes (density)."""
    pile, tonnes = yard.piles[name], usual_t(yard, name)
    n = len(yard.months)
    yield Suspect("base", {name: np.ones(n)}, 0.0, 0.03 * tonnes, -1.5, "t")
    shares = {other: _tonnes(yard, other) for other in _same_material(yard, name)}
    yield Suspect("density", {name: shares[name]}, 0.0, DENSITY_SD, -1.5, "of the tonnes")
    if len(shares) > 1:
        yield Suspect("material-density", shares, 0.0, DENSITY_SD, -1.5, "of the tonnes")
    if pile.loss_percent_per_month is not None:
        # Stock at the start of each month loses during it.
        before = np.concatenate([[pile.book_t[0]], np.array(pile.book_t[:-1])])
        shape = np.cumsum(before) / 100.0
        allowed = pile.loss_percent_per_month
        yield Suspect("natural-loss", {name: shape}, -allowed, max(0.5 * allowed, 0.2), 0.0, "% a month")


def _changes(yard: Yard, name: str, n: int) -> Iterator[Suspect]:
    pile, tonnes = yard.piles[name], usual_t(yard, name)
    for code, changes in (("base-changed", pile.base_changes), ("density-changed", pile.density_changes)):
        for month, change in changes.items():
            if month < max(n - 4, 0):
                continue
            known = change.effect_t is not None
            mean = change.effect_t if change.effect_t is not None else 0.0
            spread = 0.25 * abs(mean) + 0.002 * tonnes if known else ONE_OFF_SD * tonnes
            yield Suspect(code, {name: _from(n, month)}, mean, spread, 0.0 if known else -0.7, "t", month)


def _of_the_visit(yard: Yard, name: str, n: int) -> Iterator[Suspect]:
    """One height error over everything shot on one day; it comes and goes with the visit."""
    for month in range(max(n - 2, 0), n):
        day = yard.piles[name].surveyed_on[month]
        if day is None:
            continue
        shapes = {
            other: _at(n, month) * pile.area_m2 * pile.density_t_per_m3
            for other, pile in yard.piles.items()
            if pile.surveyed_on[month] == day and pile.area_m2 and pile.density_t_per_m3
        }
        if name in shapes and len(shapes) > 1:
            yield Suspect("height-datum", shapes, 0.0, HEIGHT_SD_M, -1.6, "m", month)


def _running(yard: Yard, name: str, n: int) -> Iterator[Suspect]:
    """What grows with production or sales from some month on."""
    pile = yard.piles[name]
    code = "belt-scale" if pile.belt else "production-figures"
    on_belt = [o for o, p in yard.piles.items() if p.belt and p.belt == pile.belt] or [name]
    warned = {s for p in yard.piles.values() for s in p.uncertified_scales}
    for start in range(max(n - 1, 1)):
        if any(pile.production_t):
            shapes = {o: _since(yard.piles[o].production_t, start) for o in on_belt}
            odds = -1.8 + (0.7 if pile.belt in warned and pile.belt else 0.0)
            yield Suspect(code, shapes, 0.0, SCALE_SD, odds, "of the production", start)
        if any(pile.sales_t):
            everywhere = {o: _since(p.sales_t, start) for o, p in yard.piles.items() if any(p.sales_t)}
            if len(everywhere) > 1:
                odds = -2.2 + (0.7 if warned else 0.0)
                yield Suspect("weighbridge", everywhere, 0.0, SCALE_SD, odds, "of the sales", start)
            alone = {name: _since(pile.sales_t, start)}
            yield Suspect("unticketed-loads", alone, -SCALE_SD, SCALE_SD, -2.2, "of the sales", start)


def _with_neighbours(yard: Yard, name: str, n: int) -> Iterator[Suspect]:
    tonnes = usual_t(yard, name)
    others = yard.neighbours.get(name, tuple(o for o in yard.piles if o != name))
    for other in others:
        for month in range(max(n - 2, 0), n):
            for shape in (_at, _from):
                pair = {name: shape(n, month), other: -shape(n, month)}
                odds = -1.2 - 0.3 * len(others)
                yield Suspect("neighbour", pair, 0.0, ONE_OFF_SD * tonnes, odds, f"t, against {other}", month)


def _tonnes(yard: Yard, name: str) -> Floats:
    pile = yard.piles[name]
    return np.array([b if m is None else m for b, m in zip(pile.book_t, pile.measured_t, strict=True)])


def _same_material(yard: Yard, name: str) -> list[str]:
    return [o for o, p in yard.piles.items() if p.material == yard.piles[name].material]
