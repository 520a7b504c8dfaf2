"""What people read: exact units, and no digit that the ± does not support."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import compute.units
from inventory import units
from inventory.quantity import convert, present

PUBLISHED = {
    item["id"]: item
    for item in json.loads((Path(__file__).parents[1] / "reference" / "book_units.json").read_text("utf-8"))[
        "items"
    ]
}


def test_the_book_s_units_are_the_calculator_s():
    assert units.LENGTH_IN_M == compute.units.LENGTH_IN_M
    assert units.VOLUME_IN_M3 == compute.units.VOLUME_IN_M3
    assert units.MASS_IN_T == compute.units.MASS_IN_T
    assert units.SYMBOLS.items() <= compute.units.SYMBOLS.items()


@pytest.mark.parametrize(
    ("item", "size"),
    [
        ("U-01", units.LENGTH_IN_M["foot"]),  # NIST, revised unit conversion factors: read
        ("U-07", units.VOLUME_IN_M3["cubic-yard"]),  # NIST Handbook 44, Appendix C: from memory
        ("U-08", units.VOLUME_IN_M3["cubic-foot"]),  # read in a secondary page that quotes NIST
        ("U-10", units.MASS_IN_T["short-ton"] * 1000),  # NIST Handbook 44, Appendix C: from memory
        ("U-11", units.MASS_IN_T["long-ton"] * 1000),  # NIST Handbook 44, Appendix C: from memory
    ],
)
def test_units_are_the_published_ones(item, size):
    assert Fraction(str(PUBLISHED[item]["published"]["exact"])) == size


def test_the_survey_foot_is_1200_by_3937():
    """NIST, revised unit conversion factors; 85 FR 62698, 5 October 2020."""
    assert Fraction(PUBLISHED["U-02"]["published"]["exact"]) == units.LENGTH_IN_M["us-survey-foot"]


def test_a_price_per_tonne_as_the_bureau_of_mines_rounds_it():
    """US Bureau of Mines Information Circular 9298: price per short ton × 1.1023 = price per tonne."""
    assert round(convert(1, "short-ton"), 4) == Decimal(str(PUBLISHED["U-16"]["published"]["rounded"]))


@pytest.mark.parametrize(
    ("quantity", "u95", "unit", "text"),
    [
        # JCGM 100:2008, 7.2.6 (from memory): 10.05762 with u = 0.027 is given as 10.058, and u = 28.05 as 28.
        ("10.05762", "0.027", "tonne", "10.058 t ± 0.027 t (k = 2)"),
        ("1000.4", "28.05", "tonne", "1,000 t ± 28 t (k = 2)"),
        ("14109.4", "155", "cubic-metre", "14,110 m³ ± 160 m³ (k = 2)"),
        ("26100.4", "834", "tonne", "26,100 t ± 830 t (k = 2)"),
        ("100.049", "9.96", "cubic-metre", "100 m³ ± 10 m³ (k = 2)"),
        ("100.049", "9.94", "cubic-metre", "100.0 m³ ± 9.9 m³ (k = 2)"),
        ("3", "160", "cubic-metre", "0 m³ ± 160 m³ (k = 2)"),
        ("-3", "160", "cubic-metre", "0 m³ ± 160 m³ (k = 2)"),
        ("-41.23", "4.1", "cubic-metre", "-41.2 m³ ± 4.1 m³ (k = 2)"),
        ("12.3456", "0", "tonne", "12.346 t ± 0.000 t (k = 2)"),
        ("12.3456", None, "tonne", "12.346 t, uncertainty not assessed"),
        ("764.554857984", "7.64554857984", "cubic-yard", "1,000 yd³ ± 10 yd³ (k = 2)"),
        ("907.18474", "9.0718474", "short-ton", "1,000 short ton ± 10 short ton (k = 2)"),
    ],
)
def test_as_people_read_it(quantity, u95, unit, text):
    assert str(present(Decimal(quantity), None if u95 is None else Decimal(u95), unit)) == text


def test_floats_are_taken_at_their_value():
    assert str(present(14109.4, 155.0, "cubic-metre")) == "14,110 m³ ± 160 m³ (k = 2)"


def test_what_cannot_be_shown_is_refused():
    with pytest.raises(ValueError, match="below zero"):
        present(Decimal(1), Decimal(-1), "tonne")
    with pytest.raises(KeyError):
        present(Decimal(1), Decimal(1), "metre")


quantities = st.decimals("-1000000", "1000000", places=3)
doubts = st.decimals("0.001", "100000", places=3)


@given(quantities, doubts, st.sampled_from([*units.VOLUME_IN_M3, *units.MASS_IN_T]))
def test_rounding_loses_less_than_the_doubt_and_shows_two_digits(quantity, u95, unit):
    shown = present(quantity, u95, unit)
    exact, spread = convert(quantity, unit), convert(u95, unit)
    assert abs(shown.value - exact) <= spread / 2
    assert abs(shown.u95 - spread) <= spread / 20
    assert len(str(shown.u95).replace(".", "").strip("0")) <= 2
    assert shown.value.as_tuple().exponent == shown.u95.as_tuple().exponent
    assert "E" not in shown.value_text + shown.u95_text


@given(quantities, st.sampled_from([*units.VOLUME_IN_M3, *units.MASS_IN_T]))
def test_converting_is_exact_to_28_digits(quantity, unit):
    size = units.VOLUME_IN_M3.get(unit) or units.MASS_IN_T[unit]
    assert (
        abs(Fraction(convert(quantity, unit)) * size - Fraction(quantity)) <= abs(Fraction(quantity)) / 10**26
    )
