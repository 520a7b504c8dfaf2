"""The volume by sections against the overlay, closed forms and a polygon library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.errors import BadOption
from compute.kernels.sections import areas_between, cut_by_stations
from compute.sections import average_end_area, by_sections, long_axis_rad, prismoidal, section
from compute.surface import heights_at, make_edge
from compute.triangulate import triangulate
from compute.volume import volume_between
from tests.compute import standard_pile as pile
from tests.compute import zoo


def test_a_pyramid_is_exact():
    # Pyramid on an n-gon inside a cone: V = n r² sin(2π/n) h / 6. Closed form.
    top, edge = pile.cone(10.0, 7.5, 64)
    exact = 64 * 100.0 * math.sin(2 * math.pi / 64) * 7.5 / 6
    found = by_sections(top, pile.level(0.0), edge, exact)
    assert found.net_m3 == pytest.approx(exact, rel=1e-10)
    assert found.difference_m3 == pytest.approx(0.0, abs=1e-7)
    assert found.covered_share == pytest.approx(1.0, rel=1e-12)


def test_a_box_with_vertical_ends_keeps_its_end_sections():
    # 12 m × 5 m × 3 m: the end sections stand in full height, none may be lost.
    corners = np.array([[0, 0, 3.0], [12, 0, 3.0], [12, 5, 3.0], [0, 5, 3.0]])
    top = triangulate(corners)
    edge = make_edge("drawn", corners[:, :2], np.full(4, -1))
    found = by_sections(top, pile.level(0.0), edge, 0.0)
    assert found.net_m3 == pytest.approx(180.0, rel=1e-8)
    assert found.average_end_area_m3 == pytest.approx(180.0, rel=1e-8)
    assert found.difference_m3 == found.net_m3
    assert found.axis_azimuth_deg == pytest.approx(90.0)


def test_above_and_below_are_kept_apart():
    # The plane z = x over a 2 m × 1 m strip: a wedge of ½ m³ on each side of zero. Closed form.
    corners = np.array([[-1, 0, -1.0], [1, 0, 1.0], [1, 1, 1.0], [-1, 1, -1.0]])
    edge = make_edge("drawn", corners[:, :2], np.full(4, -1))
    found = by_sections(triangulate(corners), pile.level(0.0), edge, 0.0)
    assert found.above_m3 == pytest.approx(0.5, rel=1e-9)
    assert found.below_m3 == pytest.approx(0.5, rel=1e-9)
    assert found.net_m3 == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("spacing_m", [2.0, 4.0, 10.0])
def test_a_surveyed_pile_agrees_with_the_overlay_to_rounding(spacing_m):
    top, edge = pile.surveyed(spacing_m)
    net = volume_between(top, pile.level(0.0), edge=edge).net_m3
    found = by_sections(top, pile.level(0.0), edge, net)
    assert abs(found.difference_m3) < 1e-9 * net
    assert found.expected_error_m3 < 1e-3 * net


def test_an_edge_that_cuts_triangles_stays_within_the_expected_error():
    top, _ = pile.surveyed(2.0)
    ring = np.array([[-10, -9], [12, -8.0], [15, 7], [-3, 2], [-9, 8]])
    edge = make_edge("drawn", ring, np.full(5, -1))
    net = volume_between(top, pile.level(3.0), edge=edge).net_m3
    found = by_sections(top, pile.level(3.0), edge, net)
    assert abs(found.difference_m3) <= found.expected_error_m3
    assert found.expected_error_m3 < 1e-3 * net


def test_many_corners_take_evenly_spaced_sections_and_stay_under_a_thousandth():
    rng = np.random.default_rng(20)
    xy = rng.uniform(-36, 36, (40_000, 2))
    rough = pile.height_m(*xy.T) + rng.normal(0, 0.03, len(xy))
    top = triangulate(np.column_stack([xy, rough]))
    ring = pile.stadium(15.9, 1.0)
    edge = make_edge("drawn", ring, np.full(len(ring), -1))
    net = volume_between(top, pile.level(0.0), edge=edge).net_m3
    found = by_sections(top, pile.level(0.0), edge, net)
    assert found.sections == 3 * 160
    assert abs(found.difference_m3) <= found.expected_error_m3 < 1e-3 * net


@given(seed=st.integers(0, 10_000), turn=st.floats(0, math.pi), shift=st.floats(-500, 500))
@settings(max_examples=25, deadline=None)
def test_turning_and_shifting_changes_nothing(seed, turn, shift):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 20, (60, 2))
    z = rng.uniform(0, 4, 60)
    ring = np.array([[6, 6], [14, 7], [13, 13], [9, 10], [7, 14.0]])
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    nets = []
    for move in (lambda p: p, lambda p: p @ rotation.T + shift):
        hull = np.array([[-30, -30], [50, -30], [50, 50], [-30, 50.0]])
        points = np.column_stack([move(np.vstack([xy, hull])), np.append(z, np.ones(4))])
        edge = make_edge("drawn", move(ring), np.full(5, -1))
        base_z = float(points[:, 2].min()) - 1.0
        base = pile.level(base_z, 5_000.0)
        top = triangulate(points)
        net = volume_between(top, base, edge=edge).net_m3
        found = by_sections(top, base, edge, net)
        assert abs(found.difference_m3) <= found.expected_error_m3
        nets.append(net)
    assert nets[0] == pytest.approx(nets[1], rel=1e-6)


def test_section_area_equals_the_polygon_librarys():
    """Outside opinion: `shapely` builds the section as polygons from the same two profiles."""
    top, base = zoo.rough_surface(300, seed=1, lift=2.0), zoo.rough_surface(240, seed=2, lift=0.0)
    stations = np.array([33.3, 50.0, 71.9])
    ring = np.array([[5.0, 5.0], [95.0, 5.0], [95.0, 95.0], [5.0, 95.0]])
    cuts = [
        cut_by_stations(*(np.ascontiguousarray(s.vertices_m[:, k]) for k in range(3)), s.triangles, stations)
        for s in (top, base)
    ]
    found = areas_between(
        *cuts[0], *cuts[1], np.ascontiguousarray(ring[:, 0]), np.ascontiguousarray(ring[:, 1]), stations
    )
    for k, station in enumerate(stations):
        line = np.array([[station, 5.0], [station, 95.0]])
        bodies = []
        for surface in (top, base):
            (piece,) = section(surface, line).pieces
            outline = [(0.0, -50.0), *piece[:, [0, 3]].tolist(), (90.0, -50.0)]
            bodies.append(shapely.Polygon(outline))
        assert found[k, 0] == pytest.approx(bodies[0].difference(bodies[1]).area, rel=1e-9)
        assert found[k, 1] == pytest.approx(bodies[1].difference(bodies[0]).area, rel=1e-9)
        assert found[k, 3] == pytest.approx(90.0, rel=1e-12)


def test_long_axis_of_a_turned_rectangle():
    turn = math.radians(27.0)
    ring = np.array([[-5, -2], [5, -2], [5, 2], [-5, 2.0]])
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    assert long_axis_rad(ring @ rotation.T + 300.0) == pytest.approx(turn, abs=1e-12)


def test_profile_has_every_edge_crossing_and_the_true_heights():
    surface = zoo.rough_surface(200, seed=5, lift=1.0)
    line = np.array([[10.0, 10.0], [80.0, 40.0], [20.0, 90.0]])
    profile = section(surface, line)
    (piece,) = profile.pieces
    assert profile.length_m == pytest.approx(math.hypot(70, 30) + math.hypot(60, 50))
    assert piece[0, 0] == 0.0
    assert piece[-1, 0] == pytest.approx(profile.length_m)
    assert np.all(np.diff(piece[:, 0]) > 0)
    assert piece[:, 3] == pytest.approx(heights_at(surface, piece[:, 1:3]), abs=1e-9)
    sides = np.vstack(
        [surface.triangles[:, [0, 1]], surface.triangles[:, [1, 2]], surface.triangles[:, [2, 0]]]
    )
    sides = np.unique(np.sort(sides, axis=1), axis=0)
    edges = shapely.linestrings(surface.vertices_m[sides][:, :, :2])
    expected = sum(int(shapely.crosses(edges, shapely.LineString(leg)).sum()) for leg in (line[:2], line[1:]))
    assert len(piece) == expected + 3


def test_profile_leaves_a_gap_where_there_is_no_surface():
    left, right = pile.cone(5.0, 3.0, 12), pile.cone(5.0, 3.0, 12)
    shifted = right[0].vertices_m + np.array([20.0, 0.0, 0.0])
    points = np.vstack([left[0].vertices_m, shifted])
    triangles = np.vstack([left[0].triangles, right[0].triangles + len(left[0].vertices_m)])
    both = type(left[0])(
        vertices_m=points,
        triangles=triangles.astype(np.int32),
        shot_index=np.arange(len(points), dtype=np.int32),
        lines=np.empty((0, 2), np.int32),
    )
    profile = section(both, np.array([[-10.0, 0.0], [40.0, 0.0]]))
    assert [piece[[0, -1], 0].tolist() for piece in profile.pieces] == [
        pytest.approx([5.0, 15.0]),
        pytest.approx([25.0, 35.0]),
    ]
    assert [float(piece[:, 3].max()) for piece in profile.pieces] == [pytest.approx(3.0)] * 2


@pytest.mark.parametrize("reverse", [False, True])
def test_profile_along_the_outer_edge_is_on_the_surface(reverse):
    corners = np.array([[0, 0, 1.0], [10, 0, 2.0], [10, 10, 4.0], [0, 10, 3.0]])
    line = corners[:2, :2][::-1] if reverse else corners[:2, :2]
    (piece,) = section(triangulate(corners), line).pieces
    assert piece[[0, -1], 3].tolist() == pytest.approx([2.0, 1.0] if reverse else [1.0, 2.0])
    assert piece[-1, 0] == pytest.approx(10.0)


@pytest.mark.parametrize("line", [[[1.0, 1.0]], [[1.0, 1.0], [1.0, 1.0]], [[1.0, math.nan], [2.0, 2.0]]])
def test_a_line_without_length_is_refused(line):
    with pytest.raises(BadOption):
        section(pile.level(0.0), np.array(line))


def test_prismoidal_wants_an_odd_number_of_sections():
    with pytest.raises(BadOption, match="odd number"):
        prismoidal(np.array([1.0, 2.0]), 1.0)
    assert prismoidal(np.array([0.0, 1.0, 4.0]), 1.0) == pytest.approx(8.0 / 3.0)
    assert average_end_area(np.array([0.0, 1.0, 4.0]), 1.0) == pytest.approx(3.0)
