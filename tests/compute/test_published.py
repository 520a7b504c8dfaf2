"""Worked examples of textbooks and exact definitions, as `tests/reference/published.json` cites them.

Each test names its item; the citation, and whether text and answer were read or are from memory, stand in
the item. Where no answer was published, the check is against the item's own independent computation.
"""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from compute import units
from compute.records import Edge, FloatArray, Surface
from compute.sections import average_end_area, by_sections, prismoidal
from compute.surface import make_edge
from compute.triangulate import triangulate
from compute.volume import volume_between
from tests.compute import standard_pile as pile

REFERENCE = Path(__file__).parents[1] / "reference" / "published.json"
ITEMS = {item["id"]: item for item in json.loads(REFERENCE.read_text(encoding="utf-8"))["items"]}

FT3_PER_YD3 = float(units.VOLUME_IN_M3["cubic-yard"] / units.VOLUME_IN_M3["cubic-foot"])


def both_ways(top: Surface, edge: Edge, level: float) -> float:
    """Net volume over a level by the overlay, once it agrees with the sections."""
    base = pile.level(level, 1_000.0)
    net = volume_between(top, base, edge=edge).net_m3
    assert by_sections(top, base, edge, net).net_m3 == pytest.approx(net, rel=1e-8)
    return net


def solid(points: FloatArray, outline: FloatArray, lines: list[tuple[int, int]] | None = None) -> float:
    top = triangulate(points, np.array(lines, np.int32) if lines else None)
    return both_ways(top, make_edge("drawn", outline, np.full(len(outline), -1)), 0.0)


def test_every_item_has_a_citation_and_says_whether_it_was_read():
    for item in ITEMS.values():
        assert item["source"]
        assert isinstance(item["read_in_source"], bool)
        assert isinstance(item["published_answer_read"], bool)


# --- volumes -------------------------------------------------------------------------------------


def test_v01_contour_areas_by_the_prismoidal_formula():
    # Tanzania Institute of Education, Civil Engineering Surveying, Form Four, Example 3.11, p. 74. One line
    # of the source prints 2 × 18,200 and goes on with 36,004 = 2 × 18,002: the corrected value is used.
    item = ITEMS["V-01"]
    areas = np.array(item["inputs"]["area"], dtype=float)
    assert prismoidal(areas, item["inputs"]["h"]) == pytest.approx(item["published"]["volume"], abs=0.1)
    # The trapezoidal answer was not read: own computation.
    assert average_end_area(areas, 10.0) == pytest.approx(item["recomputed"]["trapezoidal"], abs=1e-6)


def test_v03_embankment_in_sections():
    # Answers from memory, attributed to Punmia, Surveying, vol. 1. Simpson's is the larger here.
    item = ITEMS["V-03"]
    width, slope = item["inputs"]["width"], item["inputs"]["side_slope"]
    areas = np.array([(width + slope * h) * h for h in item["inputs"]["height"]])
    assert areas == pytest.approx(np.array(item["published"]["area"]), abs=6e-3)
    rounded = np.array(item["published"]["area"])
    assert average_end_area(rounded, 40.0) == pytest.approx(item["published"]["trapezoidal"], abs=0.1)
    assert prismoidal(rounded, 40.0) == pytest.approx(item["published"]["prismoidal"], abs=0.1)
    assert prismoidal(areas, 40.0) > average_end_area(areas, 40.0)


def test_v04_eleven_contours():
    # FOSSEE textbook companion 3908, Example 10_16: inputs read, answers computed independently.
    item = ITEMS["V-04"]
    areas = np.array(item["inputs"]["area"], dtype=float)
    assert average_end_area(areas, 2.0) == pytest.approx(item["recomputed"]["trapezoidal"], abs=1.0)
    assert prismoidal(areas, 2.0) == pytest.approx(item["recomputed"]["prismoidal"], abs=1.0)


def test_v07_four_truncated_prisms():
    # FOSSEE textbook companion 3908, Example 10_20: inputs read, answer = its formula evaluated. The mean of
    # four corners would give 2,700.
    item = ITEMS["V-07"]
    points = item["inputs"]["points"]
    xyz = np.array(list(points.values()), dtype=float)
    top = triangulate(xyz)
    edge = make_edge("drawn", xyz[:4, :2], np.full(4, -1))
    assert both_ways(top, edge, 0.0) == pytest.approx(item["recomputed"]["volume"], abs=1e-3)
    for name, expected in item["recomputed"]["prism"].items():
        corners = np.array([points[letter] for letter in name], dtype=float)
        assert volume_between(triangulate(corners), pile.level(0.0)).net_m3 == pytest.approx(
            expected, abs=1e-9
        )


