"""Change between two surveys against closed forms, sums over chains, and measured river beds."""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pyarrow.csv
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.change import Dated, change_between, dated_from, no_change_band_m
from compute.errors import NothingToMeasure
from compute.records import Origin, UncertaintyModel
from compute.surface import make_edge
from compute.triangulate import triangulate
from compute.uncertainty import TERMS, model_for
from compute.volume import volume_between
from tests.compute import standard_pile as pile
from tests.compute import zoo
from tests.terrain import path_of

EXACT = UncertaintyModel(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
SQUARE = np.array([[0, 0], [100, 0], [100, 100], [0, 100.0]])


def survey_of(surface, ring, base_m: float = 0.0, model=EXACT, origin=(0, 0)) -> Dated:
    edge = make_edge("drawn", np.asarray(ring, dtype=float), np.full(len(ring), -1))
    return Dated(surface, pile.level(base_m, 400.0), edge, Origin(*map(Decimal, origin)), model)


def box(west: float, east: float, height: float, **more) -> Dated:
    """A level top 10 m wide over the base at zero."""
    ring = np.array([[west, 0], [east, 0], [east, 10], [west, 10.0]])
    return survey_of(triangulate(np.column_stack([ring, np.full(4, height)])), ring, **more)


def stock_m3(side: Dated) -> float:
    return volume_between(side.top, side.base, edge=side.edge).net_m3


def test_three_parts_of_a_moved_box():
    # 0–20 m at 3 m, then 10–40 m at 5 m. Common 10 m: +2 · 100; gained 20 m: +5 · 200; lost 10 m: −3 · 100.
    found = change_between(box(0, 20, 3.0), box(10, 40, 5.0))
    assert found.added_m3 == pytest.approx(200.0 + 1000.0, rel=1e-12)
    assert found.removed_m3 == pytest.approx(300.0, rel=1e-12)
    assert found.net_m3 == found.added_m3 - found.removed_m3
    assert (found.common_area_m2, found.gained_area_m2, found.lost_area_m2) == pytest.approx((100, 200, 100))
    assert (found.added_area_m2, found.removed_area_m2) == pytest.approx((300.0, 100.0))
    assert found.base_difference_m3 == pytest.approx(0.0, abs=1e-9)


def test_base_difference_stands_apart_and_closes_the_stock():
    one, two = box(0, 20, 3.0, base_m=0.0), box(10, 40, 5.0, base_m=0.5)
    found = change_between(one, two)
    assert found.base_difference_m3 == pytest.approx(0.5 * 100.0, rel=1e-12)
    assert found.net_m3 - found.base_difference_m3 == pytest.approx(stock_m3(two) - stock_m3(one), rel=1e-12)


def test_nothing_changed_is_nothing_and_all_of_it_inside_the_band():
    top, edge = pile.surveyed(4.0)
    side = Dated(top, pile.level(0.0), edge, Origin(Decimal(0), Decimal(0)), model_for("total-station"))
    found = change_between(side, side)
    assert found.added_m3 == pytest.approx(0.0, abs=1e-9)
    assert found.removed_m3 == pytest.approx(0.0, abs=1e-9)
    assert (found.gained_area_m2, found.lost_area_m2) == (0.0, 0.0)
    assert found.band_area_m2 == pytest.approx(edge.area_m2, rel=1e-9)


def test_the_part_inside_the_band_is_shown():
    # Change grows from 0 to 2 m over 20 m; inside a band of b it holds ½ b² · 10 · 10 m³. Closed form.
    ring = np.array([[0, 0], [20, 0], [20, 10], [0, 10.0]])
    model = dataclasses.replace(EXACT, shot_noise_m=0.1)
    flat = survey_of(triangulate(np.column_stack([ring, np.full(4, 1.0)])), ring, model=model)
    tilted = survey_of(triangulate(np.column_stack([ring, [1.0, 3.0, 3.0, 1.0]])), ring, model=model)
    found = change_between(flat, tilted)
    band = 2.0 * math.sqrt(2.0) * 0.1
    assert found.band_m == pytest.approx(band, rel=1e-15)
    assert found.band_added_m3 == pytest.approx(0.5 * band**2 * 100.0, rel=1e-12)
    assert found.band_area_m2 == pytest.approx(band * 100.0, rel=1e-12)
    assert found.added_m3 == pytest.approx(200.0, rel=1e-12)


def test_a_hole_in_the_common_plan():
    # The later survey rings the earlier one: what was gained is a frame with a hole.
    inner = survey_of(triangulate(np.column_stack([SQUARE * 0.2 + 40, np.full(4, 1.0)])), SQUARE * 0.2 + 40)
    outer = survey_of(triangulate(np.column_stack([SQUARE, np.full(4, 2.0)])), SQUARE)
    found = change_between(inner, outer)
    assert found.gained_area_m2 == pytest.approx(10_000 - 400, rel=1e-12)
    assert found.added_m3 == pytest.approx(400 * 1.0 + 9_600 * 2.0, rel=1e-12)
    assert change_between(outer, inner).removed_m3 == pytest.approx(found.added_m3, rel=1e-12)


def test_frames_of_different_origin_are_brought_together():
    one = box(0, 20, 3.0, origin=(500_000, 4_500_000))
    two = box(10 - 7, 40 - 7, 5.0, origin=(500_007, 4_500_000))
    assert change_between(one, two) == change_between(box(0, 20, 3.0), box(10, 40, 5.0))


@given(seed=st.integers(0, 10_000))
@settings(max_examples=10, deadline=None)
def test_nets_close_in_a_chain_on_one_footprint(seed):
    """V(1→2) + V(2→3) + V(3→4) = V(1→4), and backward is the negative."""
    sides = [survey_of(zoo.rough_surface(60, seed + k, lift=3.0), SQUARE) for k in range(4)]
    steps = [change_between(a, b) for a, b in pairwise(sides)]
    whole = change_between(sides[0], sides[-1])
    assert sum(step.net_m3 for step in steps) == pytest.approx(whole.net_m3, abs=1e-7)
    back = change_between(sides[-1], sides[0])
    assert (back.added_m3, back.removed_m3) == pytest.approx((whole.removed_m3, whole.added_m3), rel=1e-10)
    assert sum(step.added_m3 for step in steps) >= whole.added_m3 - 1e-7


@given(seed=st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_change_is_the_difference_of_the_stocks_on_one_base(seed):
    rng = np.random.default_rng(seed)
    sides = []
    for k in range(2):
        corner = rng.uniform(5, 30, 2)
        ring = np.vstack(
            [corner, [rng.uniform(60, 95), corner[1] + 3], rng.uniform(60, 95, 2), [corner[0] + 2, 80]]
        )
        sides.append(survey_of(zoo.rough_surface(50, seed + k, lift=4.0), ring))
    found = change_between(*sides)
    assert found.net_m3 == pytest.approx(stock_m3(sides[1]) - stock_m3(sides[0]), abs=1e-6)
    assert found.net_m3 == found.added_m3 - found.removed_m3


def test_surveys_that_lie_apart_are_refused():
    with pytest.raises(NothingToMeasure, match="lie apart"):
        change_between(box(0, 20, 3.0), box(100, 120, 3.0))


def test_band_grows_without_common_control():
    model = model_for("total-station")
    assert no_change_band_m(model, model) == pytest.approx(2 * math.sqrt(4 * 0.03**2))
    assert no_change_band_m(model, model, same_control=False) == pytest.approx(2 * math.sqrt(6 * 0.03**2))


def test_errors_common_to_both_cancel_in_the_change():
    terms = dict.fromkeys(TERMS, 0.0) | {"height_bias_top": 30.0, "shot_noise": 3.0, "toe_position": 40.0}
    one, two = (
        dataclasses.replace(box(0, 20, h, model=model_for("total-station")), terms=terms) for h in (3.0, 5.0)
    )
    with_same = change_between(one, two).uncertainty
    assert with_same.terms["height_bias_top"] == 0.0
    assert with_same.terms["toe_position"] == 0.0
    assert with_same.u_net_m3 == pytest.approx(3.0 * math.sqrt(2.0))
    other = change_between(one, two, same_control=False).uncertainty
    assert other.terms["height_bias_top"] == pytest.approx(math.sqrt(2.0) * 0.03 * 200.0)
    assert change_between(box(0, 20, 3.0), box(0, 20, 4.0)).uncertainty is None


def test_stored_geometry_gives_the_same_change():
    one, two = box(0, 20, 3.0), box(10, 40, 5.0)

    def stored(side):
        return {
            "origin": np.array([float(side.origin.easting_m), float(side.origin.northing_m)]),
            "top_vertices": side.top.vertices_m,
            "top_triangles": side.top.triangles,
            "base_vertices": side.base.vertices_m,
            "base_triangles": side.base.triangles,
            "edge": side.edge.ring_m,
        }

    again = change_between(dated_from(stored(one), EXACT), dated_from(stored(two), EXACT))
    assert again == change_between(one, two)
    assert again.as_dict()["net_m3"] == again.net_m3


# --- measured ground -----------------------------------------------------------------------------


@pytest.mark.terrain
@pytest.mark.parametrize(
    ("name", "published_cm3", "triangulated_cm3"),
    [("kinect_P1_bed.csv", 190, 169.0), ("kinect_P2_bed.csv", 143, 125.0)],
)
def test_sand_eroded_by_a_flood(name, published_cm3, triangulated_cm3):
    """Bed change of a flume after its first flood, 5 mm cells, of the package anuga 4.1.0.

    Published: 190 and 143 cm³ eroded, by adding up cells. A triangulation stops at the middles of the outer
    cells and so holds less: 169.0 and 125.0 cm³ by another triangulator (own recomputation, not published).
    """
    rows = np.loadtxt(path_of(name), delimiter=",", comments="#")
    change = rows[:, 2] * 1e-3
    assert round(-np.minimum(change, 0.0).sum() * 25e-6 * 1e6) == published_cm3
    xy = rows[:, :2] - rows[:, :2].min(axis=0)
    flat, bed = (triangulate(np.column_stack([xy, z])) for z in (np.zeros(len(xy)), change))
    side = np.diff(bed.corners_m[:, [0, 1, 2, 0], :2], axis=1)
    # Longer sides than two cells span ground that the camera did not see.
    seen = np.hypot(side[..., 0], side[..., 1]).max(axis=1) < 0.012
    bed = dataclasses.replace(bed, triangles=bed.triangles[seen])
    ring = np.array([xy.min(axis=0), [xy[:, 0].max(), 0], xy.max(axis=0), [0, xy[:, 1].max()]])
    found = change_between(survey_of(flat, ring), survey_of(bed, ring))
    assert found.removed_m3 * 1e6 == pytest.approx(triangulated_cm3, abs=0.4)
    assert found.removed_m3 * 1e6 < published_cm3


@pytest.mark.terrain
@pytest.mark.slow
def test_four_surveys_of_one_river_bed_close():
    """A 12 m square of four soundings minutes apart, of the package qdune 0.1.6: V(5→8) is the sum of the
    steps, and at six minutes nearly all that seems to move is noise."""
    low = np.array([82_303.0, 530_243.0])
    sides = []
    for number in (5, 6, 7, 8):
        points = soundings(path_of(f"survey{number}.txt"), low, 14.0)
        assert len(points) > 1_000
        ring = np.array([[1, 1], [13, 1], [13, 13], [1, 13.0]])
        model = dataclasses.replace(EXACT, shot_noise_m=0.03)
        sides.append(survey_of(triangulate(points), ring, base_m=360.0, model=model))
    steps = [change_between(a, b) for a, b in pairwise(sides)]
    whole = change_between(sides[0], sides[-1])
    assert math.fsum(step.net_m3 for step in steps) == pytest.approx(whole.net_m3, abs=1e-9)
    for step in steps:
        gross = step.added_m3 + step.removed_m3
        assert abs(step.net_m3) < 0.02 * 144.0
        assert step.band_added_m3 + step.band_removed_m3 > 0.5 * gross
    assert whole.common_area_m2 == pytest.approx(144.0, rel=1e-9)


def soundings(path, low, size_m: float) -> np.ndarray:
    """Soundings of a square, its corner at zero; the mean height where a position comes more than once."""
    table = pyarrow.csv.read_csv(
        path,
        read_options=pyarrow.csv.ReadOptions(column_names=["x", "y", "z"]),
        parse_options=pyarrow.csv.ParseOptions(delimiter=" "),
    )
    points = np.column_stack([table[name].to_numpy() for name in "xyz"])
    points[:, :2] -= low
    points = points[np.all((points[:, :2] > 0) & (points[:, :2] < size_m), axis=1)]
    xy, place, count = np.unique(points[:, :2].round(3), axis=0, return_inverse=True, return_counts=True)
    return np.column_stack([xy, np.bincount(place.ravel(), points[:, 2]) / count])
