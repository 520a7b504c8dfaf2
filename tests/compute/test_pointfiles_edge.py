"""A drawn outer edge: what is taken, and what is refused with its place."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from compute.errors import BadEdge, BadOption
from compute.pointfiles.edge import read_edge

SQUARE = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
"""RFC 7946, appendix A.3, "no holes" (read as a quotation of that appendix)."""
HOLE = [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]
"""RFC 7946, appendix A.3, "with holes", second ring (read as a quotation of that appendix)."""


def polygon(*rings) -> dict:
    return {"type": "Polygon", "coordinates": list(rings)}


def edge(body, unit="metre"):
    return read_edge(json.dumps(body).encode(), "edge.geojson", unit)


@pytest.mark.parametrize(
    "body",
    [
        polygon(SQUARE),
        {"type": "Feature", "properties": {"pile": "DRV-03"}, "geometry": polygon(SQUARE)},
        {"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": polygon(SQUARE)}]},
        polygon([[*corner, 55.5] for corner in SQUARE]),
        polygon([SQUARE[0], *SQUARE]),
    ],
)
def test_one_polygon_in_each_wrapping(body):
    ring = edge(body)
    assert ring.tolist() == SQUARE[:-1]
    assert ring.dtype == np.float64
    assert not ring.flags.writeable


def test_a_clockwise_ring_is_turned():
    ring = edge(polygon(SQUARE[::-1]))
    assert shapely.LinearRing(ring).is_ccw
    assert sorted(ring.tolist()) == sorted(SQUARE[:-1])


def test_feet_become_metres():
    assert edge(polygon([[0, 0], [10, 0], [10, 10], [0, 0]]), "foot").tolist() == [
        [0.0, 0.0],
        [3.048, 0.0],
        [3.048, 3.048],
    ]


def test_far_from_the_origin_nothing_is_lost():
    ring = [
        [450000.125, 5400000.25],
        [450010.5, 5400000.25],
        [450010.5, 5400009.75],
        [450000.125, 5400000.25],
    ]
    assert edge(polygon(ring)).tolist() == ring[:-1]


BOW_TIE = [[0, 0], [2, 2], [2, 0], [0, 2], [0, 0]]
TOUCHING = [[0, 0], [4, 0], [4, 4], [2, 0], [0, 4], [0, 0]]
NO_GEOJSON = {"type": "Feature", "geometry": None}


@pytest.mark.parametrize(
    ("body", "words", "where"),
    [
        (polygon(SQUARE, HOLE), "has 1 hole", "ring 2"),
        (polygon(SQUARE[:-1]), "not closed", "corner 4"),
        (polygon(BOW_TIE), "crosses or touches itself", "easting 1.000, northing 1.000"),
        (polygon(TOUCHING), "crosses or touches itself", "easting 2.000, northing 0.000"),
        (polygon([[0, 0], [1, 1], [2, 2], [0, 0]]), "on one line", ""),
        (polygon([[0, 0], [1, 1], [0, 0], [0, 0]]), "2 different corner", ""),
        (polygon([[0, 0], [1, 1], [0, 0]]), "four or more", ""),
        (polygon([[0, 0], [float("nan"), 1], [0, 1], [0, 0]]), "not a finite number", "corner 2"),
        (polygon([[0, 0], [float("-inf"), 1], [0, 1], [0, 0]]), "not a finite number", "corner 2"),
        (polygon([[0, 0], [10**400, 1], [0, 1], [0, 0]]), "not a finite number", "corner 2"),
        (polygon([[0, 0], [1e9, 1], [0, 1], [0, 0]]), "too large", "corner 2"),
        (polygon([[0, 0], ["1", 1], [0, 1], [0, 0]]), "is not a number", "corner 2"),
        (polygon([[0, 0], [True, 1], [0, 1], [0, 0]]), "is not a number", "corner 2"),
        (polygon([[0, 0], [1], [0, 1], [0, 0]]), "not a pair", "corner 2"),
        (polygon(), "no ring", "coordinates"),
        ({"type": "Polygon"}, "no ring", "coordinates"),
        ({"type": "MultiPolygon", "coordinates": [[SQUARE]]}, '"MultiPolygon" where a Polygon', "type"),
        (NO_GEOJSON, "nothing where a Polygon", "type"),
        ([], "nothing where a Polygon", "type"),
        ({"type": "FeatureCollection", "features": [NO_GEOJSON, NO_GEOJSON]}, "2 features", "features"),
        ({"type": "FeatureCollection", "features": None}, "no list of features", "features"),
    ],
)
def test_what_spoils_an_edge_is_named_with_its_place(body, words, where):
    with pytest.raises(BadEdge) as refusal:
        edge(body)
    assert words in refusal.value.message
    assert where in refusal.value.where
    assert refusal.value.where.startswith("edge.geojson")
    assert refusal.value.remedy


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b'{"type": "Polygon",\n oops}', "line 2"),
        (b"", "line 1"),
        (b"\xff", "not UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
    ],
)
def test_what_is_no_geojson_is_said(data, words):
    with pytest.raises(BadEdge, match=words):
        read_edge(data, "edge.geojson", "metre")


def test_an_unknown_unit_is_refused():
    with pytest.raises(BadOption, match="fathom"):
        edge(polygon(SQUARE), "fathom")


@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=3, max_size=7),
    st.booleans(),
)
def test_a_ring_is_taken_exactly_when_shapely_finds_it_simple(corners, backwards):
    """Shapely, an independent general library, decides which rings cross or touch themselves."""
    corners = [
        corner for corner, before in zip(corners, corners[-1:] + corners, strict=False) if corner != before
    ]
    if len(corners) < 3:
        return
    ring = [*corners, corners[0]][:: -1 if backwards else 1]
    body = polygon([list(corner) for corner in ring])
    if shapely.is_valid(shapely.Polygon(ring)) and shapely.Polygon(ring).area > 0:
        taken = edge(body)
        assert shapely.Polygon(taken).equals(shapely.Polygon(ring))
        assert shapely.LinearRing(taken).is_ccw
    else:
        with pytest.raises(BadEdge):
            edge(body)
