"""Single shots: typing errors, vegetation, doubles and conflicts, codes nobody knows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from compute.findings.shots import find_doubles, find_unknown_codes
from compute.findings.spikes import Spike, find_spikes, find_spikes_in, typed_wrong
from compute.records import FindingLimits
from compute.triangulate import triangulate
from tests.compute.crew import Pile, case_of, crew_shots, shot_named, told
from tests.compute.toe_zoo import OUTLINES, kidney, ridge


def lifted(rows, at, by_m):
    """The rows with one height changed, and the name of that shot."""
    x, y, z, code = rows[at]
    return [*rows[:at], (x, y, z + by_m, code), *rows[at + 1 :]], str(at + 1)


def spots(rows):
    return [k for k, row in enumerate(rows) if row[3] == "SPT"]


@pytest.mark.parametrize("name", sorted(OUTLINES))
@pytest.mark.parametrize("by_m", [10.0, -10.0, 100.0])
def test_a_typing_error_is_found_with_its_likely_value_and_effect(name, by_m):
    rows = crew_shots(Pile(OUTLINES[name]()[0]), 3.0, 2)
    clean = case_of(rows)
    at = spots(rows)[len(spots(rows)) // 2]
    wrong, shot_name = lifted(rows, at, by_m)
    case = case_of(wrong)
    (finding,) = find_spikes(case)
    shot = shot_named(case, shot_name)
    assert (finding.code, finding.severity, finding.shots) == ("spike", "stop", (shot,))
    assert f"yard.csv line {at + 2}" in finding.where
    assert f"Likely {rows[at][2] + by_m:.2f} typed for {rows[at][2]:.2f}." in finding.message
    assert finding.effect_m3 == pytest.approx(case.volume.net_m3 - clean.volume.net_m3, rel=0.25)
    assert find_spikes(clean) == []


def test_the_effect_is_the_exact_share_of_the_shot():
    """A level grid of cells s: one shot h too high is a pyramid over four triangles' worth, V = h·s²."""
    side, s, h = 9, 4.0, 10.0
    rows = [(i * s, j * s, 100.0, "SPT") for i in range(side) for j in range(side)]
    wrong, _ = lifted(rows, 4 * side + 4, h)
    case = case_of(wrong)
    (finding,) = find_spikes(case)
    assert finding.effect_m3 == pytest.approx(case.volume.net_m3, rel=1e-9)
    assert finding.effect_m3 == pytest.approx(h * s * s, rel=0.35)


