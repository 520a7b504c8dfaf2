"""Contours and sections of the zoo against two general libraries: contourpy (BSD) and shapely (BSD)."""

from __future__ import annotations

from itertools import pairwise

import contourpy
import numpy as np
import pytest
import shapely

from compute.contours import contours
from compute.sections import section
from surveys.drawings.bands import contour_lines, region_above
from tests.compute import zoo
from tests.compute.gridded_zoo import SHAPES, Gridded, gridded

LEVELS = (100.75, 102.3, 104.0, 106.15)
"""Between the heights of most nodes, and one (104) at which some lie exactly."""


def outside(shape: Gridded) -> contourpy.ContourGenerator:
    return contourpy.contour_generator(
        shape.x_m, shape.y_m, shape.z_m, name="serial", quad_as_tri=True,
        line_type=contourpy.LineType.Separate, fill_type=contourpy.FillType.OuterOffset,
    )  # fmt: skip


def as_lines(pieces: list[np.ndarray]) -> shapely.Geometry:
    return shapely.union_all([shapely.LineString(piece) for piece in pieces if len(piece) > 1])


def filled_area(generator: contourpy.ContourGenerator, low: float) -> float:
    total = 0.0
    for points, offsets in zip(*generator.filled(low, 1e6), strict=True):
        rings = [points[a:b] for a, b in pairwise(offsets)]
        total += shapely.Polygon(rings[0], rings[1:]).area
    return total


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("level", LEVELS)
def test_contours_are_those_of_contourpy(name: str, level: float) -> None:
    """The same lines to a tenth of a millimetre, none missing and none too many."""
    shape = gridded(name)
    theirs = as_lines(outside(shape).lines(level))
    exact = [
        np.vstack([each.points_m, each.points_m[:1]]) if each.closed else each.points_m
        for each in contours(shape.surface, np.array([level]))
    ]
    drawn = contour_lines(shape.surface.vertices_m, shape.surface.triangles, level)
    for ours in (as_lines(exact), as_lines(drawn)):
        assert ours.length == pytest.approx(theirs.length, abs=1e-6)
        if not theirs.is_empty:
            assert shapely.hausdorff_distance(ours, theirs) < 1e-4


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("level", LEVELS)
def test_bands_of_the_plan_cover_what_contourpy_fills(name: str, level: float) -> None:
    shape = gridded(name)
    region = region_above(shape.surface.vertices_m, shape.surface.triangles, level)
    assert region.area == pytest.approx(filled_area(outside(shape), level), abs=1e-4)


@pytest.mark.parametrize("name", SHAPES)
def test_contours_never_cross(name: str) -> None:
    shape = gridded(name)
    levels = np.arange(100.35, shape.z_m.max(), 0.7)
    lines = [
        as_lines([np.vstack([each.points_m, each.points_m[:1]]) if each.closed else each.points_m])
        for each in contours(shape.surface, levels)
    ]
    tree = shapely.STRtree(lines)
    left, right = tree.query(lines, predicate="intersects")
    assert not [(a, b) for a, b in zip(left, right, strict=True) if a < b]
    assert all(line.is_simple for line in lines)


def by_shapely(shape_corners: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distances along a line and heights there: each triangle cut by `shapely`, heights from its plane."""
    line = shapely.LineString(ends)
    cut = shapely.intersection(shapely.polygons(shape_corners[:, :, :2]), line)
    distance, height = [], []
    for corners, piece in zip(shape_corners, cut, strict=True):
        if piece.is_empty or piece.length < 1e-6:
            continue
        (x0, y0, z0), (x1, y1, z1), (x2, y2, z2) = corners
        det = (x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0)
        for x, y in shapely.get_coordinates(piece):
            u = ((x - x0) * (y2 - y0) - (y - y0) * (x2 - x0)) / det
            v = ((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / det
            distance.append(shapely.line_locate_point(line, shapely.Point(x, y)))
            height.append(z0 + u * (z1 - z0) + v * (z2 - z0))
    order = np.argsort(distance)
    return np.array(distance)[order], np.array(height)[order]


LINES = (
    ((-5.0, 31.3), (66.0, 28.9)),
    ((3.1, -4.0), (57.7, 64.0)),
    ((12.0, 12.0), (48.0, 13.0)),
)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("ends", LINES)
def test_sections_are_those_of_shapely(name: str, ends: tuple[tuple[float, float], ...]) -> None:
    surface = gridded(name).surface
    line = np.array(ends)
    (piece,) = section(surface, line).pieces
    along, height = by_shapely(surface.corners_m, line)
    assert piece[0, 0] == pytest.approx(along[0], abs=1e-9)
    assert piece[-1, 0] == pytest.approx(along[-1], abs=1e-9)
    assert np.interp(along, piece[:, 0], piece[:, 3]) == pytest.approx(height, abs=1e-8)
    # And back: no bend of ours that is not on theirs.
    assert np.interp(piece[:, 0], along, height) == pytest.approx(piece[:, 3], abs=1e-6)


def test_sections_of_rough_ground_are_those_of_shapely() -> None:
    surface = zoo.rough_surface(300, seed=11, lift=4.0)
    line = np.array([[2.0, 7.0], [97.0, 88.0]])
    (piece,) = section(surface, line).pieces
    along, height = by_shapely(surface.corners_m, line)
    assert np.interp(along, piece[:, 0], piece[:, 3]) == pytest.approx(height, abs=1e-8)
