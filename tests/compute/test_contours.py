"""Contours, silhouettes and exports against closed forms, polygon overlay and independent readers."""

from __future__ import annotations

import json
import math
from decimal import Decimal

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.contours import contour_heights, contours, nice_interval_m
from compute.errors import BadOption
from compute.export import contours_geojson, ply, vertices_csv
from compute.profile import LARGEST_POINTS, longest_line, silhouette, simplified
from compute.records import Origin
from compute.surface import heights_at, make_edge
from compute.triangulate import triangulate
from tests.compute import standard_pile as pile
from tests.compute import zoo

ORIGIN = Origin(Decimal(500_000), Decimal(4_500_000))


def upper_area(surface, height_m: float) -> float:
    """Outside opinion: each triangle's part at or above a height, cut and measured by `shapely`."""
    total = 0.0
    for corners in surface.corners_m:
        part = []
        for i in range(3):
            a, b = corners[i], corners[(i + 1) % 3]
            if a[2] >= height_m:
                part.append(a[:2])
            if (a[2] >= height_m) != (b[2] >= height_m):
                part.append(a[:2] + (b[:2] - a[:2]) * (height_m - a[2]) / (b[2] - a[2]))
        if len(part) >= 3:
            total += shapely.Polygon(part).area
    return total


def signed_area(points: np.ndarray) -> float:
    x, y = points.T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def test_contours_of_a_pyramid_are_its_polygon_scaled():
    # Similar polygons: at height h of H the side is (1 − h/H) of the foot's. Closed form.
    top, _ = pile.cone(10.0, 8.0, 12)
    (found,) = contours(top, np.array([2.0]))
    assert found.closed
    assert found.height_m == 2.0
    radius = np.hypot(*found.points_m.T)
    assert radius == pytest.approx(np.full(12, 7.5), abs=1e-12)
    assert signed_area(found.points_m) == pytest.approx(12 / 2 * 7.5**2 * math.sin(math.pi / 6), rel=1e-12)


def test_higher_ground_lies_on_the_left():
    hill, _ = pile.cone(10.0, 8.0, 12)
    (round_hill,) = contours(hill, np.array([2.0]))
    assert signed_area(round_hill.points_m) > 0
    hollow, _ = pile.cone(10.0, -8.0, 12)
    (round_hollow,) = contours(hollow, np.array([-2.0]))
    assert signed_area(round_hollow.points_m) < 0


def test_a_plane_gives_one_straight_open_line():
    corners = np.array([[0, 0, 0.0], [10, 0, 5.0], [10, 4, 5.0], [0, 4, 0.0]])
    (found,) = contours(triangulate(corners), np.array([1.0]))
    assert not found.closed
    assert found.points_m[:, 0] == pytest.approx(np.full(len(found.points_m), 2.0))
    assert sorted(found.points_m[[0, -1], 1].tolist()) == [0.0, 4.0]


def test_contours_bend_at_the_breakline_and_nowhere_beside_it():
    # Planes z = x + y/5 and z = 7 − 2x/5 + y/5 meet in a crest at x = 5; at 6 m both end in (5, 5).
    points = np.array([[0, 0, 0.0], [5, 0, 5.0], [10, 0, 3.0], [0, 10, 2.0], [5, 10, 7.0], [10, 10, 5.0]])
    surface = triangulate(points, np.array([[1, 4]]))
    (found,) = contours(surface, np.array([6.0]))
    exact = shapely.LineString([(4.0, 10.0), (5.0, 5.0), (7.5, 10.0)])
    assert shapely.hausdorff_distance(shapely.LineString(found.points_m), exact) < 1e-12
    assert np.any(np.all(np.abs(found.points_m - [5.0, 5.0]) < 1e-12, axis=1))


@pytest.mark.parametrize("seed", range(4))
def test_enclosed_area_is_that_of_every_triangles_upper_part(seed):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 30, (250, 2))
    z = 4.0 * np.exp(-((xy - 15.0) ** 2).sum(axis=1) / 60.0) + rng.normal(0, 0.2, 250)
    rim = np.array([[-1, -1], [31, -1], [31, 31], [-1, 31.0]])
    surface = triangulate(np.column_stack([np.vstack([xy, rim]), np.append(z, np.full(4, -1.0))]))
    for height in (0.25, 1.0, 2.5):
        lines = contours(surface, np.array([height]))
        assert all(line.closed for line in lines)
        area = sum(signed_area(line.points_m) for line in lines)
        assert area == pytest.approx(upper_area(surface, height), rel=1e-10)


