"""Rank the causes of one pile's variance by how well each explains the yard."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from inventory.causes.fits import Fit, Term, fit, log_mean_exp, scatter_t, usual_t
from inventory.causes.history import Floats, Yard
from inventory.causes.suspects import CODES, ONE_OFF_SD, Suspect, suspects
from inventory.causes.wording import CHECKS, numbers_of, say

__all__ = ["CODES", "Cause", "likely_causes"]

STANDING = ("base", "density", "material-density", "natural-loss")
LOG_ODDS_OF_STANDING = -1.5


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


@dataclass(frozen=True)
class _Judge:
    yard: Yard
    name: str
    level: Mapping[str, Floats]
    scatter: Mapping[str, float]

    def gain(self, suspect: Suspect) -> tuple[float, Fit]:
        """Log odds of the suspect against nothing at all, and the size it would have."""
        touched = sorted(suspect.shapes)
        alone, found = self._evidence(touched, suspect, standing=False)
        nothing, _ = self._evidence(touched, None, standing=False)
        gains = [suspect.log_odds + alone - nothing]
        if suspect.code not in STANDING:
            along, found_along = self._evidence(touched, suspect, standing=True)
            gains.append(suspect.log_odds + LOG_ODDS_OF_STANDING + along - nothing)
            found = found_along if gains[1] > gains[0] else found
        return max(gains), found

    def _evidence(self, piles: list[str], suspect: Suspect | None, *, standing: bool) -> tuple[float, Fit]:
        ys, sigmas, shapes, offsets = [], [], [], []
        for other in piles:
            known = np.isfinite(self.level[other])
            ys.append(self.level[other][known])
            sigmas.append(np.full(int(known.sum()), self.scatter[other]))
            offsets.append(np.full(int(known.sum()), 1.0 if other == self.name else 0.0))
            if suspect is not None:
                shapes.append(suspect.shapes[other][known])
        terms = []
        if suspect is not None:
            terms.append(Term(np.concatenate(shapes), suspect.mean, suspect.sd))
        if standing:
            terms.append(Term(np.concatenate(offsets), 0.0, ONE_OFF_SD * usual_t(self.yard, self.name)))
        found = fit(np.concatenate(ys), np.concatenate(sigmas), terms)
        return found.log_evidence, found
