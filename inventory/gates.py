"""The four gates that a variance passes: noise, money, a run of increments, a level. Numbers in, words out.

A gate that fires says that a figure deserves a reason, never what the reason is. `variance_t` is measured
less book before this month's adjustment, positive where more lies in the yard than in the book.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from typing import Any

from inventory.policy import Thresholds

ZERO = Decimal(0)
LARGEST_STEP = Decimal(3)
"""No month adds more to a cumulative sum: one jump is a wrong survey or a level, and never a drift."""
SMALLEST_SHARE = Decimal("0.0001")
"""An increment below this share of the book has no sign: nothing weighs or surveys a heap that well."""

NOT_COUNTED, QUIET, NOTE, POST, DRIFT, LEVEL = "not-counted", "quiet", "note", "post", "drift", "level"
WORDS = {
    NOT_COUNTED: "not counted",
    QUIET: "within noise",
    NOTE: "note, below materiality",
    POST: "explain and post",
    DRIFT: "drift",
    LEVEL: "steady offset",
}
STOPS = frozenset({NOT_COUNTED, POST, DRIFT, LEVEL})
"""What needs an explanation before a month can be approved."""


@dataclass(frozen=True)
class Month:
    """One pile's month, tonnes. `book_t` is the book's closing before adjustments, `adjustment_t` what was
    posted. `u95_t` is the ± (k = 2) of the variance, `increment_u95_t` that of its change in the month."""

    period: str
    book_t: Decimal
    variance_t: Decimal | None = None
    adjustment_t: Decimal = ZERO
    u95_t: Decimal | None = None
    increment_u95_t: Decimal | None = None


@dataclass(frozen=True)
class Gate:
    """What one gate says: `fires` is empty where it could not be judged, and `words` say why."""

    name: str
    fires: bool | None
    words: str
    figures: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        return {"fires": self.fires, "words": self.words, **self.figures}


@dataclass(frozen=True)
class Judgement:
    """`word` is one of `WORDS`; the gates stand behind it."""

    word: str
    gates: tuple[Gate, ...]

    def as_dict(self) -> dict[str, Any]:
        return {gate.name: gate.as_dict() for gate in self.gates}


def judge(months: Sequence[Month], thresholds: Thresholds, unit_cost: Decimal | None = None) -> Judgement:
    """All four gates on the last of `months`, which are one pile's, in order, oldest first.

    A level is told before a run and after neither: what must be posted comes first, then drift, then level.
    """
    noise = noise_gate(months[-1], thresholds)
    money = money_gate(months[-1], thresholds, unit_cost)
    run = run_gate(months, thresholds)
    level = level_test(months, thresholds)
    if noise.fires is None:
        word = NOT_COUNTED
    elif noise.fires and money.fires is not False:
        word = POST
    elif run.fires:
        word = DRIFT
    elif level.fires:
        word = LEVEL
    else:
        word = NOTE if noise.fires else QUIET
    return Judgement(word, (noise, money, run, level))


def noise_gate(month: Month, thresholds: Thresholds) -> Gate:
    """Whether the variance is larger than its own ±: inside it there is no information and no posting."""
    if month.variance_t is None:
        return Gate("noise", None, "not counted")
    if month.u95_t is None:
        return Gate("noise", True, "the ± was not assessed, so that no variance can be called noise")
    limit_t = month.u95_t * thresholds.coverage_factor / 2
    fires = abs(month.variance_t) > limit_t
    words = f"{_signed(month.variance_t)} t {'exceeds' if fires else 'lies within'} ±{limit_t:,.0f} t"
    return Gate("noise", fires, words, {"limit_t": _text(limit_t)})


def money_gate(month: Month, thresholds: Thresholds, unit_cost: Decimal | None) -> Gate:
    """Whether the variance, at cost, reaches what the company calls material."""
    if month.variance_t is None:
        return Gate("money", None, "not counted")
    if unit_cost is None:
        return Gate("money", None, "no cost is in force, so that nothing can be called immaterial")
    amount = abs(month.variance_t * unit_cost)
    fires = amount >= thresholds.materiality
    reach = "reaches" if fires else "is below"
    words = f"{amount:,.2f} at cost {reach} the {thresholds.materiality:,.2f} that are called material"
    return Gate("money", fires, words, {"amount": f"{amount:.2f}", "unit_cost": str(unit_cost)})


def increments(months: Sequence[Month]) -> tuple[Decimal | None, ...]:
    """Each month's variance less what was carried unposted into it; empty where either was not measured.

    The first month carries nothing: its book begins at what was measured or agreed.
    """
    found: list[Decimal | None] = []
    carried_t: Decimal | None = ZERO
    for month in months:
        known = month.variance_t is not None and carried_t is not None
        found.append(month.variance_t - carried_t if known else None)
        if month.variance_t is not None:
            carried_t = month.variance_t - month.adjustment_t
        elif month.adjustment_t:
            carried_t = None if carried_t is None else carried_t - month.adjustment_t
    return tuple(found)


def run_gate(months: Sequence[Month], thresholds: Thresholds) -> Gate:
    """Drift: the last increments are all of one sign, or their cumulative sum passes its limit.

    On increments and not on variances: an unposted variance is carried on, so its sign repeats by itself.
    """
    steps = increments(months)
    last = steps[-thresholds.run_length :]
    if steps[-1] is None:
        return Gate("run", None, "no increment: this month or the one before was not measured")
    signs = {_sign(step, month) for step, month in zip(last, months[-len(last) :], strict=True)}
    same_sign = len(last) == thresholds.run_length and signs in ({1}, {-1})
    reach = cusum(months, steps, thresholds.cusum_reference)
    over = reach is not None and reach > thresholds.cusum_limit
    told = ", ".join(_signed(step) for step in last if step is not None)
    if same_sign:
        words = f"{thresholds.run_length} increments of one sign: {told} t"
    elif over:
        words = f"the cumulative sum of increments stands at {reach:.1f}, above {thresholds.cusum_limit}"
    else:
        words = f"no run: {told} t"
    figures = {"increments_t": [None if step is None else _text(step) for step in last]}
    if reach is not None:
        figures["cusum"] = f"{reach:.2f}"
    return Gate("run", same_sign or over, words, figures)


def cusum(months: Sequence[Month], steps: Sequence[Decimal | None], reference: Decimal) -> Decimal | None:
    """How far the larger of the two tabular cumulative sums stands after the last month, in standard
    uncertainties of an increment: C⁺ = max(0, z − k + C⁺ before), C⁻ the same of −z, each z cut off at
    `LARGEST_STEP`. `None` where the last increment has no ±; a month without an increment changes neither."""
    up = down = ZERO
    standard: Decimal | None = None
    for month, step in zip(months, steps, strict=True):
        standard = None
        if step is None or not month.increment_u95_t:
            continue
        standard = month.increment_u95_t / 2
        z = max(-LARGEST_STEP, min(LARGEST_STEP, step / standard))
        up = max(ZERO, up + z - reference)
        down = max(ZERO, down - z - reference)
    return None if standard is None else max(up, down)


def level_test(months: Sequence[Month], thresholds: Thresholds) -> Gate:
    """A variance that stands at one height with increments near zero: base, density or a wrong opening.

    The last months must be measured, unposted, of one sign, off the book by `level_percent` on the mean, and
    no further apart than `level_spread` of that mean.
    """
    last = months[-thresholds.level_months :]
    measured = [month.variance_t for month in last if month.variance_t is not None]
    posted = any(month.adjustment_t for month, _ in pairwise(last))
    if len(measured) < thresholds.level_months or posted:
        return Gate(
            "level", None if len(last) < thresholds.level_months else False, "too few months in a row"
        )
    mean_t = sum(measured, ZERO) / len(measured)
    book_t = sum((month.book_t for month in last), ZERO) / len(last)
    spread_t = max(measured) - min(measured)
    one_sign = all(each > 0 for each in measured) or all(each < 0 for each in measured)
    off_percent = abs(100 * mean_t / book_t) if book_t else ZERO
    fires = one_sign and off_percent >= thresholds.level_percent
    fires = fires and spread_t <= thresholds.level_spread * abs(mean_t)
    words = f"{_signed(mean_t)} t on the mean of {len(measured)} months, {spread_t:,.0f} t apart"
    figures = {"mean_t": _text(mean_t), "spread_t": _text(spread_t), "percent": f"{off_percent:.1f}"}
    return Gate("level", fires, words, figures)


def _sign(step: Decimal | None, month: Month) -> int:
    """1, −1, or 0 for an increment that is none or smaller than a ten-thousandth of the book."""
    if step is None or abs(step) <= SMALLEST_SHARE * abs(month.book_t):
        return 0
    return 1 if step > 0 else -1


def _signed(value: Decimal) -> str:
    return f"{value:+,.0f}".replace("-", "−")


def _text(value: Decimal) -> str:
    return f"{value:.3f}"
