"""A yard's year in numbers with one planted cause, for scoring which cause comes first.

Eight piles, four materials, production and sales with a season, survey errors of 0.35 % (1 σ) that are
independent from month to month. Sizes of the planted causes are drawn from what the trade tells of such
causes (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from inventory.causes import Change, PileHistory, Yard

MONTHS = 12
SURVEY_SD = 0.0035
LOAD_T = 28.0
PILES = {
    "P1": ("fines", 18_000.0, 2_100.0, 1.60),
    "P2": ("stone", 15_000.0, 2_000.0, 1.45),
    "P3": ("stone", 12_500.0, 1_800.0, 1.45),
    "P4": ("stone", 9_000.0, 1_500.0, 1.45),
    "P5": ("base", 25_000.0, 2_600.0, 1.85),
    "P6": ("sand", 12_500.0, 2_000.0, 1.55),
    "P7": ("sand", 7_000.0, 900.0, 1.55),
    "P8": ("chips", 2_500.0, 1_600.0, 0.32),
}
NEIGHBOURS = {"P2": ("P3",), "P3": ("P2", "P4"), "P4": ("P3",), "P6": ("P7",), "P7": ("P6",)}

CAUSES = (
    "noise",
    "wrong-survey",
    "late-tickets",
    "base",
    "density",
    "base-changed",
    "density-changed",
    "height-datum",
    "material-density",
    "belt-scale",
    "production-figures",
    "weighbridge",
    "unticketed-loads",
    "neighbour",
    "natural-loss",
    "paper-receipts",
    "worked-during-count",
)


class _Year:
    """True stock and the book of one year; the planted cause bends one of them, or what is measured."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        season = 1.0 + 0.35 * np.sin(2.0 * np.pi * (np.arange(MONTHS) - 2.0) / 12.0)
        self.production, self.sales, self.stock, self.book, self.seen = {}, {}, {}, {}, {}
        for name, (_, tonnes, _, _) in PILES.items():
            made = 0.30 * tonnes * season * rng.uniform(0.85, 1.15, MONTHS)
            sold = 0.30 * tonnes * np.roll(season, 1) * rng.uniform(0.85, 1.15, MONTHS)
            self.production[name], self.sales[name] = made, sold
            self.stock[name] = tonnes + np.cumsum(made - sold)
            self.book[name] = self.stock[name].copy()
            self.seen[name] = self.stock[name] * (1.0 + rng.normal(0.0, SURVEY_SD, MONTHS))

    def lose_sold(self, name: str, tonnes: np.ndarray) -> None:
        """Material that left without the book: stock and measured fall, the book stays."""
        gone = np.cumsum(tonnes)
        self.stock[name] = self.stock[name] - gone
        self.seen[name] = self.seen[name] - gone


