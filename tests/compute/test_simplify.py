"""A surface of few vertices: what it keeps, and that the deviation it states is the one it has."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from compute.findings.mesh import inner_edges
from compute.records import Surface
from compute.simplify import simplified
from compute.surface import heights_at, plan_areas
from compute.triangulate import triangulate
from compute.volume import volume_between

BUDGET = 900


def hilly(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 3.0 * np.sin(x / 9.0) * np.cos(y / 7.0) + 0.5 * np.sin(x / 2.0)


def scattered(count: int, seed: int) -> np.ndarray:
    """Over a square of 60 m, with shots along its sides: there a surface would fall off to the hull."""
    side = np.arange(0.0, 60.0, 1.0)
    none, all_ = np.zeros(60), np.full(60, 60.0)
    rim = [[side, none], [all_, side], [60.0 - side, all_], [none, 60.0 - side]]
    inside = np.random.default_rng(seed).uniform(0.3, 59.7, (count, 2))
    return np.vstack([inside, *(np.column_stack(pair) for pair in rim)])


def terrain() -> Surface:
    xy = scattered(8_000, 1)
    return triangulate(np.column_stack([xy, hilly(*xy.T)]))


def hollow_pile() -> Surface:
    """A footprint drawn in at one side, with a crest line that turns at right angles."""
    ring = np.array([[0, 0], [60, 0], [60, 60], [40, 60], [40, 20], [20, 20], [20, 60], [0, 60.0]])
    crest = np.array([[10, 50], [10, 10], [50, 10], [50, 50.0]])
    polygon = shapely.Polygon(ring)
    spots = np.random.default_rng(2).uniform(0, 60, (9_000, 2))
    spots = spots[
        shapely.contains_xy(polygon, *spots.T) & (polygon.exterior.distance(shapely.points(spots)) > 0.05)
    ]
    spots = spots[shapely.LineString(crest).distance(shapely.points(spots)) > 0.05]
    xy = np.vstack([ring, crest, spots])
    z = polygon.exterior.distance(shapely.points(xy)) * 0.7
    lines = np.array([[8, 9], [9, 10], [10, 11]], np.int32)
    return triangulate(np.column_stack([xy, z]), lines, np.arange(8, dtype=np.int32))


def rim_of(surface: Surface) -> set[tuple[float, ...]]:
    inner = {frozenset(ends) for ends in inner_edges(surface).ends.tolist()}
    sides = {frozenset((t[k], t[(k + 1) % 3])) for t in surface.triangles.tolist() for k in range(3)} - inner
    return {tuple(surface.vertices_m[v]) for side in sides for v in side}


def edges_of(surface: Surface) -> set[frozenset[tuple[float, ...]]]:
    place = [tuple(vertex) for vertex in surface.vertices_m.tolist()]
    return {
        frozenset((place[t[k]], place[t[(k + 1) % 3]])) for t in surface.triangles.tolist() for k in range(3)
    }


@pytest.mark.parametrize("full", [terrain(), hollow_pile()], ids=["terrain", "hollow pile"])
def test_it_keeps_rim_lines_and_area_within_its_budget(full):
    thin = simplified(full, BUDGET)
    kept = {tuple(v) for v in thin.surface.vertices_m.tolist()}
    assert len(kept) <= BUDGET
    assert thin.left_out == len(full.vertices_m) - len(kept)
    assert kept <= {tuple(v) for v in full.vertices_m.tolist()}
    assert rim_of(thin.surface) == rim_of(full)
    lines = {frozenset(tuple(full.vertices_m[v].tolist()) for v in ends) for ends in full.lines.tolist()}
    assert lines <= edges_of(thin.surface)
    areas = [math.fsum(plan_areas(surface.corners_m)) for surface in (full, thin.surface)]
    assert areas[1] == pytest.approx(areas[0], rel=1e-12)


@pytest.mark.parametrize("full", [terrain(), hollow_pile()], ids=["terrain", "hollow pile"])
def test_the_deviation_it_states_is_the_one_it_has(full):
    thin = simplified(full, BUDGET)
    off = np.abs(full.vertices_m[:, 2] - heights_at(thin.surface, full.vertices_m[:, :2]))
    assert thin.largest_deviation_m == pytest.approx(np.nanmax(off), abs=1e-12)
    # No vertex hides: the overlay, which knows every place, sees hardly more.
    laid = volume_between(full, thin.surface)
    greatest = max(laid.greatest_above_m, laid.greatest_below_m)
    assert thin.largest_deviation_m <= greatest + 1e-9
    assert abs(laid.net_m3) < thin.largest_deviation_m * laid.plan_area_m2
    assert 0.0 < thin.largest_deviation_m < 0.4


def test_more_vertices_deviate_less_and_better_than_an_even_spread():
    full = terrain()
    off = [simplified(full, budget).largest_deviation_m for budget in (300, 900, 2_700)]
    assert off[0] > off[1] > off[2] > 0.0
    even = np.vstack([full.vertices_m[:: len(full.vertices_m) // 880], full.vertices_m[[0, -1]]])
    spread = triangulate(np.unique(even, axis=0))
    assert off[1] < np.nanmax(np.abs(full.vertices_m[:, 2] - heights_at(spread, full.vertices_m[:, :2])))


def test_a_spike_is_kept():
    xy = scattered(4_000, 5)
    points = np.column_stack([xy, np.zeros(len(xy))])
    points[1_234, 2] = 7.0
    thin = simplified(triangulate(points), 400)
    assert thin.surface.vertices_m[:, 2].max() == 7.0
    assert thin.largest_deviation_m < 7.0


def test_a_plane_needs_no_more_than_it_has():
    xy = scattered(3_000, 6)
    thin = simplified(triangulate(np.column_stack([xy, 0.25 * xy[:, 0] - 0.5 * xy[:, 1]])), 300)
    assert thin.largest_deviation_m < 1e-12


def test_a_small_surface_is_left_alone_and_the_same_comes_twice():
    full = terrain()
    assert simplified(full, len(full.vertices_m)).surface is full
    first, second = simplified(full, BUDGET), simplified(terrain(), BUDGET)
    assert (first.surface.vertices_m == second.surface.vertices_m).all()
    assert (first.surface.triangles == second.surface.triangles).all()
    assert first.largest_deviation_m == second.largest_deviation_m


def test_lines_beyond_the_budget_are_kept_all_the_same():
    thin = simplified(hollow_pile(), 5)
    assert len(thin.surface.vertices_m) == 12
