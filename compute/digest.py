"""One hash for one result: canonical inputs, parameters, algorithm and figures.

The order of rows in a file, the name of the file and the number of threads do not enter it; every
coordinate, every parameter and every printed figure does. Numbers are written by RFC 8785.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import rfc8785

from compute.frame import order_by
from compute.records import FloatArray, Shots, Surface


def shots_hash(shots: Shots) -> str:
    """SHA-256 of the shots sorted by position and role: (easting, northing, elevation, role) as "
    "little-endian doubles."""
    order = order_by(shots.x_m, shots.y_m, shots.z_m, shots.role)
    table = np.column_stack([column[order] for column in (shots.x_m, shots.y_m, shots.z_m, shots.role)])
    return hashlib.sha256(np.ascontiguousarray(table, dtype="<f8").data).hexdigest()


def surface_hash(surface: Surface) -> str:
    """SHA-256 of vertices and triangles."""
    body = hashlib.sha256(np.ascontiguousarray(surface.vertices_m, dtype="<f8").data)
    body.update(np.ascontiguousarray(surface.triangles, dtype="<i4").data)
    return body.hexdigest()


def ring_hash(ring_m: FloatArray) -> str:
    return hashlib.sha256(np.ascontiguousarray(ring_m, dtype="<f8").data).hexdigest()


def digest(content: dict[str, Any]) -> str:
    """SHA-256 of the canonical JSON of `content`."""
    return hashlib.sha256(rfc8785.dumps(content)).hexdigest()
