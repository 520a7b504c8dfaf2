"""A drawn outer edge: one GeoJSON polygon in the site's own easting, northing.

The text of GeoJSON is RFC 7946's; its coordinates are not. That standard knows longitude and
latitude only, and a site's local metres are outside it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from compute.errors import BadEdge, BadOption
from compute.pointfiles.values import TOO_LARGE
from compute.records import FloatArray, read_only
from compute.units import LENGTH_IN_M


def read_edge(data: bytes, name: str, unit: str = "metre") -> FloatArray:
    """The ring of one polygon, metres.

    data : GeoJSON text (UTF-8): a Polygon, a Feature, or a FeatureCollection of exactly one Polygon;
           coordinates easting, northing in `unit`; a third number (height) is not used
    Returns (M, 2) float64: easting, northing, counter-clockwise, first corner not repeated, no two
    corners in a row alike.

    Raises BadEdge with the place: no GeoJSON, not exactly one polygon, holes, a ring that is not
    closed, is too short or crosses itself, a coordinate that is no finite number.
    """
    if unit not in LENGTH_IN_M:
        raise BadOption(
            f'The unit "{unit}" is not known.', where="unit", remedy=f"Use one of: {', '.join(LENGTH_IN_M)}."
        )
    rings = _polygon_of(_parsed(data, name), name)
    if len(rings) > 1:
        raise _bad(
            name,
            f"the polygon has {len(rings) - 1} hole(s); an outer edge has none.",
            "ring 2",
            "Take the hole out. Where material must not count, measure the parts apart.",
        )
    ring = _corners(rings[0], name)
    _check_shape(ring, name)
    if _doubled_area(ring) < 0:
        ring = ring[::-1]
    metres = ring if unit == "metre" else ring * float(LENGTH_IN_M[unit])
    return read_only(np.ascontiguousarray(metres))


def _bad(name: str, what: str, where: str = "", remedy: str | None = None) -> BadEdge:
    place = f"{name}, {where}" if where else name
    return BadEdge(f"{place}: {what} No edge was taken from it.", where=place, remedy=remedy)


def _parsed(data: bytes, name: str) -> Any:
    try:
        return json.loads(data.decode("utf-8-sig"), parse_int=float)
    except json.JSONDecodeError as fault:
        where = f"line {fault.lineno}, column {fault.colno}"
        raise _bad(name, f"this is not JSON ({fault.msg}).", where) from fault
    except UnicodeDecodeError as fault:
        raise _bad(name, "this is not UTF-8 text.", f"byte {fault.start}") from fault
    except RecursionError as fault:
        raise _bad(name, "the JSON is nested too deeply for a polygon.") from fault


def _polygon_of(body: Any, name: str) -> list[Any]:
    """The rings of the one polygon in a GeoJSON object."""
    kind = body.get("type") if isinstance(body, dict) else None
    if kind == "FeatureCollection":
        features = body.get("features")
        if not isinstance(features, list) or len(features) != 1:
            found = len(features) if isinstance(features, list) else "no list of"
            raise _bad(name, f"the collection holds {found} features; exactly one is needed.", "features")
        body = features[0]
        kind = body.get("type") if isinstance(body, dict) else None
    if kind == "Feature":
        body = body.get("geometry")
        kind = body.get("type") if isinstance(body, dict) else None
    if kind != "Polygon":
        raise _bad(name, f"found {_shown(kind)} where a Polygon is needed.", "type")
    rings = body.get("coordinates")
    if not isinstance(rings, list) or not rings or not all(isinstance(ring, list) for ring in rings):
        raise _bad(name, "the polygon has no ring of coordinates.", "coordinates")
    return rings


def _shown(value: Any) -> str:
    return f'"{str(value)[:40]}"' if value is not None else "nothing"


def _corners(positions: Sequence[Any], name: str) -> FloatArray:
    """The closed ring without its repeated last corner and without corners repeated in a row."""
    corners = [_position(position, index, name) for index, position in enumerate(positions, start=1)]
    if len(corners) < 4:
        raise _bad(name, f"the ring has {len(corners)} position(s); a closed ring has four or more.")
    if corners[0] != corners[-1]:
        raise _bad(
            name,
            f"the ring is not closed: it begins at {_place(corners[0])} and ends at {_place(corners[-1])}.",
            f"corner {len(corners)}",
            "Repeat the first position at the end.",
        )
    kept = [corner for corner, following in pairwise(corners) if corner != following]
    if len(set(kept)) < 3:
        raise _bad(name, f"the ring has {len(set(kept))} different corner(s); three or more are needed.")
    return np.array(kept, dtype=np.float64)


def _position(position: Any, index: int, name: str) -> tuple[float, float]:
    where = f"corner {index}"
    if not isinstance(position, list) or len(position) not in (2, 3):
        raise _bad(name, f"{_shown(position)} is not a pair easting, northing.", where)
    for value in position[:2]:
        if not isinstance(value, float):
            raise _bad(name, f"{_shown(value)} is not a number.", where)
        if not abs(value) < TOO_LARGE:
            what = "too large for a coordinate" if math.isfinite(value) else "not a finite number"
            raise _bad(name, f"{_shown(value)} is {what}.", where)
    return float(position[0]), float(position[1])


def _place(corner: Sequence[float]) -> str:
    return f"easting {corner[0]:.3f}, northing {corner[1]:.3f}"


def _check_shape(ring: FloatArray, name: str) -> None:
    """Refuse a ring that crosses or touches itself, or encloses nothing, with the place."""
    if _doubled_area(ring) == 0 and np.linalg.matrix_rank(ring - ring[0]) < 2:
        raise _bad(name, "all corners lie on one line.")
    reason = shapely.is_valid_reason(shapely.Polygon(ring))
    if reason == "Valid Geometry":
        return
    place = reason[reason.find("[") + 1 : reason.find("]")].split()
    where = f"at {_place([float(part) for part in place])}" if len(place) == 2 else ""
    raise _bad(name, "the ring crosses or touches itself.", where)


def _doubled_area(ring: FloatArray) -> float:
    """Twice the signed area, unit², counter-clockwise positive; taken about the first corner."""
    x, y = (ring - ring[0]).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y))
