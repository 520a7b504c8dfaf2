"""A wrong pole at one set-up is found, matched and priced; a sound survey stays silent.

Rates are counted over seeds and stand in the assertions. Run with `-s` to see them.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from compute.blunders import find_blunders
from compute.blunders.poles import FOOT, fits_of
from compute.blunders.records import SetupShots
from compute.blunders.robust import robust_fit, robust_mean
from compute.building import BaseChoice
from compute.errors import BadOption
from compute.measure import MeasureRequest, measure
from compute.records import Density
from compute.traverse.angles import half_turn
from tests.compute.cases import EAST, FLOOR, NORTH
from tests.compute.setup_crew import case_of, shoot, stations


def report(seed, base="level", **how):
    return find_blunders(*case_of(*shoot(seed, **how), base))


def messages(found):
    return [f.message for f in found.findings]


# --- sound surveys -------------------------------------------------------------------------------

SOUND = [
    ({}, "level"), ({"spacing": 2.0}, "level"), ({"spacing": 5.0, "strip_m": 10.0}, "level"),
    ({"noise_m": 0.05}, "level"), ({"count": 4}, "toe"), ({"count": 2, "pad": False}, "level"),
    ({"spacing": 6.0, "strip_m": 6.0, "noise_m": 0.04}, "level"),
]  # fmt: skip


def test_sound_surveys_stay_silent():
    told, scatter = 0, []
    for how, base in SOUND:
        for seed in range(12):
            found = report(500 + seed, base, **how)
            told += bool(found.findings)
            scatter += [s.step_m / s.standard_error_m for s in found.strips]
    scattered = float(np.std(scatter))
    print(f"{told} of {12 * len(SOUND)} sound surveys told; steps scatter {scattered:.2f} standard errors")
    assert told == 0
    assert len(scatter) > 150
    # Standard errors are neither a fiction nor so wide that nothing could ever pass them.
    assert 0.4 < np.std(scatter) < 1.3


def test_one_set_up_alone_has_nothing_to_compare():
    found = report(1, count=1, pad=False)
    assert (found.strips, found.pads, found.findings) == ((), (), ())


# --- a wrong pole --------------------------------------------------------------------------------


@pytest.mark.parametrize(("step", "right"), [(0.20, 2.20), (-0.20, 1.80), (6 * FOOT - 2.0, 6 * FOOT)])
def test_a_wrong_pole_on_one_of_three_is_found_and_matched(step, right):
    found_it, sizes = 0, []
    for seed in range(12):
        found = report(100 + seed, steps={seed % 3: step})
        if len(found.steps) == 1 and found.steps[0].groups == (f"set-up {seed % 3 + 1}",):
            one = found.steps[0]
            found_it += bool(one.fits) and one.fits[0].target_height_m == pytest.approx(right)
            sizes.append(one.step_m)
    print(f"{step:+.3f} m: found and matched {found_it} of 12, mean step {np.mean(sizes):+.3f} m")
    assert found_it == 12
    assert np.mean(sizes) == pytest.approx(step, abs=0.01)


def test_the_finding_says_what_an_office_says():
    shots, of = shoot(3, steps={2: 0.20})
    case, of = case_of(shots, of)
    case = dataclasses.replace(case, density=Density(1.85, 0.03))
    (found,) = find_blunders(case, of).findings
    assert found.code == "setup-height-step"
    assert found.severity == "stop"
    for words in (
        "Set-up 3", "along the shared strip", "pairs, spread", "to the exposed pad", "Recorded pole 2.000 m",
        "2.200 m would close the step", "Effect on the net volume +", " t.", "Shots unchanged.",
    ):  # fmt: skip
        assert words in found.message
    assert "correction of the set-up" in found.remedy
    assert set(found.shots) <= set(np.flatnonzero(of.setup == 2).tolist())


def test_the_effect_is_what_correcting_it_brings():
    """Measured again with the right pole, the volume changes by the effect that was told."""
    wrong, of = shoot(5, steps={1: 0.20}, noise_m=0.0)
    right, _ = shoot(5, noise_m=0.0)
    case, ordered = case_of(wrong, of)
    (one,) = find_blunders(case, ordered).steps
    choice = BaseChoice("level", level_m=FLOOR)
    difference = case.volume.net_m3 - measure(MeasureRequest(top=right, base=choice)).record["net_m3"]
    assert difference > 50.0
    assert one.effect_m3 == pytest.approx(difference, rel=0.06)


def test_two_set_ups_cannot_tell_which_and_say_so():
    found = report(1, count=2, pad=False, steps={1: 0.3})
    (one,) = found.steps
    assert {*one.groups, *one.rivals} == {"set-up 1", "set-up 2"}
    assert "a third set-up or exposed-pad shots would tell" in messages(found)[0]
    with_pad = report(1, count=2, steps={1: 0.3}).steps[0]
    assert (with_pad.groups, with_pad.rivals) == (("set-up 2",), ())


def test_all_set_ups_off_the_pad_by_one_step():
    found = report(2, steps={0: 0.2, 1: 0.2, 2: 0.2})
    assert [f.code for f in found.findings] == ["survey-height-step"]
    assert "the pad has moved" in messages(found)[0]
    assert abs(found.steps[0].step_m - 0.2) < 0.03
    # A base through the same toe shots rises with them: nothing can show it, and nothing is told.
    assert report(2, "toe", steps={0: 0.2, 1: 0.2, 2: 0.2}).findings == ()


def test_two_wrong_set_ups_are_told_apart():
    found = report(4, count=4, steps={0: 0.2, 2: -0.3})
    assert {(s.groups, round(s.step_m, 1)) for s in found.steps} == {
        (("set-up 1",), 0.2),
        (("set-up 3",), -0.3),
    }


def test_a_pole_changed_within_a_set_up_is_a_group_of_its_own():
    shots, of = shoot(6)
    heights = of.target_height_m.copy()
    late = np.flatnonzero(of.setup == 1)[::2]
    heights[late] = 2.5
    z = shots.z_m.copy()
    z[late] -= 0.3
    case, ordered = case_of(dataclasses.replace(shots, z_m=z), SetupShots(of.setup, heights, of.setups))
    (one,) = find_blunders(case, ordered).steps
    assert one.groups == ("set-up 2, pole 2.500 m",)
    assert one.fits[0].target_height_m == pytest.approx(2.2)


def test_set_ups_have_to_follow_the_case():
    case, of = case_of(*shoot(1))
    with pytest.raises(BadOption):
        find_blunders(case, SetupShots(of.setup[:-1], of.target_height_m[:-1], of.setups))


# --- tilt, instrument ----------------------------------------------------------------------------


def test_a_tilted_set_up_is_told_as_index_or_back_sight():
    """A gross index error lifts each shot with its distance: the strips tilt along the sight."""
    told = 0
    for seed in range(8):
        found = report(40 + seed, spacing=2.0, strip_m=14.0, index_seconds={1: 3600.0})
        tilts = [f for f in found.findings if f.code == "setup-tilt"]
        told += any("index error" in f.message and "set-up 2" in f.message for f in tilts)
    print(f"tilt of one degree told {told} of 8")
    assert told >= 7


def test_a_turned_set_up_is_told_as_its_orientation():
    """Turned about its station, a set-up lies beside its neighbours: no pole does that."""
    told = steps = 0
    for seed in range(8):
        shots, of = shoot(70 + seed)
        at, mine, angle = stations(3)[1], of.setup == 1, math.radians(0.6)
        x, y = shots.x_m - EAST - at[0], shots.y_m - NORTH - at[1]
        east = np.where(mine, x * math.cos(angle) - y * math.sin(angle), x) + at[0] + EAST
        north = np.where(mine, x * math.sin(angle) + y * math.cos(angle), y) + at[1] + NORTH
        found = find_blunders(*case_of(dataclasses.replace(shots, x_m=east, y_m=north), of))
        told += [f.where for f in found.findings if f.code == "setup-turned"] == ["set-up 2"]
        steps += bool(found.steps)
    print(f"a set-up turned by 0.6° told {told} of 8, taken for a step {steps} of 8")
    assert told >= 7
    assert steps == 0


def test_an_instrument_among_the_shots():
    shots, of = shoot(8)
    where = of.setups[0]
    i = int(np.flatnonzero(shots.role == 0)[0])
    x, y, z = shots.x_m.copy(), shots.y_m.copy(), shots.z_m.copy()
    setups = (
        dataclasses.replace(
            where, easting_m=float(x[i]), northing_m=float(y[i]), elevation_m=float(z[i]) - 0.5
        ),
        *of.setups[1:],
    )
    z[i] += 1.574 - 0.5
    case, ordered = case_of(
        dataclasses.replace(shots, z_m=z), SetupShots(of.setup, of.target_height_m, setups)
    )
    found = [f for f in find_blunders(case, ordered).findings if f.code == "instrument-shot"]
    assert len(found) == 1
    assert "1.574 m above CP1; set-up 1 recorded instrument height 1.575 m" in found[0].message
    assert found[0].effect_m3 > 1.0


# --- pole lengths --------------------------------------------------------------------------------


def test_steps_are_matched_in_metres_and_feet():
    assert fits_of(0.201, 0.003, 2.0)[0].target_height_m == 2.2
    assert fits_of(-0.2, 0.003, 1.5)[0].target_height_m == 1.3
    assert fits_of(0.5 * FOOT, 0.002, 5.0 * FOOT)[0].words.startswith("5.5 ft")
    # 1.800 entered where the book is in feet, and 6.0 typed as metres.
    assert any("other unit" in f.words for f in fits_of(1.8 / FOOT - 1.8, 0.01, 1.8))
    assert any("as feet" in f.words for f in fits_of(6.0 * FOOT - 6.0, 0.01, 6.0))
    assert fits_of(0.111, 0.002, 2.0) == ()


def test_without_a_recorded_pole_common_differences_are_told():
    fits = fits_of(0.3, 0.003, None)
    assert {(f.recorded_m, f.target_height_m) for f in fits} >= {(1.5, 1.8), (2.2, 2.5)}
    down = fits_of(-0.3, 0.003, None)
    assert {(f.recorded_m, f.target_height_m) for f in down} >= {(1.8, 1.5), (2.5, 2.2)}


# --- robust means --------------------------------------------------------------------------------


def test_wild_values_move_no_mean():
    rng = np.random.default_rng(1)
    values = rng.normal(0.2, 0.02, 60)
    values[:12] += 3.0
    mean, error, spread = robust_mean(values)
    assert mean == pytest.approx(values[12:].mean(), abs=0.003)
    assert spread == pytest.approx(0.02, rel=0.5)
    assert error < 0.01


def test_a_robust_plane_on_exact_values():
    xy = np.random.default_rng(2).uniform(-10, 10, (40, 2))
    x, _, _ = robust_fit(np.column_stack([np.ones(40), xy]), 0.1 + 0.002 * xy[:, 0] - 0.003 * xy[:, 1])
    assert x == pytest.approx([0.1, 0.002, -0.003], abs=1e-9)
    assert half_turn(math.degrees(math.atan2(x[1], x[2]))) == pytest.approx(146.31, abs=0.01)