@given(seed=st.integers(0, 100_000), whole=st.booleans())
@settings(max_examples=30, deadline=None)
def test_contours_lie_on_the_surface_never_cross_and_end_at_the_rim(seed, whole):
    """Whole heights put vertices and whole level triangles exactly on the contours."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 20, (40, 2))
    z = rng.integers(0, 5, 40).astype(float) if whole else rng.uniform(0, 5, 40)
    surface = triangulate(np.column_stack([xy, z]))
    found = contours(surface, np.array([1.0, 2.0, 3.0]))
    hull = shapely.convex_hull(shapely.multipoints(xy)).boundary
    rings = []
    for line in found:
        closed = np.vstack([line.points_m, line.points_m[:1]]) if line.closed else line.points_m
        rings.append(shapely.LineString(closed))
        middles = (closed[1:] + closed[:-1]) / 2
        at = heights_at(surface, np.vstack([line.points_m, middles]))
        assert at[np.isfinite(at)] == pytest.approx(line.height_m, abs=1e-7)
        if not line.closed:
            assert max(hull.distance(shapely.Point(p)) for p in closed[[0, -1]]) < 1e-9
    for i, one in enumerate(rings):
        for j in range(i):
            # At one height two lines may touch in a vertex that has it; without such vertices they may not.
            if found[i].height_m != found[j].height_m or not whole:
                assert not one.intersects(rings[j])


def test_order_of_the_shots_changes_nothing():
    points, _, _ = pile.shots_of_survey(3.0)
    shuffled = np.random.default_rng(1).permutation(points)
    one, other = (contours(triangulate(p), np.array([1.0, 4.0])) for p in (points, shuffled))
    assert [line.points_m.tolist() for line in one] == [line.points_m.tolist() for line in other]


@pytest.mark.parametrize(("span", "step"), [(8.0, 1.0), (0.5, 0.05), (23.0, 2.0), (60.0, 5.0), (1e-3, 1e-4)])
def test_interval_is_one_two_or_five(span, step):
    assert nice_interval_m(span) == pytest.approx(step)


def test_heights_are_multiples_inside_the_span():
    assert contour_heights(0.0, 1.0, 0.25).tolist() == [0.25, 0.5, 0.75]
    assert contour_heights(0.1, 0.5, 0.1).tolist() == [0.2, 0.3, 0.4]
    assert contour_heights(-3.2, 4.0, 2.0).tolist() == [-2.0, 0.0, 2.0]
    assert contour_heights(5.0, 5.0).size == 0
    assert contours(pile.level(1.0), contour_heights(1.0, 1.0)) == ()


@pytest.mark.parametrize("interval", [0.0, -1.0, math.nan, math.inf, 1e-6])
def test_an_unusable_interval_is_refused(interval):
    with pytest.raises(BadOption, match="interval"):
        contour_heights(0.0, 8.0, interval)


# --- silhouette ----------------------------------------------------------------------------------


def test_silhouette_of_the_standard_pile():
    top, edge = pile.surveyed(2.0)
    drawn = silhouette(top, pile.level(0.0), edge)
    assert drawn.top_m[-1, 0] == pytest.approx(72.0, abs=0.3)
    assert drawn.top_m[:, 1].max() == pytest.approx(pile.HEIGHT_M, rel=1e-9)
    assert drawn.base_m[:, 1] == pytest.approx(np.zeros(len(drawn.base_m)), abs=1e-9)
    assert 4 <= len(drawn.top_m) <= LARGEST_POINTS
    assert abs(drawn.line_m[:, 1]).max() < 0.5
    assert drawn.line_m[0, 0] < drawn.line_m[1, 0]


def test_longest_line_of_an_l_shape_stays_inside():
    ring = np.array([[0, 0], [40, 0], [40, 8], [8, 8], [8, 20], [0, 20.0]])
    line = longest_line(make_edge("drawn", ring, np.full(6, -1)))
    assert shapely.Polygon(ring).buffer(1e-6).covers(shapely.LineString(line))
    assert float(np.hypot(*(line[1] - line[0]))) > 30.0


def test_a_rough_outline_is_thinned_to_a_small_drawing():
    x = np.linspace(0, 100, 2_000)
    rough = np.column_stack([x, np.random.default_rng(3).normal(0, 1, 2_000)])
    thin = simplified(rough, 0.01)
    assert 2 <= len(thin) <= LARGEST_POINTS
    assert thin[[0, -1]].tolist() == rough[[0, -1]].tolist()


# --- exports -------------------------------------------------------------------------------------


def read_ply(data: bytes):
    """A small reader by the format's description: header lines, then the elements in their order."""
    head, body = data.split(b"end_header\n", 1)
    lines = head.decode("ascii").splitlines()
    vertices, faces = (int(line.split()[-1]) for line in lines if line.startswith("element"))
    if lines[1] == "format ascii 1.0":
        rows = body.decode("ascii").splitlines()
        xyz = np.array([[float(v) for v in row.split()] for row in rows[:vertices]])
        corners = np.array([[int(v) for v in row.split()] for row in rows[vertices:]])
        assert (corners[:, 0] == 3).all()
        return xyz, corners[:, 1:]
    assert lines[1] == "format binary_little_endian 1.0"
    xyz = np.frombuffer(body, "<f8", vertices * 3).reshape(-1, 3)
    rest = body[vertices * 24 :]
    assert len(rest) == faces * 13
    assert all(rest[k * 13] == 3 for k in range(faces))
    corners = np.array([np.frombuffer(rest, "<i4", 3, k * 13 + 1) for k in range(faces)])
    return xyz, corners


