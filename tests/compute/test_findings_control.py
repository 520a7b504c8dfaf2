"""Shots on known control are control, whatever their code says."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from compute.findings.coincidence import control_coincidences
from compute.records import FindingLimits, KnownPoint
from tests.compute.shots_of import shots_of

CONTROL = (KnownPoint("CP1", 100.0, 200.0, 10.0), KnownPoint("CP2", 150.0, 260.0, 12.0))


def found(rows, control=CONTROL, **limits):
    shots = shots_of([(*row[:3], *(row[3:] or ("",))) for row in rows])
    index, kind = control_coincidences(shots, control, FindingLimits(**limits))
    assert index.dtype == np.int32
    return dict(zip(index.tolist(), kind, strict=True))


def test_a_shot_on_a_mark_is_the_mark_and_one_at_instrument_height_is_the_instrument():
    rows = [
        (200.03, 100.03, 10.02),
        (220.0, 120.0, 11.0),
        (260.01, 150.0, 13.574),
        (260.0, 150.02, 11.9, "TOE"),
    ]
    assert found(rows) == {
        0: "coincides_with_control",
        2: "instrument_over_control",
        3: "coincides_with_control",
    }


@pytest.mark.parametrize(
    ("above_m", "kind"),
    [(0.25, "coincides_with_control"), (0.3, None), (1.19, None), (1.21, "instrument_over_control"),
     (1.89, "instrument_over_control"), (1.95, None), (-0.2, "coincides_with_control"), (-1.5, None)],
)  # fmt: skip
def test_height_tells_which(above_m, kind):
    assert found([(200.0, 100.0, 10.0 + above_m)], CONTROL[:1]).get(0) == kind


def test_the_plan_limit_counts():
    assert found([(200.0, 100.06, 10.0)]) == {}
    assert found([(200.0, 100.06, 10.0)], control_plan_m=0.10) == {0: "coincides_with_control"}


def test_northing_and_easting_are_not_confused():
    assert found([(100.0, 200.0, 10.0)]) == {}


@pytest.mark.parametrize("code", ["CHK", "CTL", "STR", "XXX"])
def test_shots_that_are_out_by_code_are_not_listed_again(code):
    assert found([(200.0, 100.0, 10.0, code)]) == {}


def test_a_mark_without_a_height_counts_by_plan():
    mark = dataclasses.replace(CONTROL[0], elevation_m=float("nan"))
    assert found([(200.0, 100.0, 55.0)], (mark,)) == {0: "coincides_with_control"}


def test_nothing_known_finds_nothing():
    assert found([(200.0, 100.0, 10.0)], ()) == {}
