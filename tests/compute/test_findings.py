"""Each finding: silent on clean piles, and told with the right numbers on the planted blunder."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from compute.building import BaseChoice
from compute.errors import ToeRingAmbiguous
from compute.findings import FINDERS, catalogue, find_all
from compute.findings.surface import cross_check_differs
from compute.records import KnownPoint
from compute.sections import cross_check
from tests.compute.crew import Pile, case_of, crew_shots, sloping_pad

RIDGE = Pile(np.array([[0.0, 0], [72, 0], [72, 32], [0, 32]]))
ELL = Pile(np.array([[0.0, 0], [60, 0], [60, 25], [25, 25], [25, 60], [0, 60]]))
ROUND = np.array(
    [[30 * np.cos(a) + 40, 30 * np.sin(a) + 40] for a in np.linspace(0, 2 * np.pi, 60, endpoint=False)]
)
CONE = Pile(ROUND, height_m=100)
SLOPED = Pile(ROUND, pad=sloping_pad(0.02))
OUTLINE = np.array([[1997.0, 3997], [2075, 3997], [2075, 4035], [1997, 4035]])
LEVEL = BaseChoice("level", level_m=100.0)
ROWS = crew_shots(RIDGE, 4.0, 1)


def codes(case, *severities):
    return {f.code for f in find_all(case) if not severities or f.severity in severities}


def told(case, code):
    (finding,) = [f for f in find_all(case) if f.code == code]
    return finding


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize("spacing", [2.0, 4.0])
@pytest.mark.parametrize("pile", [RIDGE, ELL, CONE, SLOPED], ids=["ridge", "ell", "cone", "sloped"])
def test_clean_piles_get_no_warning(pile, spacing, seed):
    assert codes(case_of(crew_shots(pile, spacing, seed)), "stop", "warn") == set()


def test_a_clean_pile_on_its_outline_and_level_is_silent():
    assert codes(case_of(ROWS, LEVEL, outline=OUTLINE), "stop", "warn") == set()


def test_pole_height_wrong_on_all_shots():
    case = case_of([(x, y, z + 0.2, c) for x, y, z, c in ROWS], LEVEL)
    step = told(case, "height-step")
    assert step.severity == "stop"
    assert step.effect_m3 == pytest.approx(0.2 * case.volume.plan_area_m2, rel=0.1)
    assert "height-step" not in codes(case_of([(x, y, z + 0.2, c) for x, y, z, c in ROWS]))


def test_a_typing_error_of_ten_metres():
    rows = [*ROWS]
    index = next(i for i, r in enumerate(rows) if r[3] == "SPT" and 8 < r[0] < 60 and 8 < r[1] < 24)
    x, y, z, c = rows[index]
    rows[index] = (x, y, z + 10, c)
    spike = told(case_of(rows), "spike")
    assert f"Likely {z + 10:.2f} typed for {z:.2f}" in spike.message
    assert spike.effect_m3 == pytest.approx(
        case_of(rows).volume.net_m3 - case_of(ROWS).volume.net_m3, rel=0.1
    )


def test_missed_crest():
    case = case_of(crew_shots(RIDGE, 4.0, 1, crest=False, top_m=6.0))
    lost = RIDGE_M3 - case.volume.net_m3
    crest = told(case, "missing-crest")
    assert -crest.effect_m3 > lost / 3


RIDGE_M3 = case_of(crew_shots(RIDGE, 1.0, 1, noise_m=0.0)).volume.net_m3


def test_heights_in_feet_over_a_plan_in_metres():
    feet = case_of([(x, y, 100 + (z - 100) / 0.3048, c) for x, y, z, c in ROWS])
    assert told(feet, "height-unit").severity == "stop"
    assert "steep-slopes" in codes(feet)


def test_all_axes_in_feet_read_as_metres():
    factor = 1 / 0.3048
    rows = [(x * factor, y * factor, 100 + (z - 100) * factor, c) for x, y, z, c in ROWS]
    assert "plan-unit" in codes(case_of(rows, outline=OUTLINE))


def test_wrong_place_and_exchanged_axes():
    away = case_of([(x + 500, y, z, c) for x, y, z, c in ROWS], outline=OUTLINE)
    assert "428 m" in told(away, "wrong-place").message or "425 m" in told(away, "wrong-place").message
    exchanged = case_of([(y + 2000, x - 2000, z, c) for x, y, z, c in ROWS], outline=OUTLINE)
    assert codes(exchanged, "stop") == {"axes-exchanged"}
    # The volume alone cannot tell: a mirrored pile is as large.
    assert exchanged.volume.net_m3 == pytest.approx(case_of(ROWS).volume.net_m3, rel=1e-9)


def test_control_under_a_blank_code():
    known = (KnownPoint("CP1", 4010.0, 2030.0, 109.5), KnownPoint("CP2", 4012.0, 2033.0, 108.0))
    rows = [*ROWS, (30.0, 10.01, 109.51, ""), (33.01, 12.0, 109.57, "")]
    case = case_of(rows, control=known)
    assert "CP1" in told(case, "control-in-surface").message
    assert "CP2" in told(case, "instrument-in-surface").message
    assert case.volume.net_m3 == case_of(ROWS).volume.net_m3


def test_unknown_codes_are_named_and_counted():
    finding = told(case_of([*ROWS, (30, 10, 105, "ABC"), (31, 10, 105, "ABC")]), "unknown-code")
    assert "ABC (2)" in finding.message


def test_doubles_that_agree_and_that_do_not():
    x, y, z, _ = next(r for r in ROWS if r[3] == "SPT")
    assert codes(case_of([*ROWS, (x + 0.003, y, z + 0.01, "SPT")])) == {"duplicate-shots"}
    conflict = told(case_of([*ROWS, (x + 0.003, y, z + 0.27, "SPT")]), "conflicting-shots")
    assert "3 mm apart in plan and 0.27 m in height" in conflict.message


def test_few_toe_shots_and_a_gap():
    few = [r for i, r in enumerate(ROWS) if r[3] != "TOE" or i % 9 == 0]
    assert "too-few-toe-shots" in codes(case_of(few), "stop")
    gap = [r for r in ROWS if not (r[3] == "TOE" and r[1] < 0.5 and 20 < r[0] < 34)]
    finding = told(case_of(gap), "toe-gap")
    assert finding.severity == "warn"
    assert len(finding.shots) == 2


def test_a_gap_wider_than_the_pile_is_told_or_refused():
    gap = [r for r in ROWS if not (r[3] == "TOE" and r[1] < 0.5 and 10 < r[0] < 40)]
    try:
        found = codes(case_of(gap))
    except ToeRingAmbiguous as refused:
        found = {"toe-gap"} if "gap" in refused.message else set()
    assert "toe-gap" in found


def test_shots_outside_the_toe_and_in_the_next_pile():
    case = case_of([*ROWS, (36, -6, 100.2, "SPT")])
    assert told(case, "outside-edge").severity == "warn"
    assert case.volume.net_m3 == case_of(ROWS).volume.net_m3
    neighbour = {"N-2": np.array([[2034.0, 3990], [2040, 3990], [2040, 3996], [2034, 3996]])}
    next_door = case_of([*ROWS, (36, -6, 100.2, "SPT")], other_outlines=neighbour)
    assert "N-2" in told(next_door, "in-other-pile").message


def test_no_toe_at_all_is_a_hull():
    hull = case_of([(x, y, z, "SPT" if c == "TOE" else c) for x, y, z, c in ROWS])
    assert "edge-is-hull" in codes(hull, "warn")


def test_long_edges_and_nothing_inside_the_toe():
    hole = [r for r in ROWS if r[3] == "TOE" or r[0] < 25 or r[0] > 55]
    assert "long-edges" in codes(case_of(hole))
    rim = [r for r in ROWS if r[3] == "TOE"]
    assert "flat-triangles" in codes(case_of([*rim, (4.0, 3.0, 101.0, "SPT")]), "warn")


def test_base_findings():
    sloped = crew_shots(SLOPED, 4.0, 1)
    assert "level-base-on-slope" in codes(case_of(sloped, BaseChoice("level", level_m=100.8)), "warn")
    lowest = told(case_of(sloped, BaseChoice("lowest-toe")), "lowest-toe-base")
    assert lowest.effect_m3 > 0
    low = told(case_of(ROWS, BaseChoice("level", level_m=100.5)), "below-base")
    assert low.effect_m3 < 0
    assert "base-matters" in codes(case_of(ROWS, BaseChoice("level", level_m=99.0)))


def test_toe_shot_up_the_slope_in_one_place():
    rows = [
        (x, y + 0.7, z + 0.5, c) if c == "TOE" and y < 0.5 and 30 < x < 36 else (x, y, z, c)
        for x, y, z, c in ROWS
    ]
    assert "toe-above-base" in codes(case_of(rows, LEVEL), "warn")


def test_sections_that_disagree_are_told():
    case = case_of(ROWS)
    check = cross_check(case)
    assert cross_check_differs(check, case) == []
    wrong = dataclasses.replace(check, difference_m3=0.02 * case.volume.above_m3)
    assert cross_check_differs(wrong, case)[0].severity == "stop"


def test_every_finding_says_where_and_what_to_do():
    entries = catalogue()
    assert len({(e.code, e.severity) for e in entries}) == len(entries)
    assert len(FINDERS) >= 20
    blundered = [*ROWS, (30, 10, 105, "ABC"), (36, -6, 100.2, "SPT")]
    for finding in find_all(case_of(blundered, BaseChoice("lowest-toe"))):
        assert finding.message.endswith(".")
        assert finding.where
        assert finding.remedy
        assert finding.code in {e.code for e in entries}
