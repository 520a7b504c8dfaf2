"""What is laid over a book and what comes out: constants, corrections, tables, record, stored points."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from compute.coding import merge_rules
from compute.errors import BadOption, BadValues, NothingToMeasure
from compute.records import SourceFile
from compute.traverse.angles import parse_angle, parse_direction
from compute.traverse.book import read_traverse
from compute.traverse.book_record import book_record
from compute.traverse.chain import Control
from compute.traverse.corrections import SetupCorrection, apply_corrections
from compute.traverse.edm import Edm
from compute.traverse.presets import PRESETS, preset
from compute.traverse.solve import TraverseRequest, solve_traverse
from compute.traverse.stored import (
    StoredPoint,
    compare_stored,
    move_with_stations,
    moves_of,
    stored_of,
    stored_shots,
)
from compute.traverse.tables import both_adjustments, reduction_table
from compute.traverse.to_shots import shots_of_book
from tests.compute.field_crew import HEADER, PILE, YARD, angle_rows, field_book, free_set_up, line

ROOT = Path(__file__).parents[2]
CONTROL = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): line(YARD["CP1"], YARD["CP2"])[0]})
KNOWN = Control({n: YARD[n] for n in ("CP1", "CP3", "CP4")})
HERE = (1035.0, 2060.0, 50.4)
FREE = HEADER + "\n" + free_set_up("1", "FS", HERE, ("CP1", "CP3", "CP4"), PILE)


def request(text, control=CONTROL, **more):
    return TraverseRequest(text.encode(), "book.csv", control, **more)


def solved(text, control=CONTROL, **more):
    return solve_traverse(request(text, control, **more))


def codes(result):
    return {f["code"] for f in result.record["findings"]}


# --- units of angles -----------------------------------------------------------------------------


def test_a_bare_number_is_in_the_declared_unit():
    assert parse_angle("251.3", "gon") == pytest.approx(226.17)
    assert parse_angle("251.3") == 251.3
    assert parse_angle("226.17°", "gon") == pytest.approx(226.17)
    assert parse_angle("226.5423", "packed-dms") == pytest.approx(226 + 54 / 60 + 23 / 3600)
    assert parse_angle("-0.3", "packed-dms") == pytest.approx(-0.5)
    assert parse_angle("12.30405", "packed-dms") == pytest.approx(12 + 30 / 60 + 40.5 / 3600)
    assert parse_direction("S 40 E", "gon") == pytest.approx(144.0)


@pytest.mark.parametrize(
    ("text", "unit"), [("226-54-23", "gon"), ("12.6000", "packed-dms"), ("12.0060", "packed-dms")]
)
def test_what_contradicts_the_declared_unit_is_refused(text, unit):
    with pytest.raises(ValueError, match=r"gon|below 60"):
        parse_angle(text, unit)


def test_the_same_loop_in_gon_and_in_degrees():
    degrees = angle_rows(YARD)
    rows = [r.split(",") for r in degrees.splitlines()[1:]]
    gon = "at,angle,distance\n" + "".join(f"{a},{parse_angle(v) / 0.9:.7f},{d}\n" for a, v, d in rows)
    first = solved(degrees).record["stations"]
    second = solved(gon, angle_unit="gon").record["stations"]
    for a, b in zip(first, second, strict=True):
        assert (a["northing"], a["easting"]) == pytest.approx((b["northing"], b["easting"]), abs=1e-5)
    with pytest.raises(BadOption):
        solved(degrees, angle_unit="mil")


# --- prism constant and scale --------------------------------------------------------------------


@pytest.mark.parametrize("edm", [(-0.030, 0.0), (0.0344, 25.0)])
def test_constants_give_the_place_back_and_are_printed(edm):
    text = HEADER + "\n" + free_set_up("1", "FS", HERE, ("CP1", "CP3", "CP4"), PILE, edm=edm)
    result = solved(text, KNOWN, edm=Edm(*edm))
    for shot in result.shots:
        assert shot.place == pytest.approx(PILE[shot.point], abs=4e-4)
    said = next(f for f in result.record["findings"] if f["code"] == "curvature-and-refraction")["message"]
    assert f"{edm[0]:+.4f}" in said
    assert "k = 0.13" in said
    # Left out, the constants come through in full.
    without = {s.point: s.place for s in solved(text, KNOWN).shots}
    assert max(math.dist(without[n][:2], PILE[n][:2]) for n in PILE) > 0.01


def test_a_sight_s_own_constant_wins_over_the_set_up_s_over_the_book_s():
    rows = FREE.splitlines()
    text = "\n".join([rows[0] + ",prism_constant,ppm", *(r + ",0.05,10" for r in rows[1:])]) + "\n"
    table = reduction_table(solved(text, KNOWN, edm=Edm(0.1), edm_by_setup={"1": Edm(0.02, 3.0)}))
    assert {(r.prism_constant, r.ppm) for r in table} == {(0.05, 10.0)}
    table = reduction_table(solved(FREE, KNOWN, edm=Edm(0.1), edm_by_setup={"1": Edm(0.02, 3.0)}))
    assert {(r.prism_constant, r.ppm) for r in table} == {(0.02, 3.0)}
    for row in table:
        assert row.corrected_slope == pytest.approx(row.slope_distance * (1 + 3e-6) + 0.02, abs=1e-12)


def test_constants_of_no_instrument_are_refused():
    for more in ({"edm": Edm(-30.0)}, {"edm": Edm(0.0, 1e6)}, {"edm_by_setup": {"77": Edm()}}):
        with pytest.raises(BadOption):
            solved(FREE, KNOWN, **more)
    rows = FREE.splitlines()
    text = "\n".join([rows[0] + ",prism_constant", rows[1] + ",-30", *(r + "," for r in rows[2:])]) + "\n"
    with pytest.raises(BadValues) as refused:
        solved(text, KNOWN)
    assert refused.value.problems[0].line == 2


def test_reduction_line_by_line():
    # Own arithmetic, not published: SD 63.482, Z 78°14′20″, hi 1.575, target 1.800.
    header = "setup,at,to,kind,face,circle,zenith,slope_distance,instrument_height,target_height\n"
    rows = "1,A,M,backsight,1,10-00-00,,,1.575,\n1,A,P,shot,1,55-00-00,78-14-20,63.482,,1.800\n"
    _, row = reduction_table(solved(header + rows, Control()))
    assert row.horizontal_distance == pytest.approx(62.149, abs=5e-4)
    assert row.height_difference == pytest.approx(12.715, abs=5e-4)
    assert row.curvature == pytest.approx(0.87 * 62.149**2 / (2 * 6_371_000), rel=1e-4)
    assert row.over_axis + row.instrument_height - row.target_height == pytest.approx(row.height_difference)
    assert (row.line, row.corrected) == (3, False)


def test_faces_report_collimation_and_index():
    found = solved(field_book(collimation=0.004, index=0.003)).record["findings"]
    said = next(f for f in found if f["code"] == "instrument-errors")["message"]
    assert "collimation error of +14.4″" in said
    assert "index error of +10.8″" in said


def test_heights_missing_from_a_line_on_name_the_last_value():
    text = field_book(targets={("CP1", "S2"): "", ("CP1", "S3"): ""})
    message = next(
        f["message"] for f in solved(text).record["findings"] if f["code"] == "target-height-missing"
    )
    first = next(i for i, row in enumerate(text.splitlines(), 1) if ",S2,shot" in row)
    assert f"from line {first} on" in message
    assert f"The last value, 1.8, stands in line {first - 1}." in message
    assert "None was carried over" in message


def test_the_command_takes_units_and_constants(tmp_path):
    edm = (-0.030, 12.0)
    text = HEADER + "\n" + free_set_up("1", "FS", HERE, ("CP1", "CP3", "CP4"), PILE, edm=edm)
    file = tmp_path / "book.csv"
    file.write_text(text, encoding="utf-8")
    known = [part for n, p in KNOWN.stations.items() for part in ("--station", ",".join([n, *map(str, p)]))]
    done = subprocess.run(
        [sys.executable, "manage.py", "traverse", str(file), *known, "--prism-constant=-0.030", "--ppm=12",
         "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120, encoding="utf-8",
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    for shot in json.loads(done.stdout)["shots"]:
        place = (shot["northing"], shot["easting"], shot["elevation"])
        assert place == pytest.approx(PILE[shot["point"]], abs=4e-4)
    refused = subprocess.run(
        [sys.executable, "manage.py", "traverse", str(file), "--prism-constant=-30", "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120, encoding="utf-8",
    )  # fmt: skip
    assert (refused.returncode, json.loads(refused.stdout)["error"]["code"]) == (2, "bad-option")


def test_fore_and_back_distances_agree_to_a_hundredth_of_a_foot():
    """Common practice, no source. In feet: 0.009 ft pass, 0.011 ft are told with their course."""
    header = "setup,at,to,kind,circle,horizontal_distance\n"
    loop = "1,A,C,backsight,0,100\n1,A,B,foresight,60,100\n2,B,A,backsight,0,{}\n2,B,C,foresight,60,100\n"
    rest = "3,C,B,backsight,0,100\n3,C,A,foresight,60,100\n"
    for back, told in (("100.009", False), ("100.011", True)):
        result = solved(header + loop.format(back) + rest, Control(), unit="foot")
        found = [f for f in result.record["findings"] if f["code"] == "distance-both-ways"]
        assert bool(found) is told
        assert not told or found[0]["where"] == "course A–B"


# --- presets -------------------------------------------------------------------------------------


def test_presets_are_data_and_marked_from_memory():
    told = {p.code: (p.smallest_ratio, p.angle_seconds, p.height_mm_per_root_km) for p in PRESETS}
    assert told == {
        "third-order-1": (10_000, 10, 12), "third-order-2": (5_000, 20, 12), "construction": (2_500, 60, 12),
    }  # fmt: skip
    assert all(p.source.startswith("From memory") for p in PRESETS)
    with pytest.raises(BadOption):
        preset("first")


def test_the_strictest_preset_is_what_one_law_asks_for():
    """Washington Administrative Code 332-130-090 (1), read: 1 : 10,000 with 10″ √n angles."""
    items = json.loads((ROOT / "tests" / "reference" / "traverse.json").read_text(encoding="utf-8"))["items"]
    rule = next(item for item in items if item["id"] == "T-12")
    limits = preset("third-order-1").limits()
    count = rule["inputs"]["n_angles"]
    assert rule["published"]["rule_1_10000"] == f"{limits.angle_seconds:.0f}*sqrt(n) arc-seconds"
    allowed = rule["recomputed"]["limit_1_10000_n5_arcsec"]
    assert limits.angle_seconds * math.sqrt(count) == pytest.approx(allowed, abs=0.005)
    assert limits.smallest_ratio == 10_000


def test_height_limit_grows_with_the_root_of_the_length():
    # 12 mm √km on 0.3 km: 6.6 mm; 5 mm pass, 8 mm stop.
    loop = "from,to,direction,distance,height_difference\nA,B,0,100,1\nB,C,120,100,1\nC,A,240,100,{}\n"
    limits = preset("third-order-2").limits()
    passed = solved(loop.format("-1.995"), Control(), limits=limits)
    assert passed.run.closure.height_allowed == pytest.approx(0.012 * math.sqrt(0.3))
    assert passed.stations is not None
    assert solved(loop.format("-1.992"), Control(), limits=limits).stations is None


# --- both adjustments ----------------------------------------------------------------------------


def test_both_adjustments_side_by_side():
    text = angle_rows(YARD, np.random.default_rng(5), 5.0, 0.003)
    by = {rule: solved(text, rule=rule) for rule in ("compass", "least-squares")}
    for result in by.values():
        both = both_adjustments(result)
        for row in both.rows:
            for rule, plan in (("compass", row.compass), ("least-squares", row.least_squares)):
                station = next(s for s in by[rule].record["stations"] if s["name"] == row.station)
                assert plan == pytest.approx((station["northing"], station["easting"]), abs=1e-9)
            assert row.apart == pytest.approx(math.dist(row.compass, row.least_squares))
        assert {r.station for r in both.rows if r.ellipse is None} == {"CP1"}
        assert max(row.apart for row in both.rows) > 1e-4
        assert both.degrees_of_freedom == 3
        assert both.test_passes is (both.low <= both.variance_factor <= both.high)
        shares = [r.redundancy for r in both.residuals]
        assert sum(shares) == pytest.approx(both.degrees_of_freedom)
    assert both_adjustments(solved("from,to,direction,distance\nA,B,90,10\nB,C,0,20\n", Control())) is None


def test_a_stopped_loop_still_shows_its_residuals():
    stopped = solved(angle_rows(YARD, wrong_angle=(2, 0.05)))
    assert stopped.stations is None
    both = both_adjustments(stopped)
    assert both.test_passes is False
    assert max(both.residuals, key=lambda r: abs(r.standardised)).place == "station CP3"


# --- corrections ---------------------------------------------------------------------------------


def test_a_wrong_pole_is_corrected_from_shot_to_shot():
    wrong = field_book(targets={("CP1", "S2"): "2.000", ("CP1", "S3"): "2.000"})
    before = {s.point: s.place for s in solved(wrong).shots}
    assert before["S2"][2] == pytest.approx(PILE["S2"][2] - 0.2, abs=3e-4)
    fix = SetupCorrection("1", "target_height", 1.8, "Photo of the pole at 10:42.", "S2", "S3")
    result = solved(wrong, corrections=(fix,))
    for shot in result.shots:
        assert shot.place == pytest.approx(PILE[shot.point], abs=3e-4)
    # The observations are what they were; the table tells which lines were corrected.
    assert result.file == solved(wrong).file
    assert {r.to for r in reduction_table(result) if r.corrected} == {"S2", "S3"}
    assert "setup-corrected" in codes(result)


def test_instrument_height_and_orientation_are_corrected():
    low = field_book().replace(",1.500,", ",1.300,")
    heights = solved(low, corrections=(SetupCorrection("1", "instrument_height", 1.5, "Tape read again."),))
    assert {s.point: s.place[2] for s in heights.shots} == pytest.approx(
        {n: p[2] for n, p in PILE.items()}, abs=3e-4
    )
    turned = apply_corrections(
        read_traverse(FREE.encode(), "f"), (SetupCorrection("1", "orientation", 0.25, "Back-sight misread."),)
    )
    before = read_traverse(FREE.encode(), "f")
    for a, b in zip(before.sights, turned.sights, strict=True):
        assert b.circle_deg - a.circle_deg == pytest.approx(0.0 if a.kind == "backsight" else 0.25)


def test_a_wrong_station_name_is_corrected():
    swapped = field_book().replace("3,CP3,CP2,backsight", "3,CP3,CP1,backsight")
    fix = SetupCorrection("3", "backsight", "CP2", "Sketch in the book.")
    stations = {s["name"]: s for s in solved(swapped, corrections=(fix,)).record["stations"]}
    assert stations["CP4"]["northing"] == pytest.approx(YARD["CP4"][0], abs=3e-4)


def test_a_later_correction_wins():
    fixes = tuple(SetupCorrection("1", "target_height", v, "Read aloud.") for v in (9.0, 1.8))
    for shot in solved(field_book(), corrections=fixes).shots:
        assert shot.place == pytest.approx(PILE[shot.point], abs=3e-4)


@pytest.mark.parametrize(
    "fix",
    [
        SetupCorrection("1", "target_height", 1.8, " "),
        SetupCorrection("8", "target_height", 1.8, "why"),
        SetupCorrection("1", "zenith", 1.8, "why"),
        SetupCorrection("1", "target_height", "tall", "why"),
        SetupCorrection("1", "target_height", math.nan, "why"),
        SetupCorrection("1", "station", 3.0, "why"),
        SetupCorrection("1", "station", " ", "why"),
        SetupCorrection("1", "target_height", 1.8, "why", "S9"),
        SetupCorrection("1", "target_height", 1.8, "why", "S3", "S1"),
        SetupCorrection("1", "instrument_height", 1.8, "why", "S1"),
    ],
)
def test_corrections_that_make_no_sense_are_refused(fix):
    with pytest.raises(BadOption):
        solved(field_book(), corrections=(fix,))


# --- record and digest ---------------------------------------------------------------------------


def test_the_record_names_everything_that_went_in():
    fix = SetupCorrection("1", "target_height", 1.8, "Read aloud.")
    record = book_record(solved(field_book(), corrections=(fix,)))
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert record["corrections"] == [fix.as_dict()]
    assert {tuple(s["corrections"]) for s in record["shots"]} == {(1,)}
    assert record["settings"]["refraction_k"] == 0.13
    assert len(record["inputs"][0]["sha256"]) == 64
    assert set(solved(field_book()).record) <= set(record)


def test_the_digest_knows_figures_and_not_names():
    base = request(field_book())
    digest = book_record(solve_traverse(base))["digest"]
    assert book_record(solve_traverse(replace(base, name="other.csv")))["digest"] == digest
    note = field_book().replace(",SPT,", ",SPT,windy", 1).encode()
    assert book_record(solve_traverse(replace(base, data=note)))["digest"] == digest
    changes = (
        {"rule": "least-squares"}, {"edm": Edm(0.001)}, {"refraction_k": 0.14},
        {"corrections": (SetupCorrection("1", "target_height", 1.8, "Same value, another record."),)},
        {"data": field_book(targets={("CP1", "S1"): "1.801"}).encode()},
    )  # fmt: skip
    others = {book_record(solve_traverse(replace(base, **change)))["digest"] for change in changes}
    assert len(others | {digest}) == len(changes) + 1


def test_the_digest_does_not_know_the_number_of_threads(tmp_path):
    (tmp_path / "book.csv").write_text(field_book(), encoding="utf-8")
    script = (
        "import sys; from pathlib import Path\n"
        "from compute.traverse.book_record import book_record\n"
        "from compute.traverse.solve import TraverseRequest, solve_traverse\n"
        "data = Path(sys.argv[1]).read_bytes()\n"
        "print(book_record(solve_traverse(TraverseRequest(data, 'b', rule='least-squares')))['digest'])\n"
    )
    told = set()
    for threads in ("1", "2"):
        env = os.environ | {
            "OPENBLAS_NUM_THREADS": threads,
            "OMP_NUM_THREADS": threads,
            "PYTHONPATH": str(ROOT),
        }
        done = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / "book.csv")], env=env, cwd=ROOT,
            capture_output=True, text=True, check=True, timeout=120,
        )  # fmt: skip
        told.add(done.stdout.strip())
    assert len(told) == 1
    assert len(told.pop()) == 64


# --- stored coordinates --------------------------------------------------------------------------


def with_stored(text, places):
    """The book with the instrument's own coordinates of each target."""
    rows = text.splitlines()
    cells = [",".join(f"{v:.4f}" for v in places[r.split(",")[2]]) for r in rows[1:]]
    head = rows[0] + ",northing,easting,elevation"
    return "\n".join([head, *(f"{r},{c}" for r, c in zip(rows[1:], cells, strict=True))]) + "\n"


