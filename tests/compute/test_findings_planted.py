"""Every entry of the catalogue is told on a pile that has it and silent on one that nearly has it."""

from __future__ import annotations

import math

import pytest

from compute.findings import catalogue, find_all
from tests.compute.crew import case_of, told
from tests.compute.planted import LEVEL, PLANTED, ROWS, known, met_by_control, pad, shot_again

ENTRIES = [(entry.code, entry.severity) for entry in catalogue()]


@pytest.mark.parametrize("entry", ENTRIES, ids="/".join)
def test_a_finding_is_told_where_it_is_and_nowhere_near(entry):
    has, nearly = PLANTED[entry]
    assert entry in told(find_all(has()))
    assert entry not in told(find_all(nearly()))


def test_nothing_is_planted_that_the_catalogue_does_not_list():
    assert sorted(PLANTED) == sorted(ENTRIES)


def test_every_planted_finding_says_where_and_what_to_do():
    for (code, severity), (has, _) in PLANTED.items():
        finding = next(f for f in find_all(has()) if (f.code, f.severity) == (code, severity))
        assert finding.message.endswith(".")
        assert finding.where
        assert finding.remedy


def test_axes_exchanged_is_told_by_two_marks_and_not_by_one():
    assert ("axes-exchanged", "stop") in told(find_all(met_by_control(2)))
    assert ("axes-exchanged", "stop") not in told(find_all(met_by_control(1)))


def test_control_off_says_by_how_much_and_that_the_volume_has_it():
    case = case_of(shot_again(0.04), control=known(("CP1", -12.0, 3.0, 100.2)))
    finding = next(f for f in find_all(case) if f.code == "control-off")
    assert "by 0.000 m in plan and +0.040 m in height" in finding.message


def test_the_pad_above_the_base_is_worth_its_step_over_the_footprint():
    case = case_of([*ROWS, *pad(0.14)], LEVEL)
    finding = next(f for f in find_all(case) if f.code == "pad-off-base")
    assert math.isclose(finding.effect_m3, 0.14 * case.volume.plan_area_m2, rel_tol=1e-9)
