"""A figure is rounded to what its ± supports, shown in the site's own unit, and never without its ±.

Two significant digits of an uncertainty usually suffice, and the value is rounded to fit (JCGM 100:2008,
7.2.6, from memory). Units: the international foot is 0.3048 m and the pound 0.45359237 kg exactly (NIST
Handbook 44, Appendix C), so a cubic yard is 0.764554857984 m³ and a short ton 0.90718474 t.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from surveys.pages import figures, wording
from surveys.pages.figures import SI, Units, figure

YARDS = Units("foot", "cubic-yard", "short-ton")


@pytest.mark.parametrize(
    ("value", "u95", "shown"),
    [
        (14109, 155, ("14,110", "160")),
        (26100, 830, ("26,100", "830")),
        (98765, 3012, ("98,800", "3,000")),
        (3.14159, 0.021, ("3.142", "0.021")),
        (1234.5, 9.96, ("1,234", "10")),
        (1234.5, 99.6, ("1,230", "100")),
        (0.4, 120, ("0", "120")),
        (-41, 12, ("−41", "12")),
    ],
)
def test_value_follows_the_uncertainty(value: float, u95: float, shown: tuple[str, str]) -> None:
    said = figure(value, u95, "volume")
    assert (said.value, said.plus_minus) == shown
    assert said.unit == "m³"


def test_without_uncertainty_it_says_so() -> None:
    said = figure(Decimal("1234.567"), None, "mass")
    assert said.unassessed
    assert (said.value, said.plus_minus, said.unit) == ("1,235", "", "t")


def test_lengths_carry_no_uncertainty_of_their_own() -> None:
    assert str(figure(9.876, None, "length")) == "9.88\u00a0m"
    with pytest.raises(ValueError, match="length"):
        figure(9.876, 0.01, "length")


def test_signs() -> None:
    assert figure(510, 120, "volume", signed=True).value == "+510"
    assert figure(-510, 120, "volume", signed=True).value == "−510"
    assert figure(3, 120, "volume", signed=True).value == "0"


def test_site_units() -> None:
    # 10 yd³ = 7.64554857984 m³; 10 short tons = 9.0718474 t; 100 ft = 30.48 m; 1 ft² = 0.09290304 m²
    assert figure(7.64554857984, 0.764554857984, "volume", YARDS).value == "10.0"
    assert figure(9.0718474, 0.90718474, "mass", YARDS).value == "10.0"
    assert figure(30.48, None, "length", YARDS).value == "100.00"
    assert figure(0.09290304 * 250, None, "area", YARDS).value == "250"
    # 1.5 t/m³ = 1.5 × 0.764554857984 / 0.90718474 short ton/yd³ = 1.26417
    assert figure(1.5, None, "density", YARDS).value == "1.264"
    assert [YARDS.symbol(kind) for kind in ("length", "area", "volume", "mass", "density")] == [
        "ft",
        "ft²",
        "yd³",
        "short ton",
        "short ton/yd³",
    ]
    assert SI.symbol("density") == "t/m³"


def test_percent() -> None:
    assert figures.percent(41, 9735) == "0.4\u00a0%"
    assert figures.percent(41, 0) == ""


def test_dates_and_ages() -> None:
    assert wording.day(dt.date(2025, 1, 29)) == "29\u00a0Jan\u00a02025"
    assert wording.moment(dt.datetime(2025, 7, 1, 12, 5, tzinfo=dt.UTC), "Europe/Vienna").endswith(
        "14:05 CEST"
    )
    today = dt.date(2025, 3, 1)
    ages = [wording.age(today - dt.timedelta(days=n), today) for n in (0, 1, 12, 35, 120)]
    assert [age.replace("\u00a0", " ") for age in ages] == [
        "today",
        "yesterday",
        "12 days",
        "5 weeks",
        "4 months",
    ]
    assert wording.age(dt.date(2025, 3, 3), today) == "in 2\u00a0days"


def test_span_on_one_day_says_the_day_once() -> None:
    start = dt.datetime(2025, 1, 29, 7, 30, tzinfo=dt.UTC)
    assert wording.span(start, start + dt.timedelta(hours=3), "UTC") == "07:30\u00a0–\u00a010:30 UTC"
    assert "30\u00a0Jan" in wording.span(start, start + dt.timedelta(hours=20), "UTC")
    assert wording.span(None, None, "UTC") == "time not given"


def test_names_in_the_order_people_expect() -> None:
    names = ["CP10", "CP2", "CP1", "A1"]
    assert sorted(names, key=wording.natural) == ["A1", "CP1", "CP2", "CP10"]


def test_an_unlisted_word_is_shown_not_hidden() -> None:
    assert wording.in_words(wording.METHODS, "drone_over-pad") == "Drone over pad"
