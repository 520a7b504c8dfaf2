"""Cumulative variance and its ±: what telescopes, what stays, and the order by significance."""

from __future__ import annotations

import math

import pytest

from inventory.outlook.losses import Increment, Loss, loss_of, ranked


def month(tonnes: float | None, survey: float | None = 30.0, moved: float | None = 4.0) -> Increment:
    return Increment("2025-01", tonnes, survey, moved)


def test_the_surveys_between_fall_out_and_the_scales_stay() -> None:
    """Twelve months: two surveys of ±30 t and twelve months of ±4 t, √(2·30² + 12·4²)."""
    found = loss_of("P1", [month(-10.0)] * 12)
    assert found is not None
    assert (found.tonnes, found.months, found.missing) == (-120.0, 12, 0)
    assert found.u95_t == pytest.approx(math.sqrt(2 * 900 + 12 * 16))
    assert found.word == "loses"
    assert found.significance == pytest.approx(120.0 / math.sqrt(1992))


def test_a_month_without_an_increment_is_counted_as_missing() -> None:
    found = loss_of("P1", [month(-10.0), month(None), month(4.0)])
    assert found is not None
    assert (found.tonnes, found.months, found.missing) == (-6.0, 2, 1)
    assert found.word == "within its ±"
    assert loss_of("P1", [month(None)]) is None


def test_without_a_doubt_nothing_is_claimed() -> None:
    found = loss_of("P1", [month(-500.0, survey=None)])
    assert found is not None
    assert (found.u95_t, found.significance, found.word) == (None, 0.0, "no ± known")


def test_the_telling_goes_before_the_large() -> None:
    large, small, gains = (
        Loss("large", -900.0, 1000.0, 12, 0),
        Loss("small", -60.0, 20.0, 12, 0),
        Loss("gains", 70.0, 30.0, 12, 0),
    )
    assert [loss.key for loss in ranked([large, gains, small])] == ["small", "gains", "large"]
    assert [small.word, gains.word, large.word] == ["loses", "gains", "within its ±"]
