"""What is known of a yard over some months, as plain numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """A base or density took effect in a month; `effect_t` is its bridge, where both figures are known."""

    effect_t: float | None = None


@dataclass(frozen=True)
class PileHistory:
    """One pile over the months of its yard; every tuple has one entry a month, tonnes.

    book_t      : book closing before that month's adjustment
    measured_t  : measured closing at the cut-off; None where nothing was counted
    adjustment_t: posted in that month
    issues are positive. `missing_tickets` counts the gaps in the ticket series of the month,
    `unweighed_t` what was received on paper only, `moved_during_count_t` what moved while the pile was
    being measured. `area_m2` is the plan area, `loss_percent_per_month` the allowance of a material that
    loses mass by nature.
    """

    pile: str
    material: str
    book_t: tuple[float, ...]
    measured_t: tuple[float | None, ...]
    adjustment_t: tuple[float, ...]
    production_t: tuple[float, ...]
    sales_t: tuple[float, ...]
    surveyed_on: tuple[str | None, ...]
    u95_t: tuple[float | None, ...]
    area_m2: float | None = None
    density_t_per_m3: float | None = None
    base_changes: Mapping[int, Change] = field(default_factory=dict)
    density_changes: Mapping[int, Change] = field(default_factory=dict)
    missing_tickets: tuple[int, ...] = ()
    mean_load_t: float | None = None
    unweighed_t: tuple[float, ...] = ()
    moved_during_count_t: tuple[float, ...] = ()
    loss_percent_per_month: float | None = None
    belt: str = ""
    uncertified_scales: tuple[str, ...] = ()

    def level_t(self) -> Floats:
        """Measured minus the book as it would stand without any adjustment of these months; NaN where
        nothing was counted. A cause shows in this line; a posting does not."""
        measured = np.array([np.nan if m is None else m for m in self.measured_t])
        posted_before = np.concatenate([[0.0], np.cumsum(self.adjustment_t)[:-1]])
        return measured - np.array(self.book_t) + posted_before

    def at(self, values: tuple[float, ...], month: int) -> float:
        return values[month] if month < len(values) else 0.0


@dataclass(frozen=True)
class Yard:
    """Piles of one site over the same months, oldest first; the last one is the month in question."""

    months: tuple[str, ...]
    piles: Mapping[str, PileHistory]
    neighbours: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