def test_v09_borrow_for_one_cell():
    # A solved problem of the web (weak source). The mean of four corners is the mean of the two ways to draw
    # the diagonal.
    item = ITEMS["V-09"]
    corners = np.array([[0, 0], [50, 0], [50, 50], [0, 50.0]])
    ground = np.column_stack([corners, item["inputs"]["corner_elev"]])
    edge = make_edge("drawn", corners, np.full(4, -1))
    both = []
    for diagonal in ((0, 2), (1, 3)):
        top = triangulate(ground, np.array([diagonal], np.int32))
        measured = volume_between(top, pile.level(item["inputs"]["target"], 500.0), edge=edge)
        assert measured.above_m3 == 0.0
        both.append(measured.below_m3)
    yards = sum(both) / 2 / FT3_PER_YD3
    assert yards == pytest.approx(item["published"]["volume_yd3"], abs=1.0)
    assert yards == pytest.approx(item["recomputed"]["volume_yd3"], abs=1e-3)


def test_v11_triangular_spoil_bank():
    # Nunnally, Construction Methods and Management, ch. 2; from memory: B = √(4V / (L tan R)).
    item = ITEMS["V-11"]
    width, height = item["published"]["base_width"], item["published"]["height"]
    length = item["inputs"]["length"]
    foot = np.array([[0, 0], [length, 0], [length, width], [0, width]], dtype=float)
    points = np.vstack(
        [np.column_stack([foot, np.zeros(4)]), [[0, width / 2, height], [length, width / 2, height]]]
    )
    yards = solid(points, foot, [(4, 5)]) / FT3_PER_YD3
    # The printed sizes are rounded to 0.1 ft, half of which moves the volume by 0.9 yd³.
    assert yards == pytest.approx(item["published"]["loose_yd3"], abs=0.9)
    assert math.degrees(math.atan(2 * height / width)) == pytest.approx(item["inputs"]["repose_deg"], abs=0.3)


def test_v12_excavated_pond():
    # USDA-NRCS, Agriculture Handbook 590; from memory. By the formula, and as a dug surface below its rim.
    item = ITEMS["V-12"]
    given = item["inputs"]
    areas = np.array([given["A_top"], given["B_mid"], given["C_bottom"]], dtype=float)
    by_formula = prismoidal(areas, given["depth"] / 2) / FT3_PER_YD3
    assert by_formula == pytest.approx(item["published"]["volume_yd3"], abs=1.0)
    rim = np.array([[0, 0], [172, 0], [172, 88], [0, 88.0]])
    floor = np.array([[36, 24], [136, 24], [136, 64], [36, 64.0]])
    points = np.vstack(
        [np.column_stack([rim, np.zeros(4)]), np.column_stack([floor, np.full(4, -float(given["depth"]))])]
    )
    hips = [(k, k + 4) for k in range(4)] + [(4, 5), (5, 6), (6, 7), (7, 4)]
    dug = -solid(points, rim, hips) / FT3_PER_YD3
    assert dug == pytest.approx(item["recomputed"]["volume_yd3"], abs=1e-3)


def test_v13_triangular_base_method():
    # University of Melbourne, Plane Surveying notes: V = Σ (hᵢ + hⱼ + hₖ) s²/6 over half-squares.
    side, heights = 20.0, np.array([3.1, 2.4, 4.0, 2.9])
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]])
    edge = make_edge("drawn", square, np.full(4, -1))
    for diagonal, halves in (((0, 2), ((0, 1, 2), (0, 2, 3))), ((1, 3), ((0, 1, 3), (1, 2, 3)))):
        top = triangulate(np.column_stack([square, heights]), np.array([diagonal], np.int32))
        expected = sum(heights[list(half)].sum() for half in halves) * side**2 / 6
        assert both_ways(top, edge, 0.0) == pytest.approx(expected, rel=1e-12)


def test_v14_hip_roofed_pile():
    # Deakin (2005), Engineering Surveying 1, eq. 1.2: V = (w L / 6)(a + b + c). The numbers are ours.
    item = ITEMS["V-14"]
    foot = np.array([[0, 0], [20, 0], [20, 12], [0, 12.0]])
    points = np.vstack([np.column_stack([foot, np.zeros(4)]), [[6, 6, 4.0], [14, 6, 4.0]]])
    hips = [(0, 4), (3, 4), (1, 5), (2, 5), (4, 5)]
    exact = 12.0 * 4.0 / 6.0 * (20.0 + 20.0 + 8.0)
    assert exact == item["recomputed"]["hip_pile_20x12_ridge8_h4"]
    assert solid(points, foot, hips) == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize("sides", [8, 16, 64])