def test_three_typing_errors_at_once_are_three_findings():
    rows = crew_shots(Pile(ridge()[0]), 3.0, 4)
    at = spots(rows)
    chosen = [at[10], at[len(at) // 2], at[-10]]
    names = []
    for k, by_m in zip(chosen, (10.0, -10.0, 10.0), strict=True):
        rows, name = lifted(rows, k, by_m)
        names.append(name)
    case = case_of(rows)
    assert {case.shots.name(f.shots[0]) for f in find_spikes(case)} == set(names)


@pytest.mark.parametrize("spacing_m", [2.0, 3.0])
def test_a_prism_on_vegetation_on_a_face_is_noted_and_kept(spacing_m):
    rows = crew_shots(Pile(ridge()[0], height_m=20.0), spacing_m, 1)
    face = [k for k in spots(rows) if abs(rows[k][0]) < 15 and 4 < abs(rows[k][1]) < 12][3]
    wrong, name = lifted(rows, face, 1.0)
    case = case_of(wrong)
    (finding,) = find_spikes(case)
    shot = shot_named(case, name)
    assert (finding.code, finding.severity, finding.shots) == ("stands-out", "note", (shot,))
    assert case.in_top[shot]
    assert finding.effect_m3 == pytest.approx(case.volume.net_m3 - case_of(rows).volume.net_m3, rel=0.25)


def drawn_edge():
    """A little inside the toe, so that no shot is a corner of it."""
    return 0.97 * ridge()[0] + np.array([2000.0, 4000.0])


def test_wall_shots_are_not_judged():
    rows = crew_shots(Pile(ridge()[0]), 3.0, 2)
    wrong, _ = lifted(rows, spots(rows)[60], 10.0)
    assert told(find_spikes(case_of(wrong, edge=drawn_edge()))) == [("spike", "stop")]
    wrong[spots(rows)[60]] = (*wrong[spots(rows)[60]][:3], "WAL 1")
    assert find_spikes(case_of(wrong, edge=drawn_edge())) == []


@pytest.mark.parametrize(
    ("above_m", "scatter_m", "typed_m"),
    [(10.2, 0.1, 10.0), (-9.5, 0.1, -10.0), (1.05, 0.1, 1.0), (-1.0, 0.05, -1.0), (104.0, 0.5, 100.0),
     (5.0, 0.1, None), (0.6, 0.05, None), (3.0, 0.5, None)],
)  # fmt: skip
def test_which_digit_was_typed_wrong(above_m, scatter_m, typed_m):
    assert typed_wrong(above_m, scatter_m) == typed_m


@pytest.mark.parametrize("slope_deg", [20.0, 37.0, 44.0])
def test_ridges_shoulders_and_steps_of_exact_planes_are_no_spikes(slope_deg):
    tan = math.tan(math.radians(slope_deg))
    x, y = np.meshgrid(np.arange(0.0, 40.0, 3.0), np.arange(0.0, 30.0, 3.0))
    for z in (
        tan * -np.abs(x - 18.0),
        tan * np.minimum(x, 12.0),
        tan * np.clip(x - 12, 0, 6),
        0.02 * x * y / 10,
    ):
        surface = triangulate(np.column_stack([x.ravel(), y.ravel(), z.ravel()]))
        assert find_spikes_in(surface, FindingLimits()) == []


def test_too_few_shots_say_nothing():
    flat = triangulate(np.array([(0, 0, 0), (9, 0, 0), (0, 9, 5), (9, 9, 90.0)]))
    assert find_spikes_in(flat, FindingLimits()) == []


def test_spikes_are_told_worst_first():
    rows = crew_shots(Pile(kidney()[0]), 2.0, 4)
    at = spots(rows)
    wrong, _ = lifted(lifted(rows, at[20], 10.0)[0], at[-20], -100.0)
    found = find_spikes_in(case_of(wrong).top, FindingLimits())
    assert [type(spike) for spike in found] == [Spike, Spike]
    assert found[0].above_m < -90 < 5 < found[1].above_m


# --- doubles -------------------------------------------------------------------------------------


def test_a_conflict_names_both_shots_their_distance_and_the_effect():
    rows = crew_shots(Pile(ridge()[0]), 4.0, 1)
    at = spots(rows)[30]
    x, y, z, _ = rows[at]
    case = case_of([*rows, (x + 0.006, y, z + 0.27, "SPT")])
    (finding,) = find_doubles(case)
    assert (finding.code, finding.severity) == ("conflicting-shots", "stop")
    assert f"line {at + 2}" in finding.message
    assert f"line {len(rows) + 2}" in finding.message
    assert "6 mm apart in plan and 0.27 m in height" in finding.message
    derivative = max(abs(case.derivative_by_shot[list(finding.shots)]))
    assert finding.effect_m3 == pytest.approx(0.27 * derivative, rel=1e-6)
    assert set(finding.shots) == {shot_named(case, str(at + 1)), shot_named(case, str(len(rows) + 1))}


def test_repeated_shots_that_agree_are_a_note():
    rows = crew_shots(Pile(ridge()[0]), 4.0, 1)
    again = [(x + 0.004, y - 0.003, z + 0.01, code) for x, y, z, code in rows[60:70] if code == "SPT"]
    same = [rows[75], rows[76]]
    (finding,) = find_doubles(case_of([*rows, *again, *same]))
    assert (finding.code, finding.severity) == ("duplicate-shots", "note")
    assert len(finding.shots) == 2 * (len(again) + len(same))


@pytest.mark.parametrize(
    ("dx_m", "dz_m", "codes"),
    [
        (0.019, 0.05, ["duplicate-shots"]),
        (0.021, 0.5, []),
        (0.0, 0.029, ["duplicate-shots"]),
        (0.0, 0.031, ["conflicting-shots"]),
    ],
)
def test_the_limits_of_doubles(dx_m, dz_m, codes):
    """2 cm in plan, 3 cm in height (trade practice, no source), and what a slope of 50° explains besides."""
    rows = crew_shots(Pile(ridge()[0]), 4.0, 1)
    x, y, z, _ = rows[spots(rows)[30]]
    found = find_doubles(case_of([*rows, (x + dx_m, y, z + dz_m, "SPT")]))
    assert [finding.code for finding in found] == codes


def test_on_a_small_model_millimetres_are_a_distance():
    rows = [
        (x / 100, y / 100, 100 + (z - 100) / 100, c) for x, y, z, c in crew_shots(Pile(ridge()[0]), 4.0, 1)
    ]
    x, y, z, _ = rows[spots(rows)[30]]
    assert find_doubles(case_of([*rows, (x + 0.006, y, z + 0.027, "SPT")])) == []
    assert told(find_doubles(case_of([*rows, (x + 0.0001, y, z + 0.027, "SPT")]))) == [
        ("conflicting-shots", "stop")
    ]


def test_a_wall_shot_over_a_toe_shot_is_an_upright_face_and_no_conflict():
    rows = crew_shots(Pile(ridge()[0]), 4.0, 1)
    x, y, z, _ = rows[0]
    case = case_of([*rows, (x + 0.01, y, z + 2.0, "WAL")], edge=drawn_edge())
    assert find_doubles(case) == []


# --- codes ---------------------------------------------------------------------------------------


def test_unknown_codes_are_counted_by_code_and_left_out():
    rows = crew_shots(Pile(ridge()[0]), 4.0, 1)
    case = case_of([*rows, (0, 5, 150, "ABC"), (1, 5, 150, "ABC"), (2, 5, 150, "ZZ")])
    (finding,) = find_unknown_codes(case)
    assert (finding.code, finding.severity) == ("unknown-code", "warn")
    assert "3 shots carry codes that no rule knows: ABC (2), ZZ (1)" in finding.message
    assert not case.in_top[list(finding.shots)].any()
    assert case.volume.net_m3 == case_of(rows).volume.net_m3
    assert find_unknown_codes(case_of(rows)) == []
