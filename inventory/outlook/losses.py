"""Which pile loses tonnes: the increments of its variance added up, with the ± of the sum.

Ranked by how far the sum stands out of its own doubt and not by its size: a large pile with a large ± may
say nothing, a small one with a small ± much.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

TELLING = 1.0
"""Sums of at least their own ± (k = 2) say something."""


@dataclass(frozen=True)
class Increment:
    """One pile's month, tonnes: the change of measured less book; `survey_u95_t` the ± of the surveys' own
    parts of one count, `moved_u95_t` what the scales leave open in the month. None where not known."""

    period: str
    increment_t: float | None
    survey_u95_t: float | None
    moved_u95_t: float | None


@dataclass(frozen=True)
class Loss:
    """`tonnes` negative where measured falls behind the book; `u95_t` empty where a ± was not assessed."""

    key: Any
    tonnes: float
    u95_t: float | None
    months: int
    missing: int

    @property
    def significance(self) -> float:
        """Size of the sum in units of its ±; nought where that is not known."""
        return abs(self.tonnes) / self.u95_t if self.u95_t else 0.0

    @property
    def word(self) -> str:
        if self.significance < TELLING:
            return "within its ±" if self.u95_t else "no ± known"
        return "loses" if self.tonnes < 0 else "gains"


def loss_of(key: Any, months: Sequence[Increment]) -> Loss | None:
    """The sum over the months that have an increment; None where none has.

    Every survey but the first and the last stands in two increments with opposite signs and falls out of
    the sum; what the scales leave open stays, month by month, taken as independent.
    """
    known = [month for month in months if month.increment_t is not None]
    if not known:
        return None
    tonnes = math.fsum(month.increment_t or 0.0 for month in known)
    ends = [known[0].survey_u95_t, known[-1].survey_u95_t]
    moved = [month.moved_u95_t for month in known]
    parts = [*ends, *moved]
    u95_t = None if any(part is None for part in parts) else math.hypot(*(part or 0.0 for part in parts))
    return Loss(key, tonnes, u95_t, len(known), len(months) - len(known))


def ranked(losses: Iterable[Loss]) -> list[Loss]:
    """The most telling first; where that is equal, the larger."""
    return sorted(losses, key=lambda loss: (-loss.significance, -abs(loss.tonnes)))
