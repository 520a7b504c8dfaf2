"""Quick ways against slow twins: the same answers, to the bit where the same is promised."""

from __future__ import annotations

import math
import os
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from compute.building import BaseChoice
from compute.curve import along_curve
from compute.findings.mesh import inner_edges
from compute.frame import order_by
from compute.kernels.mesh import patches
from compute.measure import MeasureRequest, measure
from compute.near import nearest, pairs_within
from compute.records import Shots
from compute.surface import facets, heights_at, index_of, locate, plan_areas
from compute.threads import together
from compute.triangulate import LARGE, triangulate
from compute.volume import exact_sum, volume_between
from compute.warming import _ground_rows, _heap_rows, _shots


def scattered(count: int, seed: int, size: float = 50.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    xy = np.vstack([rng.uniform(0, size, (count - 4, 2)), [[0, 0], [size, 0], [size, size], [0, size]]])
    return np.column_stack([xy, np.sin(xy[:, 0] / 7) + np.cos(xy[:, 1] / 9)])


@given(st.lists(st.tuples(*[st.integers(0, 4)] * 3), max_size=60))
@settings(max_examples=100)
def test_order_by_is_lexsort(rows):
    keys = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    assert order_by(*keys).tolist() == np.lexsort(keys[::-1]).tolist()


@pytest.mark.parametrize("reach", [0.05, 0.4, 3.0])
@pytest.mark.parametrize(("width", "depth"), [(10.0, 10.0), (0.5, 200.0), (200.0, 0.0)])
def test_near_pairs_are_those_of_a_tree(width, depth, reach):
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 1, (700, 2)) * [width, depth]
    xy[100:110] = xy[:10]
    wanted = {tuple(sorted(pair)) for pair in cKDTree(xy).query_pairs(reach)}
    found = pairs_within(xy, reach)
    assert len(found) == len(wanted) > 0
    assert {tuple(pair) for pair in found.tolist()} == wanted
    assert (np.lexsort((found[:, 1], found[:, 0])) == np.arange(len(found))).all()


def test_near_pairs_of_nothing_are_none():
    assert len(pairs_within(np.empty((0, 2)), 0.02)) == 0
    assert len(pairs_within(np.array([[1.0, 2.0]]), 0.02)) == 0


@pytest.mark.parametrize("count", [40, 1_200])
def test_the_nearest_are_those_of_a_tree(count):
    xy = np.random.default_rng(5).uniform(0, 30, (count, 2))
    assert (nearest(xy, 11) == cKDTree(xy).query(xy, k=11)[1]).all()


def test_a_few_points_are_located_without_an_index_as_with_one():
    surface = triangulate(scattered(9_000, 11))
    rng = np.random.default_rng(12)
    corner = surface.corners_m[::97, :, :2]
    asked = np.vstack([rng.uniform(-2, 52, (150, 2)), corner[:40].mean(axis=1), corner[:30, 0]])
    without = locate(surface, asked)
    index_of(surface)
    assert (without == locate(surface, asked)).all()
    assert (without < 0).any()
    assert len(locate(replace(surface), np.empty((0, 2)))) == 0


def test_heights_from_triangles_found_without_an_index():
    surface = triangulate(scattered(9_000, 13))
    plane = replace(
        surface, vertices_m=surface.vertices_m * [1, 1, 0] + surface.vertices_m[:, :1] * [0, 0, 2.0]
    )
    asked = np.random.default_rng(14).uniform(1, 49, (50, 2))
    assert heights_at(plane, asked) == pytest.approx(2.0 * asked[:, 0], abs=1e-12)


def test_a_large_set_has_the_triangles_of_the_same_set_in_pieces_of_any_order():
    points = scattered(LARGE + 500, 17)
    surface = triangulate(points)
    turned = triangulate(points[np.random.default_rng(1).permutation(len(points))])
    assert (surface.triangles == turned.triangles).all()
    assert (surface.vertices_m == turned.vertices_m).all()
    areas = plan_areas(surface.corners_m)
    assert areas.min() > 0.0
    assert math.fsum(areas) == pytest.approx(2500.0, abs=1e-9)
    # Delaunay: no vertex beyond an edge lies inside the circle of the triangle before it.
    edges = inner_edges(surface)
    a, b, c = (surface.corners_m[edges.triangles[:, 0], k, :2] for k in range(3))
    d = surface.vertices_m[edges.apexes[:, 1], :2]
    rows = np.stack([np.column_stack([p - d, ((p - d) ** 2).sum(axis=1)]) for p in (a, b, c)], axis=1)
    assert np.linalg.det(rows).max() < 1e-6


