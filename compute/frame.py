"""The local frame: shift in plan before any geometry.

At national-grid magnitudes a triangulator may drop points without a word (200,000 points on a 50 m
square at easting 500,000, northing 4,500,000 lost 192,248 of themselves in one general library, none
at a local origin), so every calculation starts here.
"""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal
from typing import Any

import numpy as np
from numpy.typing import NDArray

from compute.errors import NumberNotFinite, TooFewShots
from compute.records import FloatArray, KnownPoint, Origin, Shots, read_only


def local_origin(x_m: FloatArray, y_m: FloatArray) -> Origin:
    """Whole metres just south-west of the shots, kept exact."""
    return Origin(Decimal(math.floor(float(x_m.min()))), Decimal(math.floor(float(y_m.min()))))


def to_local(shots: Shots) -> tuple[Shots, Origin]:
    """The same shots, plan shifted to a whole-metre origin; heights untouched.

    Raises `NumberNotFinite` naming the first such shots, `TooFewShots` for an empty set.
    """
    if len(shots) == 0:
        raise TooFewShots("There is not a single shot to measure.", where="top")
    bad = np.flatnonzero(~np.isfinite(shots.x_m + shots.y_m + shots.z_m))
    if bad.size:
        places = "; ".join(shots.place(int(i)) for i in bad[:5])
        raise NumberNotFinite(f"{bad.size} shots hold a value that is not a number: {places}.", where=places)
    origin = local_origin(shots.x_m, shots.y_m)
    return (
        dataclasses.replace(
            shots,
            x_m=read_only(shots.x_m - float(origin.easting_m)),
            y_m=read_only(shots.y_m - float(origin.northing_m)),
        ),
        origin,
    )


def in_canonical_order(shots: Shots) -> Shots:
    """The shots sorted by easting, northing, height and role, so that no sum can know the order of rows.

    Each keeps its file, line, name and note.
    """
    order = order_by(shots.x_m, shots.y_m, shots.z_m, shots.role)
    return dataclasses.replace(
        shots,
        x_m=read_only(shots.x_m[order]),
        y_m=read_only(shots.y_m[order]),
        z_m=read_only(shots.z_m[order]),
        role=read_only(shots.role[order]),
        code_index=read_only(shots.code_index[order]),
        line=read_only(shots.line[order]),
        file_index=read_only(shots.file_index[order]),
        names=_taken(shots.names, order),
        notes=_taken(shots.notes, order),
    )


def order_by(*keys: NDArray[Any]) -> NDArray[np.int64]:
    """Order by the first key, equal ones by the next, and so on; what is equal in all keeps its order.

    As `np.lexsort` of the keys turned round, in a part of the time where the first key or the order as given
    decides nearly everything.
    """
    first = keys[0]
    order = np.arange(len(first)) if _is_ascending(first) else np.argsort(first, kind="stable")
    sorted_first = first[order]
    tied = np.zeros(len(first) + 1, np.bool_)
    tied[1:-1] = sorted_first[1:] == sorted_first[:-1]
    place = np.flatnonzero(tied[1:] | tied[:-1])
    among = order[place]
    order[place] = among[np.lexsort(tuple(key[among] for key in reversed(keys)))]
    return order


def _is_ascending(values: NDArray[Any]) -> bool:
    return bool((values[1:] >= values[:-1]).all())


def _taken(values: Any, order: NDArray[np.int64]) -> Any:
    if values is None:
        return None
    return values.take(order) if hasattr(values, "take") else [values[int(i)] for i in order]


def ring_to_local(ring_m: FloatArray, origin: Origin) -> FloatArray:
    """(M, 2) easting, northing of the site frame in the local frame."""
    return np.asarray(ring_m, dtype=np.float64) - np.array(
        [float(origin.easting_m), float(origin.northing_m)]
    )


def known_to_local(points: tuple[KnownPoint, ...], origin: Origin) -> tuple[KnownPoint, ...]:
    return tuple(
        dataclasses.replace(
            point,
            northing_m=point.northing_m - float(origin.northing_m),
            easting_m=point.easting_m - float(origin.easting_m),
        )
        for point in points
    )