def test_stored_points_are_compared_at_a_hundredth_of_a_foot():
    off = {**YARD, **PILE, "S2": (PILE["S2"][0] + 0.004, *PILE["S2"][1:]), "S3": (*PILE["S3"][:2], 51.102)}
    result = solved(with_stored(field_book(), off))
    stored = stored_of(result.file)
    found = compare_stored(result, stored)
    assert {d.point for d in found} == set(off)
    assert found[0].point == "S2"
    assert [d.point for d in found if d.beyond] == ["S2"]
    assert found[0].northing == pytest.approx(0.004, abs=3e-4)
    wide = compare_stored(result, stored, tolerance_m=0.001)
    assert {d.point for d in wide if d.beyond} >= {"S2", "S3"}
    with pytest.raises(BadOption):
        compare_stored(result, stored, tolerance_m=0.0)


def test_each_set_up_s_shots_move_with_its_station():
    """Stored in a frame that was shifted, turned and lifted: moved, they are where the stations say."""
    angle, shift = math.radians(0.7), (12.0, -5.0, 0.35)

    def elsewhere(place):
        north, east = place[0] - 1000.0, place[1] - 2000.0
        return (
            1000.0 + shift[0] + north * math.cos(angle) - east * math.sin(angle),
            2000.0 + shift[1] + north * math.sin(angle) + east * math.cos(angle),
            place[2] + shift[2],
        )

    places = {n: elsewhere(p) for n, p in {**YARD, **PILE}.items()}
    result = solved(with_stored(field_book(), places))
    stored = stored_of(result.file)
    moves = moves_of(result, stored)
    assert {m.setup for m in moves} == {"1", "2", "3", "4", "5"}
    assert moves[0].turn_deg == pytest.approx(-0.7, abs=1e-4)
    before = stored_shots(result, stored)
    assert math.dist(before[0].place, PILE[before[0].point]) > 5.0
    for shot in move_with_stations(before, moves):
        assert shot.place == pytest.approx(PILE[shot.point], abs=6e-4)


