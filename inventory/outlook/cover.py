"""How long stock lasts at the rate ahead, and when it runs out or over."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from inventory.outlook.rates import COVERAGE_K, Forecast

DAYS_A_MONTH = 365.25 / 12.0


@dataclass(frozen=True)
class Cover:
    """Days that the stock lasts, with the earliest and latest by the interval (k = 2).

    None means longer than the months looked at, which `looked_at_days` says.
    """

    days: float | None
    earliest: float | None
    latest: float | None
    looked_at_days: float


@dataclass(frozen=True)
class Crossing:
    """When a stock is expected to pass a bound, in days from now; as `Cover` for None."""

    bound_t: float
    days: float | None
    earliest: float | None
    latest: float | None


def days_of_cover(stock_t: float, stock_u95_t: float, use: Forecast) -> Cover:
    """Stock over the use of the months ahead, month by month, nothing coming in.

    stock_t ± stock_u95_t (k = 2) tonnes; `use` is the monthly use ahead, positive tonnes. The interval
    joins the doubt of the stock with that of the use.
    """
    flows = [-max(v, 0.0) for v in use.monthly]
    days, earliest, latest = _crossing(stock_t, stock_u95_t, flows, use.month_sd, 0.0)
    return Cover(days, earliest, latest, len(flows) * DAYS_A_MONTH)


def first_crossing(stock_t: float, stock_u95_t: float, net: Forecast, bound_t: float) -> Crossing:
    """When stock plus the net flow ahead (in − out, tonnes a month) first passes `bound_t`.

    A bound below the stock is passed downwards, one above upwards.
    """
    days, earliest, latest = _crossing(stock_t, stock_u95_t, list(net.monthly), net.month_sd, bound_t)
    return Crossing(bound_t, days, earliest, latest)


def _crossing(
    stock_t: float, stock_u95_t: float, flows: Sequence[float], month_sd: float, bound_t: float
) -> tuple[float | None, float | None, float | None]:
    down = bound_t <= stock_t
    sign = -1.0 if down else 1.0
    # Distance still to go to the bound, positive until it is reached.
    gap = [sign * (bound_t - stock_t)]
    doubt = [stock_u95_t]
    for month, flow in enumerate(flows, start=1):
        gap.append(gap[-1] - sign * flow)
        doubt.append(math.hypot(stock_u95_t, COVERAGE_K * month_sd * math.sqrt(month)))
    nearer = [g - d for g, d in zip(gap, doubt, strict=True)]
    farther = [g + d for g, d in zip(gap, doubt, strict=True)]
    return _first_zero(gap), _first_zero(nearer), _first_zero(farther)


def _first_zero(gap: Sequence[float]) -> float | None:
    """Days until the polygon of monthly gaps first reaches zero."""
    if gap[0] <= 0.0:
        return 0.0
    for month in range(1, len(gap)):
        if gap[month] <= 0.0:
            share = gap[month - 1] / (gap[month - 1] - gap[month])
            return (month - 1 + share) * DAYS_A_MONTH
    return None
