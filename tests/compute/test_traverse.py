"""Field books give back their coordinates, mistakes are named, and what cannot be used is refused at once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from compute.errors import BadOption, BadValues, ColumnsUnknown, FileEmpty
from compute.traverse.angles import format_dms, half_turn, parse_angle, parse_direction
from compute.traverse.book import read_traverse
from compute.traverse.chain import Control
from compute.traverse.closure import Limits
from compute.traverse.solve import TraverseRequest, solve_traverse
from tests.compute.field_crew import PILE, YARD, angle_rows, field_book, line

ROOT = Path(__file__).parents[2]
FOUR_LEGS = """at,angle,distance
CP1,285-58-23.7,75.317
CP2,250-19-37.2,84.423
CP3,273-24-11.8,77.858
CP4,270-17-56.3,105.376
"""
YARD_CONTROL = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): line(YARD["CP1"], YARD["CP2"])[0]})


def solved(text, control=None, **more):
    return solve_traverse(TraverseRequest(text.encode(), "t.csv", control or Control(), **more))


def codes(record):
    return {f["code"] for f in record["findings"]}


def stop(record):
    return next(f for f in record["findings"] if f["severity"] == "stop")


# --- angles --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["226-54-23", "226°54′23″", "226 54 23", "226:54:23", "226d54m23s", "226°54'23\"", "226.90638888888889"],
)
def test_angles_in_the_usual_ways_of_writing(text):
    assert parse_angle(text) == pytest.approx(226 + 54 / 60 + 23 / 3600, abs=1e-12)


def test_gon_and_quadrants():
    assert parse_angle("100 gon") == pytest.approx(90.0)
    told = {"S 36-00-00 E": 144.0, "N 10-30 W": 349.5, "S 45 W": 225.0, "N 0-00-00 E": 0.0}
    assert {text: parse_direction(text) for text in told} == pytest.approx(told)


@pytest.mark.parametrize(
    "text", ["12-60-00", "12-00-60", "abc", "", "S 91-00-00 E", "N 10", "12-30.5-10", "E 5 N"]
)
def test_what_is_no_direction_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        parse_direction(text)


@given(st.floats(0.0, 359.9999))
def test_written_and_read_again(degrees):
    assert half_turn(parse_angle(format_dms(degrees, 4)) - degrees) == pytest.approx(0.0, abs=1e-7)


def test_worked_line_of_reduction():
    # Own arithmetic, not published: SD 63.482, Z 78°14′20″, hi 1.575, target 1.800.
    header = "setup,at,to,kind,face,circle,zenith,slope_distance,instrument_height,target_height\n"
    rows = "1,A,M,backsight,1,10-00-00,,,1.575,\n1,A,P,shot,1,55-00-00,78-14-20,63.482,,1.800\n"
    shot = solved(header + rows).record["shots"][0]
    assert np.hypot(shot["northing"] - 1000, shot["easting"] - 1000) == pytest.approx(62.149, abs=0.0005)
    assert shot["elevation"] - 50 == pytest.approx(12.715, abs=0.0005)
    assert shot["northing"] - 1000 == pytest.approx(shot["easting"] - 1000)


# --- loops ---------------------------------------------------------------------------------------


def test_four_legs_with_exterior_angles():
    # Own arithmetic, not published: the sum is 1080°00′09.0″ on a perimeter of 342.974 m.
    azimuth = line(YARD["CP1"], YARD["CP2"])[0]
    control = Control({"CP1": (1000.0, 2000.0, None)}, {("CP1", "CP2"): azimuth})
    result = solved(FOUR_LEGS, control)
    closure = result.record["closure"]
    assert closure["angular_seconds"] == pytest.approx(9.0, abs=1e-6)
    assert closure["angular_allowed_seconds"] == pytest.approx(40.0)
    assert result.run.closure.sum_kind == "exterior"
    assert closure["perimeter"] == pytest.approx(342.974)
    assert closure["linear"] == pytest.approx(0.0026, abs=0.0008)
    for station in result.record["stations"]:
        assert (station["northing"], station["easting"]) == pytest.approx(YARD[station["name"]][:2], abs=0.01)


def test_interior_angles_of_four_sides_sum_to_a_full_turn():
    # Common practice, no source: the loop the other way round has interior angles, 360° together.
    names = ["CP1", "CP4", "CP3", "CP2"]
    result = solved(angle_rows({n: YARD[n] for n in names}))
    assert result.run.closure.sum_kind == "interior"
    assert float(result.run.traverse.angle_deg[:4].sum()) == pytest.approx(360.0, abs=0.3 / 3600)


@pytest.mark.parametrize("rule", ["compass", "transit", "least-squares", "none"])
def test_every_rule_gives_an_exact_loop_back(rule):
    record = solved(angle_rows(YARD), YARD_CONTROL, rule=rule).record
    assert [s["name"] for s in record["stations"]] == list(YARD)
    for station in record["stations"]:
        assert (station["northing"], station["easting"]) == pytest.approx(YARD[station["name"]][:2], abs=2e-4)


@pytest.mark.parametrize("rule", ["compass", "transit", "least-squares"])
def test_adjusted_courses_close_exactly(rule):
    record = solved(angle_rows(YARD, np.random.default_rng(3), 5.0, 0.003), rule=rule).record
    assert abs(record["closure"]["latitude"]) > 1e-5
    for key in ("adjusted_latitude", "adjusted_departure"):
        assert sum(c[key] for c in record["courses"]) == pytest.approx(0.0, abs=1e-8)


def test_open_leg_is_named_as_such():
    text = "from,to,direction,distance,height_difference\nA,B,90,10,1.5\nB,C,0,20,-0.5\n"
    record = solved(text).record
    assert "open-leg" in codes(record)
    assert record["closure"]["linear"] is None
    assert record["closure"]["ratio"] is None
    last = record["stations"][-1]
    assert (last["northing"], last["easting"], last["elevation"]) == pytest.approx((1020.0, 1010.0, 51.0))


def test_link_closes_in_angle_on_a_known_mark():
    # A–B–C between known stations, marks X and Y due north of the ends; the angle at C is 20″ off.
    text = "at,angle,distance\nA,90-00-00,100\nB,180-00-00,100\nC,90-00-20,\n"
    control = Control({"A": (0.0, 0.0, None), "C": (0.0, 200.0, None)}, {("A", "X"): 0.0, ("C", "Y"): 0.0})
    result = solved(text, control)
    assert result.run.closure.kind == "link"
    assert result.record["closure"]["angular_seconds"] == pytest.approx(20.0, abs=1e-6)
    assert result.record["closure"]["angular_allowed_seconds"] == pytest.approx(20 * 3**0.5)


def test_heights_close_and_are_spread_by_distance():
    text = "from,to,direction,distance,height_difference\nA,B,0,100,1\nB,C,120,100,1\nC,A,240,100,-1.97\n"
    record = solved(text).record
    assert record["closure"]["height"] == pytest.approx(0.03)
    assert [s["elevation"] for s in record["stations"]] == pytest.approx([50.0, 50.99, 51.98])
    off = solved(text.replace("-1.97", "-1.90")).record
    assert stop(off)["code"] == "misclosure-height"
    assert {s["elevation"] for s in off["stations"]} == {None}


# --- beyond the limit ----------------------------------------------------------------------------


def test_beyond_a_limit_nothing_is_adjusted_without_a_reason():
    text = angle_rows(YARD, wrong_angle=(2, 0.5))
    record = solved(text, YARD_CONTROL).record
    assert stop(record)["where"] == "station CP3"
    assert record["closure"]["angular_seconds"] == pytest.approx(1800.0, abs=0.5)
    for course in record["courses"]:
        assert course["latitude"] is not None
        assert {v for k, v in course.items() if k.startswith("adjusted")} == {None}
    assert {v for s in record["stations"] for k, v in s.items() if k != "name"} == {None}
    forced = solved(text, YARD_CONTROL, accept_reason="Marks lost").record
    assert any("Marks lost" in f["message"] for f in forced["findings"] if f["code"] == "misclosure-accepted")
    assert not [f for f in forced["findings"] if f["severity"] == "stop"]
    assert all(s["northing"] is not None for s in forced["stations"])


@pytest.mark.parametrize("degrees", [0.5, 2.0, 10.0, 90.0, -170.0])
def test_a_misread_angle_of_any_size_is_named(degrees):
    rng = np.random.default_rng(8)
    for i, name in enumerate(YARD):
        text = angle_rows(YARD, rng, 5.0, 0.003, wrong_angle=(i, degrees))
        assert stop(solved(text, YARD_CONTROL).record)["where"] == f"station {name}"


def test_planted_errors_are_named():
    """Noise of 5″ and 3 mm, five stations: the rates stand in the assertions (seeded)."""
    rng = np.random.default_rng(20)
    names, angles, distances, clean = list(YARD), 0, 0, 0
    for _ in range(100):
        i, sign = int(rng.integers(5)), rng.choice([-1, 1])
        record = solved(angle_rows(YARD, rng, 5.0, 0.003, wrong_angle=(i, sign * 0.1)), YARD_CONTROL).record
        angles += stop(record)["where"] == f"station {names[i]}"
        record = solved(
            angle_rows(YARD, rng, 5.0, 0.003, wrong_distance=(i, sign * 0.3)), YARD_CONTROL
        ).record
        distances += stop(record)["where"] == f"course {names[i]}–{names[(i + 1) % 5]}"
        record = solved(angle_rows(YARD, rng, 5.0, 0.003), YARD_CONTROL).record
        clean += all(f["severity"] != "stop" for f in record["findings"])
    assert min(angles, distances, clean) >= 95


# --- field books ---------------------------------------------------------------------------------


@pytest.mark.parametrize("rule", ["compass", "least-squares"])
def test_field_book_gives_stations_and_shots_back(rule):
    # Circles and zeniths to a hundredth of a second; the instrument's own errors cancel between the faces.
    record = solved(field_book(), YARD_CONTROL, rule=rule).record
    assert {s["name"] for s in record["stations"]} == set(YARD)
    for found, truth in ((record["stations"], YARD), (record["shots"], PILE)):
        assert len(found) == len(truth)
        for row in found:
            place = (row["northing"], row["easting"], row["elevation"])
            assert place == pytest.approx(truth[row.get("name") or row["point"]], abs=2e-4)
    assert {s["code"] for s in record["shots"]} == {"SPT"}
    assert record["closure"]["height"] == pytest.approx(0.0, abs=1e-4)


def test_missing_target_height_is_never_carried_forward():
    record = solved(field_book(targets={("CP1", "S2"): ""}), YARD_CONTROL).record
    shots = {s["point"]: s["elevation"] for s in record["shots"]}
    assert shots["S2"] is None
    assert shots["S3"] == pytest.approx(PILE["S3"][2], abs=2e-4)
    missing = next(f for f in record["findings"] if f["code"] == "target-height-missing")
    assert "S2" in missing["where"]


def test_wrong_target_height_shows_between_both_ways():
    record = solved(field_book(targets={("CP2", "CP3"): "1.650"}), YARD_CONTROL).record
    off = next(f for f in record["findings"] if f["code"] == "height-both-ways")
    assert off["where"] == "course CP2–CP3"
    record = solved(field_book(targets={("CP2", "CP3"): "1.900"}), YARD_CONTROL).record
    assert (stop(record)["code"], stop(record)["where"]) == ("misclosure-height", "course CP2–CP3")


def test_height_differences_without_any_heights_are_between_marks():
    header = "setup,at,to,kind,circle,horizontal_distance,height_difference\n"
    rows = header + "1,A,B,backsight,0,,\n1,A,P,shot,90,10,2\n"
    record = solved(rows).record
    shot = record["shots"][0]
    assert (shot["northing"], shot["easting"], shot["elevation"]) == pytest.approx((1000.0, 1010.0, 52.0))
    assert "heights-between-marks" in codes(record)


def test_one_set_up_alone_gives_its_shots():
    text = "".join(
        r for r in field_book().splitlines(keepends=True) if r[:2] in ("se", "1,") and "foresight" not in r
    )
    control = Control({"CP1": YARD["CP1"], "CP5": YARD["CP5"]})
    record = solved(text, control).record
    assert "open-leg" in codes(record)
    for row in record["shots"]:
        place = (row["northing"], row["easting"], row["elevation"])
        assert place == pytest.approx(PILE[row["point"]], abs=2e-4)


# --- refusals ------------------------------------------------------------------------------------


def test_all_problems_of_a_file_at_once():
    text = "from,to,direction,distance\nA,B,12-61-00,10\nB,C,S 95 E,-4\nC,,10,ten\n"
    with pytest.raises(BadValues) as refused:
        read_traverse(text.encode(), "t.csv")
    places = [(p.line, p.column) for p in refused.value.problems]
    assert places == [(2, 3), (3, 3), (3, 4), (4, 2), (4, 4)]
    assert refused.value.total_problems == 5


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("", FileEmpty),
        ("from,to,direction,distance\n", FileEmpty),
        ("from,to,length\nA,B,3\n", ColumnsUnknown),
        ("from,to,direction,distance,colour\nA,B,1,2,red\n", ColumnsUnknown),
        ("from,to,direction,distance\nA,B,0,10\nC,D,0,10\n", BadValues),
        ("at,angle,distance\nA,90,10\n", BadValues),
        ("at,angle,distance\nA,90,10\nB,,10\nC,60,10\n", BadValues),
        ("setup,at,to,kind,circle\n1,A,B,foresight,10\n", BadValues),
        ("at,angle,distance\nA,,10\nB,90,10\nC,60,10\n", BadOption),
    ],
)
def test_what_cannot_be_used_is_refused(text, kind):
    with pytest.raises(kind):
        solved(text)


# --- the command ---------------------------------------------------------------------------------


def run_command(*arguments):
    return subprocess.run(
        [sys.executable, "manage.py", "traverse", *arguments],
        cwd=ROOT, env=os.environ | {"PYTHONIOENCODING": "utf-8"}, capture_output=True, text=True, check=False,
        encoding="utf-8", timeout=120,
    )  # fmt: skip


def test_command_keys_and_exit_status(tmp_path):
    good, bad = tmp_path / "book.csv", tmp_path / "angles.csv"
    good.write_text(field_book(), encoding="utf-8")
    bad.write_text(angle_rows(YARD, wrong_angle=(2, 0.5)), encoding="utf-8")
    done = run_command(str(good), "--station", "CP1,1000,2000,50", "--azimuth", "CP1,CP2,9-48-58", "--json")
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    assert list(record) == ["closure", "courses", "stations", "shots", "findings"]
    assert list(record["closure"]) == [
        "angular_seconds", "angular_allowed_seconds", "latitude", "departure", "linear", "perimeter", "ratio",
        "height",
    ]  # fmt: skip
    assert list(record["courses"][0]) == [
        "from", "to", "azimuth_deg", "distance", "latitude", "departure", "adjusted_latitude",
        "adjusted_departure", "adjusted_distance", "adjusted_azimuth_deg",
    ]  # fmt: skip
    assert list(record["stations"][0]) == ["name", "northing", "easting", "elevation"]
    assert list(record["shots"][0]) == ["point", "northing", "easting", "elevation", "code", "setup"]
    stopped = run_command(str(bad), "--json")
    assert stopped.returncode == 0
    assert stop(json.loads(stopped.stdout))["where"] == "station CP3"
    words = run_command(str(bad), "--accept-misclosure", "Marks lost", "--adjust", "least-squares")
    assert words.returncode == 0
    assert "Marks lost" in words.stdout


@pytest.mark.parametrize(
    "arguments",
    [
        ["nowhere.csv"],
        ["{file}", "--station", "CP1,1000"],
        ["{file}", "--station", "Z,1000,2000"],
        ["{file}", "--azimuth", "CP1,CP2,95-61-00"],
        ["{file}", "--azimuth", "P,Q,95"],
        ["{file}", "--smallest-ratio", "0"],
        ["{file}", "--accept-misclosure", " "],
        ["{file}", "--adjust", "guess"],
    ],
)
def test_command_refuses_with_one_object(tmp_path, arguments):
    file = tmp_path / "angles.csv"
    file.write_text(angle_rows(YARD), encoding="utf-8")
    done = run_command(*[a.format(file=file) for a in arguments], "--json")
    assert done.returncode == 2
    assert done.stderr == ""
    assert json.loads(done.stdout)["error"]["code"] == "bad-option"


def test_limits_are_data():
    text = angle_rows(YARD, wrong_distance=(1, 0.1))
    assert stop(solved(text).record)["code"] == "misclosure-linear"
    assert not [f for f in solved(text, limits=Limits(1000.0)).record["findings"] if f["severity"] == "stop"]