def test_half_a_stored_coordinate_is_refused():
    rows = field_book().splitlines()
    text = "\n".join([rows[0] + ",northing", *(r + ",5" for r in rows[1:])]) + "\n"
    with pytest.raises(BadValues):
        solved(text)


def test_points_of_other_names_are_left_out_of_the_comparison():
    assert compare_stored(solved(field_book()), (StoredPoint("X1", 0.0, 0.0),)) == ()


# --- shots for the calculator --------------------------------------------------------------------


def test_shots_in_metres_with_their_set_ups():
    foot = 0.3048
    result = solved(field_book(targets={("CP1", "S2"): ""}), unit="foot")
    made = shots_of_book(result, merge_rules(), SourceFile("book.csv", 1, "0" * 64))
    assert [made.shots.name(i) for i in range(len(made.shots))] == ["S1", "S3"]
    assert [s.point for s in made.without_height] == ["S2"]
    assert made.shots.x_m[0] == pytest.approx(PILE["S1"][1] * foot, abs=1e-3)
    assert made.shots.z_m[1] == pytest.approx(PILE["S3"][2] * foot, abs=1e-3)
    assert made.of.target_height_m == pytest.approx([1.8 * foot] * 2)
    assert made.of.setups[0].instrument_height_m == pytest.approx(1.5 * foot)
    assert [made.of.setups[i].station for i in made.of.setup] == ["CP1", "CP1"]
    stopped = solved(field_book(targets={("CP2", "CP3"): "1.900"}))
    with pytest.raises(NothingToMeasure):
        shots_of_book(stopped, merge_rules(), SourceFile("book.csv", 1, "0" * 64))
