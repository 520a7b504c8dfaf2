"""Monthly flows carried forward, by the rule that would have done best on the months known.

Rules: simple exponential smoothing (Brown; Gardner 1985, from memory) and, from `SEASON_NEEDED` months
on, the same month of a year before, scaled by how the last months compare with theirs (seasonal naive
with a level). They are compared by rolling origin, one month ahead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

MONTHS_NEEDED = 6
SEASON = 12
SEASON_NEEDED = SEASON + 3
COVERAGE_K = 2.0
SMOOTHING = (0.1, 0.2, 0.3, 0.5, 0.7, 0.9)
LEVEL_MONTHS = 3


class NotEnoughMonths(Exception):
    """Fewer months than a forecast needs; the text says how many there are."""


@dataclass(frozen=True)
class BackTest:
    """How the rule did on months it had not seen, one month ahead.

    origins: months tried; mean_abs_error in the unit of the series; bias: mean of forecast − actual;
    mean_abs_percent: of the mean of the series, None where that is 0; covered: share of the months whose
    actual lay within the interval that was known then, None where none was.
    """

    origins: int
    mean_abs_error: float
    bias: float
    mean_abs_percent: float | None
    covered: float | None


@dataclass(frozen=True)
class Forecast:
    """Expected flow of each month ahead, and the standard deviation of one month's error.

    `rule` names the rule chosen in words, `first_month` the months known before the first one ahead.
    """

    monthly: tuple[float, ...]
    month_sd: float
    rule: str
    first_month: int
    back_test: BackTest

    def total(self, months: int) -> tuple[float, float]:
        """(expected, standard deviation) of the sum of the first `months`; errors taken as independent."""
        return math.fsum(self.monthly[:months]), self.month_sd * math.sqrt(months)


Rule = Callable[[Sequence[float], int], list[float]]


def forecast(known: Sequence[float], months_ahead: int) -> Forecast:
    """Carry a monthly series (oldest first) forward.

    Raises `NotEnoughMonths` under `MONTHS_NEEDED` months, `ValueError` for a value that is not finite.
    """
    if not all(math.isfinite(v) for v in known):
        raise ValueError("a month is not a finite number")
    if len(known) < MONTHS_NEEDED:
        raise NotEnoughMonths(
            f"{len(known)} months are known; a forecast needs {MONTHS_NEEDED}. None is given before that."
        )
    rules: list[tuple[str, Rule]] = [
        (f"exponential smoothing, weight {weight:g}", _smoothed(weight)) for weight in SMOOTHING
    ]
    if len(known) >= SEASON_NEEDED:
        rules.append(("same month a year before, at the level of the last months", _seasonal))
    # Rules are compared on the months that all of them can be tried on.
    first = max(_first_origin(name) for name, _ in rules)
    name, rule = min(rules, key=lambda r: (_mean_abs(_errors(known, r[1], first)), r[0]))
    errors = _errors(known, rule, _first_origin(name))
    sd = math.sqrt(math.fsum(e * e for e in errors) / len(errors))
    mean = math.fsum(known) / len(known)
    error = _mean_abs(errors)
    return Forecast(
        monthly=tuple(rule(known, months_ahead)),
        month_sd=sd,
        rule=name,
        first_month=len(known),
        back_test=BackTest(
            origins=len(errors),
            mean_abs_error=error,
            bias=math.fsum(errors) / len(errors),
            mean_abs_percent=None if mean == 0.0 else 100.0 * error / abs(mean),
            covered=_covered(errors),
        ),
    )


def _smoothed(weight: float) -> Rule:
    def rule(known: Sequence[float], months_ahead: int) -> list[float]:
        level = math.fsum(known[:LEVEL_MONTHS]) / min(len(known), LEVEL_MONTHS)
        for value in known[LEVEL_MONTHS:]:
            level += weight * (value - level)
        return [level] * months_ahead

    return rule


def _seasonal(known: Sequence[float], months_ahead: int) -> list[float]:
    recent = math.fsum(known[-LEVEL_MONTHS:])
    year_before = math.fsum(known[-LEVEL_MONTHS - SEASON : -SEASON])
    # A series that passes through zero has no level to scale by: it is shifted instead.
    if recent > 0.0 and year_before > 0.0:
        scale = recent / year_before
        season = [v * scale for v in known[-SEASON:]]
    else:
        season = [v + (recent - year_before) / LEVEL_MONTHS for v in known[-SEASON:]]
    return [season[month % SEASON] for month in range(months_ahead)]


def _first_origin(name: str) -> int:
    """Months a rule must have seen before it is tried: a season for the seasonal one."""
    return SEASON_NEEDED if name.startswith("same month") else MONTHS_NEEDED - 2


def _errors(known: Sequence[float], rule: Rule, first: int) -> list[float]:
    """Forecast − actual, one month ahead, for each month after `first`; at least for the last month."""
    origins = range(min(first, len(known) - 1), len(known))
    return [rule(known[:origin], 1)[0] - known[origin] for origin in origins]


def _mean_abs(errors: Sequence[float]) -> float:
    return math.fsum(abs(e) for e in errors) / len(errors)


def _covered(errors: Sequence[float]) -> float | None:
    """Share of months within ±k sd of the errors before them; the first three only start the sd."""
    hits = []
    for month in range(LEVEL_MONTHS, len(errors)):
        before = errors[:month]
        sd = math.sqrt(math.fsum(e * e for e in before) / len(before))
        hits.append(abs(errors[month]) <= COVERAGE_K * sd)
    return sum(hits) / len(hits) if hits else None