def test_v15_a_cone_gives_the_pyramid_of_its_toe_and_reads_low(sides):
    # Mensuration identities, not published: n r² sin(2π/n) h / 6.
    item = ITEMS["V-15"]
    given = item["inputs"]["cone"]
    top, edge = pile.cone(given["r"], given["h"], sides)
    found = both_ways(top, edge, 0.0)
    assert found == pytest.approx(item["recomputed"][f"pyramid_n{sides}"], abs=1e-6)
    assert found < item["recomputed"]["cone"]


def test_v15_frustum_and_windrow_come_near_from_below():
    # Not published: closed forms. With n points on each circle the loss is that of the polygon, 1 − sinc.
    item = ITEMS["V-15"]["recomputed"]
    n = 720
    turn = np.arange(n) * 2 * math.pi / n
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    points = np.vstack(
        [np.column_stack([circle * 10, np.zeros(n)]), np.column_stack([circle * 4, np.full(n, 6.0)])]
    )
    crest = [(n + k, n + (k + 1) % n) for k in range(n)]
    found = solid(points, circle * 10, crest)
    assert found < item["frustum"]
    assert found == pytest.approx(item["frustum"], rel=2e-5)
    ends = np.vstack([circle[circle[:, 0] > 1e-9] * 6 + [38, 0], circle[circle[:, 0] < -1e-9] * 6])
    corners = np.array([[0, -6], [38, -6], [38, 6], [0, 6.0]])
    foot = np.vstack([ends, corners])
    foot = foot[np.argsort(np.arctan2(foot[:, 1], foot[:, 0] - 19))]
    points = np.vstack([np.column_stack([foot, np.zeros(len(foot))]), [[0, 0, 4.0], [38, 0, 4.0]]])
    windrow = solid(points, foot, [(len(foot), len(foot) + 1)])
    assert windrow < item["windrow"]
    assert windrow == pytest.approx(item["windrow"], rel=5e-5)


def test_v16_end_areas_overrate_a_cone_by_half():
    # USACE EM 1110-2-1003 ch. 15 (2002): only an approximation where the area is not nearly constant.
    item = ITEMS["V-16"]
    given = item["inputs"]
    ends = np.array([given["A1"], given["A2"]])
    over = average_end_area(ends, given["h"])
    exact = prismoidal(np.array([0.0, given["A2"] / 4, given["A2"]]), given["h"] / 2)
    assert exact == pytest.approx(item["recomputed"]["true"])
    assert 100.0 * (over / exact - 1.0) == pytest.approx(item["published"]["overestimate_limit_pct"])


# --- units ---------------------------------------------------------------------------------------


def exact(identity: str) -> float:
    item = ITEMS[identity]
    published = item["published"] or {}
    return published["exact"] if isinstance(published.get("exact"), float) else item["recomputed"]


FOOT, SURVEY_FOOT, POUND = units.FOOT_M, units.US_SURVEY_FOOT_M, units.POUND_KG
YARD3, SHORT_TON = units.VOLUME_IN_M3["cubic-yard"], units.MASS_IN_T["short-ton"]


@pytest.mark.parametrize(
    ("identity", "ours"),
    [
        ("U-01", units.LENGTH_IN_M["foot"]),
        ("U-02", units.LENGTH_IN_M["us-survey-foot"]),
        ("U-07", YARD3),
        ("U-08", units.VOLUME_IN_M3["cubic-foot"]),
        ("U-09", POUND),
        ("U-10", SHORT_TON * 1000),
        ("U-11", units.MASS_IN_T["long-ton"] * 1000),
        ("U-12", POUND / FOOT**3),
        ("U-13", POUND / YARD3),
        ("U-14", SHORT_TON / YARD3),
        ("U-15", (3 * SURVEY_FOOT) ** 3),
        ("U-16", 1 / SHORT_TON),
    ],
)
def test_unit_definitions(identity, ours):
    assert float(ours) == pytest.approx(exact(identity), rel=1e-15)


def test_us_survey_foot_is_the_exact_fraction():
    assert Fraction(ITEMS["U-02"]["published"]["exact"]) == SURVEY_FOOT
    assert Fraction(500_000, 499_999) == SURVEY_FOOT / FOOT


def test_acre_and_acre_foot():
    for foot, kind in ((FOOT, "international"), (SURVEY_FOOT, "survey")):
        acre = float(43_560 * foot**2)
        assert acre == pytest.approx(ITEMS["U-04"]["published"][kind], rel=1e-12)
        assert acre * float(foot) == pytest.approx(ITEMS["U-05"]["published"][kind], rel=1e-12)


def test_a_volume_in_cubic_yards_and_short_tons_goes_there_and_back():
    assert units.from_m3(float(YARD3), "cubic-yard") == 1.0
    density_t_per_m3 = ITEMS["U-14"]["recomputed"] * 1.35
    assert units.from_t(100.0 * float(YARD3) * density_t_per_m3, "short-ton") == pytest.approx(
        135.0, rel=1e-12
    )