def test_inner_edges_are_those_between_two_triangles():
    surface = triangulate(scattered(400, 19))
    edges = inner_edges(surface)
    sides: dict[frozenset[int], list[int]] = {}
    for number, corners in enumerate(surface.triangles.tolist()):
        for k in range(3):
            sides.setdefault(frozenset((corners[k], corners[(k + 1) % 3])), []).append(number)
    wanted = {ends: sorted(both) for ends, both in sides.items() if len(both) == 2}
    found = {
        frozenset(ends): sorted(both)
        for ends, both in zip(edges.ends.tolist(), edges.triangles.tolist(), strict=True)
    }
    assert found == wanted
    for column in range(2):
        triangle, side = edges.halves[:, column] // 3, edges.halves[:, column] % 3
        assert (triangle == edges.triangles[:, column]).all()
        assert (surface.triangles[triangle, (side + 2) % 3] == edges.apexes[:, column]).all()
        assert (np.sort(surface.triangles[triangle, side]) >= 0).all()


def test_patches_end_at_closed_sides():
    # Four triangles in a row; the side between the second and the third is closed.
    neighbors = np.array([[1, 9, 9], [0, 2, 9], [1, 3, 9], [2, 9, 9]])
    closed = np.zeros((4, 3), bool)
    assert patches(neighbors, closed).tolist() == [0, 0, 0, 0]
    closed[1, 1] = closed[2, 0] = True
    assert patches(neighbors, closed).tolist() == [0, 0, 1, 1]


def test_along_the_curve_neighbours_stay_near():
    xy = np.random.default_rng(23).uniform(0, 100, (5_000, 2))
    order = along_curve(xy)
    assert sorted(order.tolist()) == list(range(len(xy)))
    assert np.hypot(*np.diff(xy[order], axis=0).T).mean() < 2.0 * 100.0 / math.sqrt(len(xy))


def test_facets_of_known_triangles():
    soup = np.array([[[0, 0, 0], [3, 0, 0], [0, 4, 0]], [[0, 0, 0], [2, 0, 2], [0, 1, 0.0]]])
    found = facets(soup)
    assert found.area_m2 == pytest.approx([6.0, 1.0])
    assert found.slope_deg == pytest.approx([0.0, 45.0])
    assert found.slant_m2 == pytest.approx([6.0, math.sqrt(2.0)])


@given(st.lists(st.floats(-1e12, 1e12), max_size=50))
@settings(max_examples=200)
def test_exact_sum_is_that_of_the_standard_library(values):
    assert exact_sum(np.array(values, dtype=np.float64)) == math.fsum(values)


def test_exact_sums_forget_what_cancels():
    assert exact_sum(np.array([1e16, 1.0, -1e16, 1e-30, 1e300, -1e300])) == math.fsum([1.0, 1e-30])


def test_the_first_of_several_refusals_is_raised():
    def refuse(word: str) -> None:
        raise ValueError(word)

    with pytest.raises(ValueError, match="first"):
        together(lambda: 1, lambda: refuse("first"), lambda: refuse("second"))
    assert together(lambda: 1, lambda: 2) == [1, 2]


def _requests() -> list[MeasureRequest]:
    heap, ground = _shots(_heap_rows()), _shots(_ground_rows())
    return [
        MeasureRequest(heap, BaseChoice("toe")),
        MeasureRequest(heap, BaseChoice("plane")),
        MeasureRequest(heap, BaseChoice("surface", shots=ground)),
        MeasureRequest(heap, BaseChoice("level", level_m=-0.5)),
        MeasureRequest(_without_toe(heap), BaseChoice("surface", shots=ground)),
        MeasureRequest(
            heap, BaseChoice("surface", shots=ground), edge=np.array([[-5, -8], [5, -7], [6, 8], [-4, 7.0]])
        ),
    ]


def _without_toe(shots: Shots) -> Shots:
    return replace(shots, role=np.where(shots.role == shots.role[0], shots.role[-1], shots.role))


@pytest.mark.parametrize("number", range(6))
def test_the_second_base_by_prisms_is_that_of_the_overlay(number):
    case = measure(_requests()[number]).case
    whole = case.edge.kind == "toe" or (case.edge.kind == "hull" and case.edge.shot_index.min() >= 0)
    laid = volume_between(case.top, case.second_base.surface, edge=None if whole else case.edge)
    assert case.second_net_m3 == pytest.approx(laid.net_m3, abs=1e-9 * (laid.above_m3 + laid.below_m3))


def test_one_processor_or_many_give_the_same_record(monkeypatch):
    many = [measure(request).record for request in _requests()]
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert [measure(request).record for request in _requests()] == many
    monkeypatch.setattr(os, "cpu_count", lambda: 7)
    assert [measure(request).record for request in _requests()] == many


def test_a_large_record_is_the_same_on_any_number_of_processors(monkeypatch):
    def big(seed: int, lift: float) -> Shots:
        points = scattered(12_000, seed) + np.array([0, 0, lift])
        rows = [f"{i},{y!r},{x!r},{z!r},SPT" for i, (x, y, z) in enumerate(points.tolist())]
        return _shots(rows)

    request = MeasureRequest(big(29, 3.0), BaseChoice("surface", shots=big(31, 0.0)))
    many = measure(request).record
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert measure(request).record == many
