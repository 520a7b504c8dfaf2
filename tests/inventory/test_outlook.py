"""Forecasts against closed forms, their intervals against simulated futures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.outlook import NotEnoughMonths, days_of_cover, first_crossing, forecast
from inventory.outlook.cover import DAYS_A_MONTH
from inventory.outlook.rates import BackTest, Forecast

FLAT = Forecast((100.0,) * 24, 0.0, "flat", 12, BackTest(6, 0.0, 0.0, 0.0, 1.0))


def test_a_constant_series_goes_on() -> None:
    ahead = forecast([250.0] * 8, 4)
    assert ahead.monthly == pytest.approx([250.0] * 4)
    assert ahead.month_sd == 0.0
    assert ahead.back_test.mean_abs_error == 0.0


@pytest.mark.parametrize("months", [0, 1, 5])
def test_few_months_are_refused_in_words(months: int) -> None:
    with pytest.raises(NotEnoughMonths, match=rf"^{months} months are known; a forecast needs 6"):
        forecast([1.0] * months, 3)


def test_a_value_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        forecast([1.0] * 6 + [math.nan], 3)


def test_a_season_is_found_and_carried_on() -> None:
    """Two years and a half of a pure season: the coming months repeat it, and smoothing loses."""
    season = [100.0 + 60.0 * math.sin(2.0 * math.pi * m / 12.0) for m in range(12)]
    known = [season[m % 12] for m in range(30)]
    ahead = forecast(known, 12)
    assert ahead.rule.startswith("same month")
    assert ahead.monthly == pytest.approx([season[(30 + m) % 12] for m in range(12)])
    assert ahead.back_test.mean_abs_error == pytest.approx(0.0, abs=1e-9)


def test_a_season_at_a_new_level_is_scaled() -> None:
    season = [100.0 + 60.0 * math.sin(2.0 * math.pi * m / 12.0) for m in range(12)]
    known = [season[m % 12] * (1.0 if m < 12 else 1.25) for m in range(30)]
    ahead = forecast(known, 6)
    assert ahead.monthly == pytest.approx([1.25 * season[(30 + m) % 12] for m in range(6)])


def test_the_back_test_never_sees_the_month_it_judges() -> None:
    """A jump in the last month must cost its full size, whatever rule is chosen."""
    ahead = forecast([10.0] * 11 + [1000.0], 1)
    assert ahead.back_test.mean_abs_error * ahead.back_test.origins == pytest.approx(990.0)


def test_the_interval_covers_what_comes() -> None:
    """Independent months around a level: the actual sum of six months lies within ±2 sd about as often
    as a normal deviate does (95 %), less what the estimated level costs."""
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(400):
        series = rng.normal(500.0, 60.0, 30)
        ahead = forecast(series[:24].tolist(), 6)
        expected, sd = ahead.total(6)
        hits += abs(series[24:].sum() - expected) <= 2.0 * sd
    assert 0.80 <= hits / 400 <= 0.99


def test_cover_is_stock_over_rate() -> None:
    cover = days_of_cover(600.0, 0.0, FLAT)
    assert cover.days == pytest.approx(6.0 * DAYS_A_MONTH)
    assert cover.earliest == cover.latest == cover.days


def test_cover_widens_with_the_doubt_of_the_stock() -> None:
    cover = days_of_cover(600.0, 60.0, FLAT)
    assert cover.earliest == pytest.approx(5.4 * DAYS_A_MONTH)
    assert cover.latest == pytest.approx(6.6 * DAYS_A_MONTH)


def test_cover_beyond_the_months_looked_at_is_said_so() -> None:
    cover = days_of_cover(5000.0, 0.0, FLAT)
    assert cover.days is None
    assert cover.looked_at_days == pytest.approx(24 * DAYS_A_MONTH)


def test_overflow_and_run_out() -> None:
    over = first_crossing(1000.0, 0.0, FLAT, 1350.0)
    assert over.days == pytest.approx(3.5 * DAYS_A_MONTH)
    assert first_crossing(1000.0, 0.0, FLAT, 400.0).days is None
    falling = Forecast((-50.0,) * 24, 10.0, "flat", 12, FLAT.back_test)
    out = first_crossing(1000.0, 0.0, falling, 0.0)
    assert out.days == pytest.approx(20.0 * DAYS_A_MONTH)
    assert out.earliest is not None
    assert out.earliest < out.days


@given(
    st.lists(st.floats(0.0, 1e5), min_size=6, max_size=40),
    st.floats(0.0, 1e6),
    st.floats(0.0, 1e5),
)
def test_earliest_comes_before_latest(known: list[float], stock: float, doubt: float) -> None:
    cover = days_of_cover(stock, doubt, forecast(known, 18))
    at = [math.inf if d is None else d for d in (cover.earliest, cover.days, cover.latest)]
    assert at == sorted(at)
