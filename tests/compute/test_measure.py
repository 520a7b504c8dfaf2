"""The whole way of one measurement: closed forms, invariants, the same bits whatever the order of rows."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.building import BaseChoice
from compute.coding import assign_roles, merge_rules
from compute.errors import BaseNotCovering, NothingToMeasure, TooFewShots
from compute.measure import Measurement, MeasureRequest, measure
from compute.pointfiles import read_points
from compute.records import Density, KnownPoint

RULES = merge_rules({})


def cone_rows(radius=20.0, slope=0.7, spots=250, origin=(2000.0, 1000.0, 50.0), scale=1.0):
    """Toe shots on a circle, spots on the face of a cone, its apex: (easting, northing, elevation, code)."""
    rng = np.random.default_rng(11)
    angle = np.linspace(0, 2 * math.pi, 36, endpoint=False)
    rows = [(radius * math.cos(a), radius * math.sin(a), 0.0, "TOE") for a in angle]
    xy = rng.uniform(-radius, radius, (spots, 2))
    xy = xy[np.hypot(*xy.T) < radius - 0.7]
    rows += [(x, y, (radius - math.hypot(x, y)) * slope, "SPT") for x, y in xy.tolist()]
    rows.append((0.0, 0.0, radius * slope, "SPT"))
    return [
        (origin[0] + scale * x, origin[1] + scale * y, origin[2] + scale * z, code) for x, y, z, code in rows
    ]


def shots_of(rows, name="pile.csv"):
    body = "".join(f"{i},{n!r},{e!r},{h!r},{code}\n" for i, (e, n, h, code) in enumerate(rows, 1))
    text = "point,northing,easting,elevation,code\n" + body
    return assign_roles([read_points(text.encode(), name)], RULES)


def measured(rows, base=None, **more) -> Measurement:
    return measure(MeasureRequest(top=shots_of(rows), base=base or BaseChoice("toe"), **more))


def net(rows, base=None, **more) -> float:
    return measured(rows, base, **more).record["net_m3"]


CONE_M3 = math.pi * 20.0**3 * 0.7 / 3


def test_cone_reads_low_and_within_its_own_uncertainty():
    # A triangulation with its corners on a cone lies inside it, so the volume can only be low.
    record = measured(cone_rows()).record
    assert CONE_M3 - record["uncertainty"]["net_m3"] < record["net_m3"] < CONE_M3
    assert record["above_base_m3"] - record["below_base_m3"] == record["net_m3"]
    assert record["base"]["kind"] == "toe"
    assert record["second_base"]["kind"] == "plane"
    assert record["edge"]["kind"] == "toe"
    assert record["edge"]["gap_largest_m"] < 1e-9


def test_order_of_rows_changes_no_bit():
    rows = cone_rows()
    numbered = list(enumerate(rows, 1))

    def digest_of(ordered):
        body = "".join(f"{i},{n!r},{e!r},{h!r},{code}\n" for i, (e, n, h, code) in ordered)
        data = ("point,northing,easting,elevation,code\n" + body).encode()
        shots = assign_roles([read_points(data, "pile.csv")], RULES)
        return measure(MeasureRequest(top=shots, base=BaseChoice("toe"))).record["digest"]

    first = digest_of(numbered)
    for seed in (1, 2, 3):
        shuffled = [numbered[i] for i in np.random.default_rng(seed).permutation(len(numbered))]
        assert digest_of(shuffled) == first


def test_one_changed_millimetre_changes_the_digest():
    rows = cone_rows()
    changed = [*rows[:-1], (*rows[-1][:2], rows[-1][2] + 0.001, rows[-1][3])]
    assert measured(rows).record["digest"] != measured(changed).record["digest"]


@pytest.mark.parametrize("base", ["toe", "plane", "lowest-toe"])
def test_far_origin_gives_the_same_volume(base):
    near = net(cone_rows(), BaseChoice(base))
    far = net(cone_rows(origin=(500_000.0, 4_500_000.0, 50.0)), BaseChoice(base))
    # Coordinates at 4,500,000 m are rounded to 1e-9 m; over 1,250 m² that is a millionth of a cubic metre.
    assert far == pytest.approx(near, abs=1e-4)


def test_scale_k_gives_k_cubed():
    one = net(cone_rows(origin=(0.0, 0.0, 0.0)))
    half = net(cone_rows(origin=(0.0, 0.0, 0.0), scale=0.5))
    assert half == pytest.approx(one / 8, rel=1e-12)


@settings(max_examples=12, deadline=None)
@given(st.floats(0, 360), st.floats(-500, 500), st.floats(-500, 500), st.floats(-50, 50))
def test_turned_and_moved_piles_keep_their_volume(turn_deg, east, north, up):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    rows = cone_rows(origin=(0.0, 0.0, 0.0), spots=120)
    moved = [(c * x - s * y + east, s * x + c * y + north, z + up, code) for x, y, z, code in rows]
    assert net(moved) == pytest.approx(net(rows), rel=1e-9)


def test_common_height_error_cancels_with_its_own_toe_and_not_against_a_level():
    # "A wrong pole height on all shots cancels exactly when the base comes from the same toe shots."
    rows = cone_rows()
    high = [(e, n, h + 0.2, code) for e, n, h, code in rows]
    assert net(high) == pytest.approx(net(rows), rel=1e-12)
    level = BaseChoice("level", level_m=50.0)
    area = measured(rows).record["plan_area_m2"]
    assert net(high, level) - net(rows, level) == pytest.approx(0.2 * area, rel=1e-9)


def test_derivative_by_shot_sums_to_the_area_or_to_nothing():
    rows = cone_rows()
    own = measured(rows).case
    assert abs(own.derivative_by_shot.sum()) < 1e-9
    fixed = measured(rows, BaseChoice("level", level_m=50.0)).case
    assert fixed.derivative_by_shot.sum() == pytest.approx(own.volume.plan_area_m2, rel=1e-12)


@pytest.mark.parametrize("base", ["toe", "plane", "lowest-toe"])
def test_derivative_by_shot_is_the_change_of_the_net_volume(base):
    # On a sloping pad, so that one toe shot alone is the lowest.
    rows = [(e, n, h + 0.02 * (e - 2000.0), code) for e, n, h, code in cone_rows(spots=60)]
    case = measured(rows, BaseChoice(base)).case
    for index in (2, 18, 20, 50):
        shot = int(np.flatnonzero(case.shots.line == index + 2)[0])
        raised = [(e, n, h + (0.001 if i == index else 0.0), code) for i, (e, n, h, code) in enumerate(rows)]
        change = (net(raised, BaseChoice(base)) - net(rows, BaseChoice(base))) / 0.001
        assert change == pytest.approx(case.derivative_by_shot[shot], abs=1e-6 * case.volume.plan_area_m2)


def test_pre_pile_survey_and_level_agree_on_a_level_pad():
    pad = [(1900.0 + 200 * i, 900.0 + 200 * j, 50.0, "FLR") for i in (0, 1) for j in (0, 1)]
    surveyed = BaseChoice("surface", shots=shots_of(pad, "pad.csv"), label="pad v1")
    record = measured(cone_rows(), surveyed).record
    assert record["net_m3"] == pytest.approx(net(cone_rows(), BaseChoice("level", level_m=50.0)), rel=1e-12)
    assert record["shots"]["in_base"] == 4
    assert [entry["name"] for entry in record["inputs"]] == ["pile.csv", "pad.csv"]


def test_a_pad_that_misses_part_of_the_pile_is_refused():
    pad = [(2000.0 + 100 * i, 900.0 + 200 * j, 50.0, "FLR") for i in (0, 1) for j in (0, 1)]
    with pytest.raises(BaseNotCovering):
        measured(cone_rows(), BaseChoice("surface", shots=shots_of(pad, "pad.csv")))


def test_drawn_edges_that_share_a_line_add_up():
    rows = cone_rows()
    level = BaseChoice("level", level_m=50.0)
    west = np.array([[1990.0, 990], [2000, 990], [2000, 1010], [1990, 1010]])
    east = np.array([[2000.0, 990], [2010, 990], [2010, 1010], [2000, 1010]])
    both = np.array([[1990.0, 990], [2010, 990], [2010, 1010], [1990, 1010]])
    parts = net(rows, level, edge=west) + net(rows, level, edge=east)
    assert net(rows, level, edge=both) == pytest.approx(parts, rel=1e-12)


def test_control_in_the_file_stays_out_by_code_and_by_place():
    rows = cone_rows()
    marks = [(2010.0, 1005.0, 61.0, "CTL"), (2010.001, 1005.002, 61.003, "")]
    record = measured(rows + marks).record
    assert record["net_m3"] == net(rows)
    assert record["shots"]["left_out"] == {"control": 1, "coincides_with_control": 1}


def test_known_control_under_a_blank_code_is_left_out():
    rows = cone_rows()
    known = (KnownPoint("CP2", 1003.0, 2004.0, 60.5),)
    record = measured([*rows, (2004.01, 1003.01, 60.51, "")], control=known).record
    assert record["net_m3"] == net(rows)


def test_shots_at_one_place_become_one_vertex_at_the_mean():
    rows = cone_rows()
    e, n, h, code = rows[-1]
    doubled = [*rows[:-1], (e, n, h + 0.01, code), (e, n, h - 0.01, code)]
    assert net(doubled) == pytest.approx(net(rows), rel=1e-12)


def test_hull_without_toe_shots_is_said():
    rows = [(e, n, h, "SPT") for e, n, h, _ in cone_rows()]
    record = measured(rows).record
    assert record["edge"]["kind"] == "hull"
    assert record["net_m3"] == pytest.approx(net(cone_rows()), rel=1e-9)


def test_tonnes_follow_the_density():
    record = measured(cone_rows(), density=Density(1.6, 0.05, "test")).record
    assert record["tonnes"] == record["net_m3"] * 1.6
    doubt = record["uncertainty"]
    relative = math.hypot(doubt["net_m3"] / 2 / record["net_m3"], 0.05 / 1.6)
    assert doubt["tonnes"] == pytest.approx(2 * relative * record["tonnes"], rel=1e-9)


@pytest.mark.parametrize(
    ("rows", "error"),
    [
        ([(0.0, 0.0, 1.0, "CHK"), (1.0, 0.0, 1.0, "CTL")], NothingToMeasure),
        ([(float(i), 2.0 * i, 1.0, "SPT") for i in range(6)], TooFewShots),
        ([(1.0, 1.0, 1.0, "SPT")] * 5, TooFewShots),
    ],
)
def test_degenerate_sets_are_refused_in_words(rows, error):
    with pytest.raises(error) as refused:
        measured(rows)
    assert refused.value.message
    assert refused.value.remedy


def run_command(folder, *arguments, threads="2"):
    root = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("HEAPLEDGER_", "DJANGO_"))}
    return subprocess.run(
        [sys.executable, os.path.join(root, "manage.py"), "measure", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        env=environment | {"NUMBA_NUM_THREADS": threads, "HEAPLEDGER_DATA_DIR": str(folder / "data")},
        check=False,
    )


def test_command_prints_one_json_object_with_every_key_of_the_contract(tmp_path):
    body = "".join(f"{n:.3f} {e:.3f} {h:.3f} {code}\n" for e, n, h, code in cone_rows())
    (tmp_path / "pile.txt").write_text(body)
    columns = "northing,easting,elevation,code"
    done = run_command(tmp_path, "pile.txt", "--columns", columns, "--density", "1.5", "--json")
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    assert set(record) >= {
        "above_base_m3", "below_base_m3", "net_m3", "plan_area_m2", "tonnes", "uncertainty", "second_base",
        "cross_check", "base", "edge", "shots", "findings", "inputs", "algorithm", "digest",
    }  # fmt: skip
    assert record["uncertainty"]["k"] == 2
    assert record["uncertainty"]["dominant"] in record["uncertainty"]["terms"]
    terms = record["uncertainty"]["terms"].values()
    assert record["uncertainty"]["net_m3"] == pytest.approx(2 * math.sqrt(sum(t * t for t in terms)))
    assert (
        run_command(tmp_path, "pile.txt", "--columns", columns, "--density", "1.5", "--json").stdout
        == done.stdout
    )


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["nothing.csv"], "bad-option"),
        (["headless.txt"], "columns-unknown"),
        (["headless.txt", "--columns", "northing,easting,elevation", "--density", "nan"], "bad-option"),
        (["headless.txt", "--unit", "furlong"], "bad-option"),
        (["headless.txt", "--base-level", "1", "--base-from", "toe"], "bad-option"),
        (["headless.txt", "--columns", "northing,easting,elevation", "--roles", "toy=A"], "bad-option"),
    ],
)
def test_command_refuses_with_status_2_and_one_json_object(tmp_path, arguments, code):
    (tmp_path / "headless.txt").write_text("1 2 3\n4 5 6\n7 9 9\n")
    done = run_command(tmp_path, *arguments, "--json")
    assert done.returncode == 2
    error = json.loads(done.stdout)["error"]
    assert error["code"] == code
    assert error["message"]
    assert error["remedy"]
    assert "Traceback" not in done.stderr
