"""Rank the causes of one pile's variance by how well each explains the yard."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from inventory.causes.fits import Fit, Months, log_mean_exp, scatter_t, usual_t
from inventory.causes.history import Floats, Yard
from inventory.causes.suspects import CODES, ONE_OFF_SD, Suspect, suspects
from inventory.causes.wording import CHECKS, numbers_of, say

__all__ = ["CODES", "Cause", "likely_causes"]

STANDING = ("base", "density", "material-density", "natural-loss")
LOG_ODDS_OF_STANDING = -1.5
SHARED = ("material-density", "height-datum", "belt-scale", "weighbridge")
WITNESS_FOR, WITNESS_AGAINST = 3.0, 5.0
"""What one other pile may add to or take from the log odds of an error that several share."""
USUAL_OFFSET = 0.007
"""Every pile stands a little off its book, as a share of its tonnes (1 σ): the surveyor's spacing, a base.
Common practice, no source."""


@dataclass(frozen=True)
class Cause:
    """One candidate. `fit` is its share among all candidates, 0 to 1: a ranking, not a probability.

    `evidence` holds the numbers it rests on, `check` what would settle it.
    """

    code: str
    words: str
    fit: float
    evidence: Mapping[str, str | float]
    check: str

    def as_dict(self) -> dict[str, object]:
        return {
            "code": self.code,
            "words": self.words,
            "fit": round(self.fit, 3),
            "evidence": dict(self.evidence),
            "check": self.check,
        }


def likely_causes(yard: Yard, name: str) -> tuple[Cause, ...]:
    """Causes of the pile's variance in the yard's last month, likeliest first.

    Empty where the pile was not measured in that month. Every cause is held against the months of all
    piles that it would touch, so that an error of the whole visit loses against a single wrong survey
    when the other piles are quiet. A standing offset may go along with any cause, at a price.
    """
    level = {other: pile.level_t() for other, pile in yard.piles.items()}
    if name not in level or not np.isfinite(level[name][-1]):
        return ()
    scatter = scatter_t(yard)
    judged = _Judge(yard, name, level, scatter)
    by_code: dict[str, list[tuple[float, Suspect, Fit]]] = {}
    for suspect in suspects(yard, name):
        gain, found = judged.gain(suspect)
        by_code.setdefault(suspect.code, []).append((gain, suspect, found))
    score = {"noise": 0.0}
    for code, found_ways in by_code.items():
        score[code] = log_mean_exp([gain for gain, _, _ in found_ways])
    total = log_mean_exp(list(score.values())) + math.log(len(score))
    ranked = sorted(score, key=lambda code: (-score[code], code))
    causes = []
    for code in ranked:
        best = max(by_code[code], key=lambda way: way[0]) if code in by_code else None
        share = math.exp(score[code] - total)
        evidence = numbers_of(yard, name, level, scatter, best)
        causes.append(Cause(code, say(code, yard, name, best), share, evidence, CHECKS[code]))
    return tuple(causes)


class _Judge:
    """Holds suspects against the months of the piles they touch. `along`: with a standing offset too."""

    def __init__(
        self, yard: Yard, name: str, level: Mapping[str, Floats], scatter: Mapping[str, float]
    ) -> None:
        self.name = name
        self.row = {other: row for row, other in enumerate(level)}
        y = np.array(list(level.values()))
        known = np.isfinite(y)
        usual = np.array([usual_t(yard, other) for other in level])
        share = np.full(len(usual), USUAL_OFFSET)
        given = np.where(known, y, 0.0), known, np.array([scatter[other] for other in level])
        self.months = Months(*given, share * usual)
        share[self.row[name]] = ONE_OFF_SD
        self.along = Months(*given, share * usual)
        self.nothing = self.months.log_evidence(np.zeros(y.shape), 0.0)

    def gain(self, suspect: Suspect) -> tuple[float, Fit]:
        """Log odds of the suspect against nothing at all, and the size it would have."""
        alone, found = self._against(suspect, self.months)
        gains = [suspect.log_odds + alone]
        if suspect.code not in STANDING:
            along, found_along = self._against(suspect, self.along)
            gains.append(suspect.log_odds + LOG_ODDS_OF_STANDING + along)
            found = found_along if gains[1] > gains[0] else found
        return max(gains), found

    def _against(self, suspect: Suspect, all_months: Months) -> tuple[float, Fit]:
        """Log Bayes factor, pile by pile at the size that fits best: log p(y) = log p(y | b) + log p(b) −
        log p(b | y) holds at every b, and piles are independent given b.

        What one other pile can say for an error that they all would share is bounded: a neighbour with a
        trouble of its own must not accuse the weighbridge.
        """
        rows = [self.row[other] for other in suspect.shapes]
        months = all_months.only(rows)
        shapes = np.where(months.known, np.array(list(suspect.shapes.values())), 0.0)
        found = months.size_of(shapes, suspect.mean, suspect.sd)
        total = -((found.size - suspect.mean) ** 2) / (2.0 * suspect.sd**2)
        total -= math.log(suspect.sd / found.size_sd)
        gained = months.log_evidence(shapes, found.size) - self.nothing[rows]
        is_own = np.array([other == self.name for other in suspect.shapes])
        own = float(gained[is_own].sum())
        # A neighbour is told by both halves of the exchange, so it may say as much as the pile itself.
        bound = WITNESS_FOR if suspect.code in SHARED else WITNESS_FOR + max(own, 0.0)
        return total + own + float(np.clip(gained[~is_own], -WITNESS_AGAINST, bound).sum()), found
