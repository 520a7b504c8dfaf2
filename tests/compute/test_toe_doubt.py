"""Shots that fit several rings are refused in words, or joined by their numbers."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from compute.errors import ToeRingAmbiguous, ToeRingCrossesItself
from compute.kernels import rivals
from compute.kernels.tour import signed_area, tour_length
from compute.toe import toe_ring
from tests.compute.toe_zoo import circle, ridge, shoot

L_CORNERS = np.array([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)], dtype=float)


def place(index: int) -> str:
    return f"shot T{index + 1}, yard.csv line {index + 2}"


def refused(points: np.ndarray, order: np.ndarray | None = None, kind: type = ToeRingAmbiguous):
    with pytest.raises(kind) as caught:
        toe_ring(points[:, 0], points[:, 1], order, place)
    assert caught.value.remedy
    return caught.value


def test_corners_alone_of_an_l_shape_fit_two_rings_and_are_refused_with_the_figures():
    error = refused(L_CORNERS)
    # By hand: the L measures 300 m² and 80 m; going 1-4 instead of 3-4 measures 250 m² and is 2.4 m longer.
    assert "80.0 m around 300.0 m²" in error.message
    assert "2.4 m longer and encloses 250.0 m² (-17 %)" in error.message
    assert "shot T4, yard.csv line 5" in error.message


def test_numbers_in_walking_order_settle_the_corners():
    ring = toe_ring(L_CORNERS[:, 0], L_CORNERS[:, 1], np.arange(6), place)
    assert shapely.Polygon(L_CORNERS[ring]).area == 300.0
    other = np.empty(6, dtype=int)
    other[[0, 3, 1, 2, 4, 5]] = np.arange(6)
    ring = toe_ring(L_CORNERS[:, 0], L_CORNERS[:, 1], other, place)
    assert shapely.Polygon(L_CORNERS[ring]).area == 250.0


def test_numbers_that_cross_are_named():
    order = np.array([0, 3, 1, 4, 2, 5])
    error = refused(L_CORNERS, order, ToeRingCrossesItself)
    assert "the line from shot T1, yard.csv line 2 to shot T3, yard.csv line 4 crosses" in error.message
    assert "Nothing was measured" in error.message


def test_numbers_overrule_a_shortest_ring_far_from_the_walk():
    comb = []
    for tooth in range(4):
        comb += [(tooth * 4, 0), (tooth * 4, 10), (tooth * 4 + 2, 10), (tooth * 4 + 2, 0)]
    comb = np.array([*comb, (14, -3), (0, -3)], dtype=float)
    refused(comb)
    ring = toe_ring(comb[:, 0], comb[:, 1], np.arange(len(comb)))
    assert shapely.Polygon(comb[ring]).area == shapely.Polygon(comb).area


@pytest.mark.parametrize(("n", "lane_m"), [(12, 9.0), (24, 4.7), (60, 2.0), (150, 20.0)])
def test_two_heaps_are_not_one(n, lane_m):
    rng = np.random.default_rng(n)
    for _ in range(10):
        both = np.vstack(
            [shoot(circle()[0], n, rng), shoot(circle()[0], n, rng) + np.array([30 + lane_m, 3])]
        )
        both = both[rng.permutation(len(both))]
        error = refused(both)
        assert "two separate heaps" in error.message
        numbered = refused(both, np.argsort(np.argsort(both[:, 0] > 15 + lane_m / 2, kind="stable")))
        assert "two separate heaps" in numbered.message


def test_the_lane_between_two_heaps_is_named():
    rng = np.random.default_rng(4)
    both = np.vstack([shoot(circle()[0], 24, rng), shoot(circle()[0], 24, rng) + np.array([50, 0])])
    error = refused(both)
    named = [int(part.split(",")[0].split("T")[1]) - 1 for part in error.where.split("; ")]
    assert len(named) == 4
    assert {bool(both[i, 0] < 25) for i in named} == {True, False}
    assert all(14 - 8 < both[i, 0] < 36 + 8 for i in named)


def test_a_ring_inside_a_ring_is_a_hole():
    rng = np.random.default_rng(4)
    both = np.vstack([shoot(circle()[0], 24, rng), shoot(circle()[0] * 0.4, 10, rng)])
    assert "a hole inside" in refused(both).message


@pytest.mark.parametrize("n", [20, 80, 400])
def test_shots_all_over_the_pile_are_no_ring(n):
    error = refused(np.random.default_rng(n).uniform(0, 50, (n, 2)))
    assert "correct their code" in error.remedy


def test_an_unseen_side_wider_than_the_pile_is_refused_and_a_smaller_gap_is_not():
    points = shoot(ridge()[0], 60, np.random.default_rng(3))
    unseen = (points[:, 1] < -14) & (np.abs(points[:, 0]) < 36)
    error = refused(points[~unseen])
    assert "much wider than the pile is across" in error.message
    assert "gap of 5" in error.message
    small = (points[:, 1] < -14) & (np.abs(points[:, 0]) < 7)
    ring = toe_ring(*points[~small].T)
    assert len(ring) == (~small).sum()


def test_few_shots_round_a_convex_pile_leave_no_choice():
    corners = np.array([(0, 0), (72, 0), (72, 32), (0, 32)], dtype=float)
    for points in (corners[:3], corners, np.vstack([corners, (36, 33)])):
        ring = toe_ring(*points.T)
        assert shapely.Polygon(points[ring]).area == pytest.approx(
            shapely.MultiPoint(points).convex_hull.area
        )


def test_each_change_has_the_length_and_the_area_it_was_kept_for():
    """The running sums in the search against the changed rings measured afresh."""
    points = np.random.default_rng(8).uniform(0, 30, (30, 2))
    x, y = points.T.copy()
    tour = np.argsort(np.arctan2(y - 15, x - 15)).astype(np.int32)
    near = np.argsort(np.hypot(x[:, None] - x, y[:, None] - y), axis=1)[:, 1:13].astype(np.int32)
    near = np.ascontiguousarray(near)
    seen = set()
    for search in (rivals.single_ring_changes, rivals.two_neck_changes):
        changes, ranks = search(x, y, tour, near, 0.4, 0.03)
        for change, rank in zip(changes, ranks, strict=True):
            (other,) = rivals.changed_tour(tour, change)
            assert sorted(other) == list(range(30))
            seen.add(int(change[0]))
            taken, excess = _taken_and_excess(x, y, tour, other, change)
            assert rank == pytest.approx(1 + excess / taken, rel=1e-9)
            assert excess <= 0.4 * taken
            area = abs(signed_area(x, y, tour))
            assert abs(abs(signed_area(x, y, other)) - area) > 0.03 * area
    assert seen >= {rivals.EXCHANGE, rivals.TURN_BOTH, rivals.SWAP_TURN_FIRST, rivals.SWAP_TURN_SECOND}
    changes, ranks = rivals.split_changes(x, y, tour, near, 0.15, 0.03)
    for change, rank in zip(changes, ranks, strict=True):
        parts = rivals.changed_tour(tour, change)
        assert sorted(np.concatenate(parts)) == list(range(30))
        assert rank < 1.15 + 1e-9
        together = sum(tour_length(x, y, part) for part in parts)
        assert together <= tour_length(x, y, tour) * 1.15


def _taken_and_excess(x, y, old, new, change):
    """Edges behind the places of a change, and how much longer the new tour is."""
    places = [int(place) for place in change[1:] if place >= 0]
    ends = [(old[place], old[(place + 1) % len(old)]) for place in places]
    taken = sum(float(np.hypot(x[a] - x[b], y[a] - y[b])) for a, b in ends)
    return taken, tour_length(x, y, new) - tour_length(x, y, old)