@pytest.mark.parametrize(("form", "tolerance"), [("ascii", 5.1e-5), ("binary", 0.0)])
def test_ply_reads_back_as_the_same_triangles(form, tolerance):
    surface = zoo.rough_surface(60, seed=4, lift=2.0)
    xyz, corners = read_ply(ply(surface, ORIGIN, form))
    assert corners.tolist() == surface.triangles.tolist()
    expected = surface.vertices_m + np.array([500_000.0, 4_500_000.0, 0.0])
    assert np.abs(xyz - expected).max() <= tolerance


def test_unknown_ply_form_is_refused():
    with pytest.raises(BadOption, match="'big'") as refused:
        ply(pile.level(0.0), ORIGIN, "big")
    assert "ascii or binary" in refused.value.remedy


def test_vertices_csv_keeps_a_tenth_of_a_millimetre():
    surface = zoo.rough_surface(20, seed=4, lift=2.0)
    lines = vertices_csv(surface, ORIGIN).decode("utf-8").split("\r\n")
    assert lines[0] == "point,northing,easting,elevation,code"
    assert lines[-1] == ""
    values = np.array([[float(v) for v in line.split(",")[1:4]] for line in lines[1:-1]])
    local = values[:, [1, 0, 2]] - np.array([500_000.0, 4_500_000.0, 0.0])
    assert np.abs(local - surface.vertices_m).max() < 5.1e-5


def test_geojson_names_its_frame_and_closes_its_rings():
    top, _ = pile.cone(10.0, 8.0, 12)
    body = json.loads(contours_geojson(contours(top, np.array([2.0, 4.0])), ORIGIN))
    assert body["type"] == "FeatureCollection"
    assert "RFC 7946" in body["note"]
    assert "not conform" in body["note"]
    assert [f["properties"]["height_m"] for f in body["features"]] == [2.0, 4.0]
    for feature in body["features"]:
        line = feature["geometry"]["coordinates"]
        assert feature["geometry"]["type"] == "LineString"
        assert line[0] == line[-1]
        assert line[0][0] == pytest.approx(500_000, abs=11)
        assert line[0][1] == pytest.approx(4_500_000, abs=11)
        shape = shapely.from_geojson(json.dumps(feature["geometry"]))
        assert shape.is_ring
