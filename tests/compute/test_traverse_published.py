"""Traverses and reductions of textbooks and courses, as `tests/reference/traverse.json` cites them.

Where an item's answer was not read in the publication, the check is against the item's own computation.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares as scipy_least_squares

from compute.traverse.adjust import Precision, transit
from compute.traverse.angles import azimuth_between, half_turn, parse_direction
from compute.traverse.chain import Control
from compute.traverse.closure import Limits
from compute.traverse.least_squares import adjust_levels, residuals_as_read
from compute.traverse.reduction import curvature_and_refraction, horizontal_distance, vertical_distance
from compute.traverse.solve import TraverseRequest, solve_traverse
from compute.units import FOOT_M
from tests.compute.field_crew import YARD, angle_rows, line

REFERENCE = Path(__file__).parents[1] / "reference" / "traverse.json"
ITEMS = {item["id"]: item for item in json.loads(REFERENCE.read_text(encoding="utf-8"))["items"]}
LOOSE = Limits(smallest_ratio=100.0)


def dms(parts):
    return "-".join(str(p) for p in parts)


def courses_text(item):
    rows = [
        f"{c['frm']},{c['to']},{c.get('bearing') or dms(c['azimuth_dms'])},{c['length']}"
        for c in item["inputs"]["courses"]
    ]
    return "from,to,direction,distance\n" + "\n".join(rows) + "\n"


def solved(text, control=None, **more):
    return solve_traverse(TraverseRequest(text.encode(), "t.csv", control or Control(), **more))


def column(record, name):
    return [row[name] for row in record["courses"]]


def t07_text():
    inputs = ITEMS["T-07"]["inputs"]
    rows = [
        f"{name},{dms(angle)},{course['length']}"
        for (name, angle), course in zip(
            inputs["interior_angles_cw_dms"].items(), inputs["courses"], strict=True
        )
    ]
    return "at,angle,distance\n" + "\n".join(rows) + "\n"


T07_CONTROL = Control({"A": (5000.0, 10000.0, None)}, {("A", "B"): parse_direction("126-55-17")})


def test_t01_five_courses_by_the_compass_rule():
    # Purdue University, ASM 215 'Traverse calculations'. Two-decimal columns, nudged to close: 0.01 ft.
    item = ITEMS["T-01"]
    record = solved(
        courses_text(item), Control({"A": (10000.0, 10000.0, None)}), limits=LOOSE, unit="foot"
    ).record
    told = item["published"]
    assert column(record, "latitude") == pytest.approx(told["lat"], abs=0.01)
    assert column(record, "departure") == pytest.approx(told["dep"], abs=0.01)
    assert column(record, "adjusted_latitude") == pytest.approx(told["adj_lat"], abs=0.01)
    assert column(record, "adjusted_departure") == pytest.approx(told["adj_dep"], abs=0.01)
    assert [s["northing"] for s in record["stations"]] == pytest.approx(told["N"], abs=0.011)
    assert [s["easting"] for s in record["stations"]] == pytest.approx(told["E"], abs=0.011)
    # 1 : 2,771 comes of the rounded 0.89; unrounded it is 1 : 2,792 (own computation).
    assert record["closure"]["ratio"] == pytest.approx(
        item["recomputed"]["relative_precision_denominator"], abs=1
    )


def test_t03_quadrant_bearings():
    # J. Mahun, Open Access Library, Topic VIII, solution of problem 1. Source sums rounded columns.
    item = ITEMS["T-03"]
    record = solved(courses_text(item), unit="foot").record
    told = item["published"]
    assert column(record, "latitude") == pytest.approx(told["lat"], abs=0.001)
    assert column(record, "departure") == pytest.approx(told["dep"], abs=0.001)
    assert column(record, "adjusted_latitude") == pytest.approx(told["adj_lat"], abs=0.001)
    assert column(record, "adjusted_departure") == pytest.approx(told["adj_dep"], abs=0.001)
    assert record["closure"]["latitude"] == pytest.approx(told["misclosure_lat"], abs=0.001)
    assert record["closure"]["departure"] == pytest.approx(told["misclosure_dep"], abs=0.0015)
    assert record["closure"]["perimeter"] == pytest.approx(told["perimeter"])


def test_t05_link_between_two_known_stations():
    # J. Mahun, Topic VIII, ch. I sect. C. The source's 'Lat err = +0.555' is a misprint of +0.055.
    item = ITEMS["T-05"]
    start, end = item["inputs"]["start"], item["inputs"]["end"]
    control = Control({p["point"]: (p["N"], p["E"], None) for p in (start, end)})
    result = solved(courses_text(item), control, unit="foot")
    assert result.run.closure.kind == "link"
    assert result.record["closure"]["latitude"] == pytest.approx(0.055, abs=0.001)
    assert result.record["closure"]["departure"] == pytest.approx(-0.07, abs=0.001)
    # Adjusted coordinates are the item's own computation.
    for axis, key in (("northing", "adj_N"), ("easting", "adj_E")):
        got = [s[axis] for s in result.record["stations"]]
        assert got == pytest.approx(item["recomputed"][key], abs=0.001)


def test_t07_interior_angles():
    # Ghilani & Wolf, Elementary Surveying, 13th ed., ch. 10: answers from memory. Azimuths there to 1″.
    told = ITEMS["T-07"]["published"]
    result = solved(t07_text(), T07_CONTROL, unit="foot")
    closure = result.record["closure"]
    assert closure["angular_seconds"] == pytest.approx(told["angle_misclosure_arcsec"], abs=1e-6)
    assert closure["angular_allowed_seconds"] == pytest.approx(20 * math.sqrt(5))
    assert result.run.closure.sum_kind == "interior"
    azimuths = [parse_direction(dms(c["azimuth_dms"])) for c in ITEMS["T-07"]["inputs"]["courses"]]
    assert column(result.record, "azimuth_deg") == pytest.approx(azimuths, abs=0.6 / 3600)
    assert column(result.record, "adjusted_latitude") == pytest.approx(told["adj_lat"], abs=0.002)
    assert column(result.record, "adjusted_departure") == pytest.approx(told["adj_dep"], abs=0.002)
    assert [s["easting"] for s in result.record["stations"]] == pytest.approx(told["X"], abs=0.01)
    assert [s["northing"] for s in result.record["stations"]] == pytest.approx(told["Y"], abs=0.01)
    assert closure["linear"] == pytest.approx(told["linear_misclosure"], abs=0.005)


def test_t08_transit_rule_with_a_departure_of_nought():
    # University of Mumbai examination, ques10.com. Printed figures are cut, not rounded, at the 4th decimal.
    item = ITEMS["T-08"]
    latitude, departure = (np.array(item["inputs"][k]) for k in ("lat", "dep"))
    north, east = transit(latitude, departure, (latitude.sum(), departure.sum()))
    assert north == pytest.approx(item["published"]["adj_lat"], abs=0.003)
    assert north == pytest.approx(item["recomputed"]["adj_lat"], abs=0.0002)
    assert east == pytest.approx(item["published"]["adj_dep"], abs=0.0002)


def test_t09_bearings_west_of_north():
    # justaaa.com/civil-engineering/19749: weak source; only latitudes, departures, misclosure are usable.
    item = ITEMS["T-09"]
    record = solved(courses_text(item), unit="foot").record
    assert column(record, "latitude") == pytest.approx(item["published"]["lat"], abs=0.001)
    assert column(record, "departure") == pytest.approx(item["published"]["dep"], abs=0.001)
    assert record["closure"]["linear"] == pytest.approx(item["published"]["linear_misclosure"], abs=0.001)


def test_t12_angular_limits_of_a_law():
    # Washington Administrative Code 332-130-090: 10″√n and 30″√n.
    for key, seconds in (("limit_1_10000_n5_arcsec", 10.0), ("limit_1_5000_n5_arcsec", 30.0)):
        record = solved(t07_text(), T07_CONTROL, limits=Limits(angle_seconds=seconds)).record
        told = ITEMS["T-12"]["recomputed"][key]
        assert record["closure"]["angular_allowed_seconds"] == pytest.approx(told, abs=0.005)


def test_t17_level_net():
    # Mikhail & Ackermann (1976), table 7-1: data read; the answer is the item's own computation.
    item = ITEMS["T-17"]
    seen = item["inputs"]["obs"]
    sigma = np.sqrt(0.1 * np.array([o["km"] for o in seen]))
    heights, linear = adjust_levels(
        [(o["frm"], o["to"], o["dh"]) for o in seen], sigma, item["inputs"]["fixed"]
    )
    told = item["recomputed"]
    assert {n: heights[n] for n in told["H"]} == pytest.approx(told["H"], abs=0.0001)
    assert linear.variance_factor == pytest.approx(told["reference_variance"], abs=1e-5)
    spread = np.sqrt(linear.variance_factor * np.diag(linear.cofactor))
    assert spread == pytest.approx(list(told["sd"].values()), abs=0.0001)


def test_t18_loop_by_least_squares():
    # Not published: an independent solution made for the item.
    told = ITEMS["T-18"]["recomputed"]
    foot_m = float(FOOT_M)
    result = solved(
        t07_text(), T07_CONTROL, unit="foot", rule="least-squares",
        precision=Precision(5.0, 0.02 * foot_m, 0.0),
    )  # fmt: skip
    for name, place in result.adjusted.coordinates.items():
        if name != "A":
            assert place == pytest.approx((told["Y"][name], told["X"][name]), abs=0.0005)
    assert result.adjusted.linear.variance_factor == pytest.approx(told["reference_variance"], abs=1e-4)
    assert result.adjusted.linear.degrees_of_freedom == told["dof"]
    residuals = residuals_as_read(result.adjusted)
    assert residuals[:5] == pytest.approx(told["residual_angles_arcsec"], abs=0.01)
    assert residuals[5:] == pytest.approx(told["residual_distances_ft"], abs=0.0005)


def test_least_squares_against_scipy_element_by_element():
    text = angle_rows(YARD, np.random.default_rng(5), 5.0, 0.003)
    names = list(YARD)
    azimuth, _ = line(YARD["CP1"], YARD["CP2"])
    control = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): azimuth})
    result = solved(text, control, rule="least-squares", precision=Precision(5.0, 0.003, 0.0))
    seen = list(result.adjusted.observations)

    def misfit(free):
        at = {"CP1": YARD["CP1"][:2]} | {n: tuple(free[2 * i : 2 * i + 2]) for i, n in enumerate(names[1:])}
        out = []
        for o in seen:
            az, distance = line(at[o.at], at[o.to])
            computed = distance if o.kind == "distance" else az - line(at[o.at], at[o.back])[0]
            off = computed - o.value
            out.append((half_turn(off) if o.kind == "angle" else off) / o.sigma)
        held = azimuth_between(at["CP2"][0] - at["CP1"][0], at["CP2"][1] - at["CP1"][1]) - azimuth
        return [*out, held * 1e7]

    start = np.array([YARD[n][:2] for n in names[1:]]).ravel()
    other = scipy_least_squares(misfit, start, x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    mine = np.array([result.adjusted.coordinates[n] for n in names[1:]]).ravel()
    assert mine == pytest.approx(other.x, abs=1e-5)


def test_l_items_of_reduction():
    # L-03: homeworksource.com/p/1019716, weak source; zenith beyond 90° is downhill.
    item = ITEMS["L-03"]
    zenith = parse_direction(dms(item["inputs"]["zenith_dms"]))
    slope = item["inputs"]["slope"]
    assert horizontal_distance(slope, zenith) == pytest.approx(item["published"]["horizontal"], abs=0.0001)
    assert vertical_distance(slope, zenith) == pytest.approx(-item["published"]["vertical_abs"], abs=0.0002)
    # L-02: 3/7 d²/R with R = 6,370 km is k = 1/7 (textbook chapter 'Levelling', eqs. 3.1–3.2).
    for km, told in zip(
        ITEMS["L-02"]["inputs"]["K_km"], ITEMS["L-02"]["recomputed"]["three_sevenths"], strict=True
    ):
        got = curvature_and_refraction(km * 1000.0, 1.0, k=1 / 7)
        assert got == pytest.approx(told, rel=3e-4)
    # L-01: lecture notes after Wolf & Ghilani, 11th ed., ch. 4, r = 0.14 c on a sphere of 20,906,000 ft.
    item, foot_m = ITEMS["L-01"], float(FOOT_M)
    sphere = 6_371_000.0 / foot_m / item["inputs"]["earth_radius_ft"]
    for k, key in ((0.0, "c"), (0.14, "c_minus_r")):
        got = [sphere * curvature_and_refraction(d, foot_m, k=k) for d in item["inputs"]["distance"]]
        assert got == pytest.approx(item["published"][key], abs=1.5e-6)
    # Feet and metres give the same height.
    assert curvature_and_refraction(1000.0, 0.3048) * 0.3048 == pytest.approx(
        curvature_and_refraction(304.8, 1.0)
    )
