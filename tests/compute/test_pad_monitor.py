"""The exposed pad against the base: what is found, what is left alone, and what the bridge comes to."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
import shapely

from compute.building import build_ground
from compute.pad_monitor import (
    GroundPoint,
    PadSeen,
    band_of,
    base_bridge,
    pad_seen,
    region_replaced,
    regions_off_base,
)
from compute.records import FindingLimits, Surface
from compute.surface import heights_at, make_edge
from compute.triangulate import triangulate
from surveys.demo.fieldfiles import pad_shots
from surveys.demo.story import outlines
from surveys.demo.yard import COAL_PAD_REGRADED_ON, PILE, pad_on
from tests.compute.shots_of import shots_of

JUNE, JULY, AUGUST = dt.date(2025, 6, 30), dt.date(2025, 7, 31), dt.date(2025, 8, 31)
BAND_M = band_of(0.02, 0.015)


def plane(x, y):
    return 100.0 + 0.01 * np.asarray(x) - 0.004 * np.asarray(y)


def grid(west, east, south, north, step=4.0) -> np.ndarray:
    x, y = np.meshgrid(np.arange(west, east + 1e-9, step), np.arange(south, north + 1e-9, step))
    return np.column_stack([x.ravel(), y.ravel()])


def ground(xy: np.ndarray, raised_m: float = 0.0) -> np.ndarray:
    return np.column_stack([xy, plane(*xy.T) + raised_m])


OLD = triangulate(ground(grid(0, 80, 0, 60)))
HEAP = np.array([[10.0, 10], [40, 10], [40, 40], [10, 40]])


def look(on: dt.date, points: np.ndarray, *covered: np.ndarray) -> PadSeen:
    seen = pad_seen(on, points, OLD, covered)
    assert seen is not None
    return seen


def as_base(rows: tuple[GroundPoint, ...]) -> Surface:
    return build_ground(shots_of([(r.x_m, r.y_m, r.z_m, r.code) for r in rows]), (), FindingLimits())


def test_a_pad_that_is_true_gives_no_region_whatever_its_noise():
    rng = np.random.default_rng(4)
    points = ground(grid(2, 78, 2, 58))
    points[:, 2] += rng.normal(0.0, 0.012, len(points))
    seen = look(JUNE, points, HEAP)
    assert regions_off_base([seen], BAND_M) == ()
    assert abs(seen.mean_m) < 0.005
    assert seen.spread_m == pytest.approx(0.012, rel=0.25)


def test_shots_on_the_pile_and_beside_its_toe_are_no_ground():
    points = np.array([[25.0, 25, 109], [40.9, 25, 101], [44.0, 25, plane(44, 25)], [200.0, 25, 99]])
    assert look(JUNE, points, HEAP).xyz_m.tolist() == [[44.0, 25.0, pytest.approx(float(plane(44, 25)))]]
    assert pad_seen(JUNE, points[:2], OLD, [HEAP]) is None


def raised_east(raised_m: float = 0.15) -> PadSeen:
    """The east of the pad, beyond x = 50, lies higher; the rest is as it was."""
    points = ground(grid(2, 78, 2, 58))
    points[points[:, 0] > 49.0, 2] += raised_m
    return look(JULY, points, HEAP)


def test_a_raised_part_is_found_and_only_that():
    (region,) = regions_off_base([look(JUNE, ground(grid(2, 78, 2, 58)), HEAP), raised_east()], BAND_M)
    assert region.polygon.bounds == pytest.approx((50, 2, 78, 58))
    assert region.mean_m == pytest.approx(0.15)
    assert region.volume_m3 == pytest.approx(0.15 * 28 * 56)
    assert (region.first_on, region.last_on) == (JULY, JULY)


def test_what_was_off_and_is_right_again_is_right():
    assert regions_off_base([raised_east(), look(AUGUST, ground(grid(2, 78, 2, 58)), HEAP)], BAND_M) == ()


def test_raised_and_lowered_ground_are_told_apart_and_neither_within_the_band_is():
    points = ground(grid(2, 78, 2, 58))
    points[points[:, 0] > 49.0, 2] += 0.12
    points[points[:, 1] > 45.0, 2] -= 0.30
    regions = regions_off_base([look(JULY, points, HEAP)], BAND_M)
    raised = [r for r in regions if r.mean_m > 0]
    lowered = [r for r in regions if r.mean_m < 0]
    assert [r.mean_m for r in raised] == [pytest.approx(0.12)]
    assert [set(np.round(r.difference_m, 2)) for r in lowered] == [{-0.30, -0.18}]
    assert regions_off_base([raised_east(BAND_M * 0.99)], BAND_M) == ()


def test_ground_under_the_pile_stays_unknown_unless_it_was_once_bare():
    everywhere = ground(grid(2, 78, 2, 58), 0.15)
    (around,) = regions_off_base([look(JULY, everywhere, HEAP)], BAND_M)
    assert not around.polygon.intersects(shapely.box(12, 12, 38, 38))
    moved = np.array([[45.0, 10], [75, 10], [75, 40], [45, 40]])
    (whole,) = regions_off_base([look(JULY, everywhere, HEAP), look(AUGUST, everywhere, moved)], BAND_M)
    assert whole.polygon.covers(shapely.box(6, 6, 74, 54))


def test_the_base_changes_in_the_region_and_nowhere_else():
    (region,) = regions_off_base([raised_east()], BAND_M)
    new = as_base(region_replaced(OLD, region))
    inside, outside = grid(52, 76, 4, 56, 1.0), grid(1, 48, 1, 59, 1.0)
    assert heights_at(new, inside) == pytest.approx(plane(*inside.T) + 0.15, abs=1e-9)
    assert heights_at(new, outside) == pytest.approx(plane(*outside.T), abs=1e-9)


@pytest.mark.parametrize("raised_m", [0.15, -0.20])
def test_the_bridge_is_the_raise_times_the_part_of_the_pile_over_the_region(raised_m):
    """Closed form: a later pile from x = 44 to 70, of which 20 m of width stand on changed ground."""
    (region,) = regions_off_base([raised_east(raised_m)], BAND_M)
    new = as_base(region_replaced(OLD, region))
    edge = make_edge("drawn", np.array([[44.0, 10], [70, 10], [70, 40], [44, 40]]), np.full(4, -1))
    bridge = base_bridge(OLD, new, edge)
    rim = 2 * 0.02 * 30 * abs(raised_m)
    assert bridge.net_m3 == pytest.approx(raised_m * 20 * 30, abs=rim)
    assert bridge.area_m2 == pytest.approx(26 * 30)
    assert min(bridge.raised_m3, bridge.lowered_m3) == pytest.approx(0.0, abs=1e-9)


def test_the_regrade_of_the_coal_pad_is_found_and_its_bridge_exact():
    """The pad of the coal, 0.15 m higher from 5 September: surveyed before and after at the same places."""
    pile = PILE["TUL-03"]
    outline = np.array(outlines()["TUL-03"])
    before = pad_on(pile, COAL_PAD_REGRADED_ON - dt.timedelta(days=1))
    after = pad_on(pile, COAL_PAD_REGRADED_ON)
    plan = np.array([(s.easting_m, s.northing_m) for s in pad_shots(pile, before, outlines()["TUL-03"])])
    middle = plan.mean(axis=0).round()
    old = triangulate(np.column_stack([plan - middle, before.height_m(*plan.T)]))
    seen = pad_seen(COAL_PAD_REGRADED_ON, np.column_stack([plan - middle, after.height_m(*plan.T)]), old)
    assert seen is not None
    assert seen.mean_m == pytest.approx(0.15, abs=1e-9)
    (region,) = regions_off_base([seen], BAND_M)
    edge = make_edge("drawn", _inset(outline - middle, 6.0), np.zeros(0))
    new = as_base(region_replaced(old, region))
    bridge = base_bridge(old, new, edge)
    held = shapely.intersection(shapely.polygons(edge.ring_m), region.polygon).area
    assert held == pytest.approx(edge.area_m2, rel=1e-9)
    assert bridge.net_m3 == pytest.approx(0.15 * edge.area_m2, rel=1e-9)


def _inset(ring: np.ndarray, by_m: float) -> np.ndarray:
    return shapely.get_coordinates(shapely.buffer(shapely.polygons(ring), -by_m).exterior)[:-1]
