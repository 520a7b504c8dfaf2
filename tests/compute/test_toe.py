"""The toe ring is the true one for well-shot piles, whatever the order of the rows."""

from __future__ import annotations

import contextlib
import itertools
import time

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.errors import Refused, ToeRingAmbiguous, TooFewToeShots
from compute.kernels.tour import shorten, signed_area, tour_length
from compute.toe import toe_ring
from tests.compute.toe_zoo import OUTLINES, circle, horseshoe, ridge, shoot


def ring_of(points: np.ndarray, **options) -> shapely.Polygon:
    ring = toe_ring(points[:, 0], points[:, 1], **options)
    return shapely.Polygon(points[ring])


def walked(points: np.ndarray) -> shapely.Polygon:
    """The polygon in the order of the walk; noise may make two neighbours of an overlap swap."""
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        polygon = max(shapely.get_parts(polygon.buffer(0)), key=lambda part: part.area)
    return polygon


def fewest(outline: np.ndarray, width: float) -> int:
    """Shots whose even spacing is half the narrowest width, and never fewer than eight."""
    return max(8, int(np.ceil(2 * shapely.LinearRing(outline).length / width)))


@pytest.mark.parametrize("name", sorted(OUTLINES))
def test_well_shot_piles_are_joined_rightly_and_never_refused(name):
    outline, width = OUTLINES[name]()
    rng = np.random.default_rng(sum(map(ord, name)))
    least = fewest(outline, width)
    wrong = []
    for trial in range(60):
        n = least + trial % 4 if trial < 25 else int(rng.integers(least, 300))
        set_ups, jitter = int(rng.integers(1, 5)), float(rng.choice([0.0, 0.1, 0.2, 0.3]))
        points = shoot(outline, n, rng, jitter=jitter, set_ups=set_ups)
        true = walked(points)
        shuffled = points[rng.permutation(len(points))]
        try:
            found = ring_of(shuffled)
        except Refused as refused:
            wrong.append((trial, n, refused.message))
            continue
        assert found.is_valid
        assert len(found.exterior.coords) == len(points) + 1
        off = found.symmetric_difference(true).area / true.area
        if off > 0.02:
            wrong.append((trial, n, off))
    assert wrong == []


def test_neither_order_of_rows_nor_place_nor_turn_changes_the_ring():
    rng = np.random.default_rng(5)
    points = shoot(horseshoe()[0], 60, rng, set_ups=3)
    first = points[toe_ring(points[:, 0], points[:, 1])]
    for _ in range(10):
        shuffled = points[rng.permutation(len(points))]
        assert np.array_equal(shuffled[toe_ring(shuffled[:, 0], shuffled[:, 1])], first)
    far = points + np.array([500_000.0, 4_500_000.0])
    assert np.allclose(far[toe_ring(far[:, 0], far[:, 1])] - [500_000.0, 4_500_000.0], first, atol=1e-8)
    turned = points @ np.array([[np.cos(0.7), np.sin(0.7)], [-np.sin(0.7), np.cos(0.7)]])
    again = set(map(frozenset, _edges(toe_ring(turned[:, 0], turned[:, 1]))))
    assert again == set(map(frozenset, _edges(toe_ring(points[:, 0], points[:, 1]))))


def _edges(ring: np.ndarray) -> list[tuple[int, int]]:
    return list(zip(ring.tolist(), np.roll(ring, -1).tolist(), strict=True))


def test_ring_is_counter_clockwise_from_its_westernmost_shot():
    points = shoot(ridge()[0], 40, np.random.default_rng(1))[::-1]
    ring = toe_ring(points[:, 0], points[:, 1])
    assert ring.dtype == np.int32
    assert shapely.LinearRing(points[ring]).is_ccw
    assert ring[0] == np.argmin(points[:, 0])


def test_a_shot_taken_twice_at_exactly_one_place_is_one_corner():
    square = np.array([(0, 0), (40, 0), (40, 0), (40, 30), (0, 30), (0, 0)], dtype=float)
    ring = toe_ring(square[:, 0], square[:, 1])
    assert len(ring) == 4
    assert shapely.Polygon(square[ring]).area == 1200.0


def test_shots_exactly_on_straight_sides_stay_in_the_ring():
    cells = np.array([(i, j) for i in range(11) for j in range(11)], dtype=float)
    square = cells[(cells.min(axis=1) == 0) | (cells.max(axis=1) == 10)]
    for scale in (1.0, 1e-3, 1e3):
        found = ring_of(square * scale)
        assert len(found.exterior.coords) == 41
        assert found.area == pytest.approx(100 * scale**2, rel=1e-12)


@pytest.mark.parametrize(
    ("points", "words"),
    [([(0, 0), (1, 1)], "2 toe shots"), ([(0, 0), (0, 0), (5, 1)], "2 toe shots"),
     ([(0, 0), (1, 1), (2, 2), (5, 5)], "on one line")],
)  # fmt: skip
def test_what_cannot_be_a_ring_is_refused(points, words):
    with pytest.raises(TooFewToeShots, match=words):
        ring_of(np.array(points, dtype=float))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=25))
def test_any_shots_give_a_simple_ring_through_all_of_them_or_a_refusal(cells):
    points = np.array(cells, dtype=float)
    ring = None
    with contextlib.suppress(ToeRingAmbiguous, TooFewToeShots):
        ring = toe_ring(points[:, 0], points[:, 1])
    if ring is None:
        return
    assert shapely.Polygon(points[ring]).is_valid
    assert len(ring) == len(set(cells))


def shortest_by_trying_all(points: np.ndarray) -> float:
    x, y = points.T
    return min(
        tour_length(x, y, np.array((0, *rest), dtype=np.int32))
        for rest in itertools.permutations(range(1, len(points)))
        if rest[0] < rest[-1]
    )


def test_shortened_tours_are_the_shortest_of_all_for_a_few_shots():
    rng = np.random.default_rng(11)
    for _ in range(12):
        points = rng.uniform(0, 50, (8, 2))
        x, y = points.T.copy()
        tour = np.arange(8, dtype=np.int32)
        everyone = np.argsort(np.hypot(x[:, None] - x, y[:, None] - y), axis=1)[:, 1:].astype(np.int32)
        length = shorten(x, y, tour, np.ascontiguousarray(everyone), 200)
        assert sorted(tour) == list(range(8))
        assert length == pytest.approx(tour_length(x, y, tour), rel=1e-12)
        assert length == pytest.approx(shortest_by_trying_all(points), rel=1e-12)


def test_signed_area_agrees_with_shapely():
    points = shoot(horseshoe()[0], 50, np.random.default_rng(2))
    x, y = points.T.copy()
    tour = np.arange(len(points), dtype=np.int32)
    sign = 1 if shapely.LinearRing(points).is_ccw else -1
    assert signed_area(x, y, tour) == pytest.approx(sign * walked(points).area, rel=1e-12)
    assert signed_area(x, y, tour[::-1].copy()) == pytest.approx(-sign * walked(points).area, rel=1e-12)


@pytest.mark.parametrize(("n", "limit_s"), [(300, 0.25), (5000, 5.0)])
def test_large_rings_do_not_take_long(n, limit_s):
    points = shoot(circle()[0] * 8, n, np.random.default_rng(3), noise_m=0.02, set_ups=3)
    shuffled = points[np.random.default_rng(4).permutation(len(points))]
    ring_of(shuffled[:50])
    begin = time.perf_counter()
    found = ring_of(shuffled)
    assert time.perf_counter() - begin < limit_s
    assert found.area == pytest.approx(walked(points).area, rel=0.005)