def year(cause: str, seed: int) -> tuple[Yard, str]:
    """(yard, the pile in question) with `cause` planted so that it shows in the last month."""
    rng = np.random.default_rng([seed, CAUSES.index(cause)])
    made = _Year(rng)
    ordinary = [p for p in PILES if p != "P8"]
    name = "P8" if cause == "natural-loss" else str(rng.choice(ordinary))
    sign = float(rng.choice([-1.0, 1.0]))
    extra: dict[str, dict[str, object]] = {}
    tonnes = PILES[name][1]
    last = MONTHS - 1
    if cause == "wrong-survey":
        made.seen[name][last - 1] += sign * rng.uniform(0.02, 0.05) * tonnes
    elif cause == "late-tickets":
        loads = int(rng.integers(8, 20))
        made.lose_sold(name, np.eye(MONTHS)[last] * float(np.sum(rng.normal(LOAD_T, 2.0, loads))))
        extra[name] = {"missing_tickets": (*([0] * last), loads)}
    elif cause == "base":
        made.seen[name] += sign * rng.uniform(0.02, 0.05) * tonnes
    elif cause == "density":
        name = str(rng.choice(["P1", "P5"]))
        made.seen[name] *= 1.0 + sign * rng.uniform(0.02, 0.05)
    elif cause in ("base-changed", "density-changed"):
        effect = sign * rng.uniform(0.015, 0.05) * tonnes
        month = int(rng.integers(last - 2, last + 1))
        made.seen[name][month:] += effect * rng.normal(1.0, 0.1)
        extra[name] = {_CHANGES[cause]: {month: Change(effect)}}
    elif cause == "height-datum":
        step_m = sign * rng.uniform(0.06, 0.15)
        for other, (_, _, area, density) in PILES.items():
            made.seen[other][last] += step_m * area * density
    elif cause == "material-density":
        name, share = "P6", sign * rng.uniform(0.02, 0.04)
        for other in ("P6", "P7"):
            made.seen[other] *= 1.0 + share
    elif cause in ("belt-scale", "production-figures"):
        name = "P1" if cause == "belt-scale" else str(rng.choice(["P2", "P4", "P5"]))
        share = sign * rng.uniform(0.02, 0.035)
        start = int(rng.integers(last - 4, last - 1))
        flow = np.where(np.arange(MONTHS) >= start, made.production[name], 0.0)
        made.book[name] += share * np.cumsum(flow)
    elif cause == "weighbridge":
        share = sign * rng.uniform(0.012, 0.02)
        start = int(rng.integers(last - 4, last - 1))
        for other in PILES:
            flow = np.where(np.arange(MONTHS) >= start, made.sales[other], 0.0)
            made.book[other] += share * np.cumsum(flow)
    elif cause == "unticketed-loads":
        start = int(rng.integers(last - 4, last - 1))
        made.lose_sold(
            name, np.where(np.arange(MONTHS) >= start, rng.uniform(0.025, 0.05) * made.sales[name], 0.0)
        )
    elif cause == "neighbour":
        name = str(rng.choice(["P2", "P4", "P6"]))
        moved = sign * rng.uniform(0.03, 0.06) * PILES[name][1]
        made.book[name][last] += moved
        made.book[NEIGHBOURS[name][0]][last] -= moved
    elif cause == "natural-loss":
        made.lose_sold("P8", 0.012 * made.stock["P8"])
    elif cause == "paper-receipts":
        paper = rng.uniform(0.02, 0.05) * tonnes
        made.book[name][last] += paper
        extra[name] = {"unweighed_t": (*([0.0] * last), paper)}
    elif cause == "worked-during-count":
        moved = rng.uniform(0.02, 0.05) * tonnes
        made.seen[name][last] += sign * moved * rng.uniform(0.6, 1.0)
        extra[name] = {"moved_during_count_t": (*([0.0] * last), moved)}
    return _yard(made, extra), name


_CHANGES = {"base-changed": "base_changes", "density-changed": "density_changes"}


def _yard(made: _Year, extra: dict[str, dict[str, object]]) -> Yard:
    piles = {}
    for name, (material, _, area, density) in PILES.items():
        history = PileHistory(
            pile=name,
            material=material,
            book_t=tuple(made.book[name].tolist()),
            measured_t=tuple(made.seen[name].tolist()),
            adjustment_t=(0.0,) * MONTHS,
            production_t=tuple(made.production[name].tolist()),
            sales_t=tuple(made.sales[name].tolist()),
            surveyed_on=tuple(f"2025-{m + 1:02d}-28" for m in range(MONTHS)),
            u95_t=(None,) * MONTHS,
            area_m2=area,
            density_t_per_m3=density,
            mean_load_t=LOAD_T,
            loss_percent_per_month=1.2 if material == "chips" else None,
            belt="B1" if name == "P1" else "",
        )
        piles[name] = replace(history, **extra.get(name, {}))
    return Yard(tuple(f"2025-{m + 1:02d}" for m in range(MONTHS)), piles, NEIGHBOURS)
