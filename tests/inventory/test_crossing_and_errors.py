"""The one crossing from floats to decimals, and refusals that travel unchanged."""

from __future__ import annotations

import json
import pickle
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory import errors
from inventory.crossing import decimal_entered, decimal_tonnes, decimal_volume
from inventory.errors import BadEntry, BookRefused, NumberNotFinite

KINDS = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, BookRefused)]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0005, "0.001"),  # the double lies above 0.0005
        (0.0015, "0.002"),  # above
        (1.0005, "1.000"),  # below
        (2.5e-4, "0.000"),
        (Decimal("0.0005"), "0.000"),  # exactly half: to even
        (Decimal("0.0015"), "0.002"),
        (-14866.0004999, "-14866.000"),
        (1e11, "100000000000.000"),
    ],
)
def test_a_float_is_rounded_once_from_its_exact_value(value, text):
    for crossing in (decimal_volume, decimal_tonnes):
        assert str(crossing(value)) == text


@given(st.floats(-1e11, 1e11))
def test_crossing_moves_a_value_by_half_a_litre_at_most(value):
    crossed = decimal_volume(value)
    assert abs(Fraction(crossed) - Fraction(value)) <= Fraction(1, 2000)
    assert crossed.as_tuple().exponent == -3


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf"), 1e12, -1e12])
def test_what_the_book_cannot_hold_is_refused(value):
    for crossing in (decimal_volume, decimal_tonnes):
        with pytest.raises(NumberNotFinite):
            crossing(value)


def test_what_people_enter_is_never_rounded():
    assert decimal_entered("1.5500", "density", 2) == Decimal("1.55")
    for wrong in ("1.555", "NaN", "Infinity", "", "1,5"):
        with pytest.raises(BadEntry) as refused:
            decimal_entered(wrong, "density", 2)
        assert refused.value.where == "density"
    with pytest.raises(TypeError):
        decimal_entered(1.5, "density", 2)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_refusal_survives_the_way_from_worker_to_page(kind):
    error = kind("What was found. Nothing was changed.", where="pile DRV-05", remedy="Do this.")
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is kind
    assert copy.as_dict() == error.as_dict() == json.loads(json.dumps(error.as_dict()))
    assert str(copy) == "What was found. Nothing was changed."


def test_codes_are_unique_and_each_kind_is_explained():
    codes = [kind.code for kind in KINDS]
    assert len(set(codes)) == len(codes) > 20
    for kind in KINDS:
        assert kind.code == kind.code.lower().replace("_", "-")


def test_a_remedy_of_the_kind_is_taken_where_none_is_given():
    error = errors.CountStands("It stands.")
    assert error.remedy == errors.CountStands.remedy
    assert pickle.loads(pickle.dumps(error)).remedy == error.remedy
