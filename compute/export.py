"""A surface and its contours in simple open forms, in the site's own frame, metres.

PLY is the polygon format (ASCII or binary little endian), CSV is text by RFC 4180, GeoJSON is RFC 7946
but for its frame, which the file says itself. Numbers of text files carry a tenth of a millimetre.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from typing import Any

import numpy as np

from compute.contours import Contour
from compute.errors import BadOption
from compute.records import FloatArray, Origin, Shots, Surface

PLY_FORMATS = {"ascii": "ascii 1.0", "binary": "binary_little_endian 1.0"}

GEOJSON_NOTE = (
    "Coordinates are easting, northing in metres of the site's own grid. RFC 7946 wants WGS 84 longitude and "
    "latitude, so this file does not conform to it and must not be laid over a world map as it is."
)


def in_site_frame(xyz_m: FloatArray, origin: Origin) -> FloatArray:
    """(K, 2) or (K, 3) of the local frame with the plan shift put back; heights untouched."""
    site = np.array(xyz_m, dtype=np.float64)
    site[:, 0] += float(origin.easting_m)
    site[:, 1] += float(origin.northing_m)
    return site


def ply(surface: Surface, origin: Origin, form: str = "binary") -> bytes:
    """The triangulation as PLY, faces counter-clockwise seen from above.

    `form` is `ascii` or `binary` (little endian, double precision). `BadOption` for another one.
    """
    if form not in PLY_FORMATS:
        raise BadOption(
            f"There is no PLY form {form!r}.", where="form", remedy=f"Use {' or '.join(PLY_FORMATS)}."
        )
    vertices = in_site_frame(surface.vertices_m, origin)
    head = (
        "ply\n"
        f"format {PLY_FORMATS[form]}\n"
        "comment x easting, y northing, z elevation, metres, the site's own grid\n"
        f"element vertex {len(vertices)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        f"element face {len(surface.triangles)}\n"
        "property list uchar int vertex_indices\n"
        "end_header\n"
    ).encode("ascii")
    if form == "binary":
        faces = np.empty(len(surface.triangles), np.dtype([("count", "u1"), ("corners", "<i4", 3)]))
        faces["count"] = 3
        faces["corners"] = surface.triangles
        return head + vertices.astype("<f8").tobytes() + faces.tobytes()
    body = io.StringIO()
    np.savetxt(body, vertices, fmt="%.4f")
    np.savetxt(body, surface.triangles, fmt="3 %d %d %d")
    return head + body.getvalue().encode("ascii")


def vertices_csv(surface: Surface, origin: Origin, shots: Shots | None = None) -> bytes:
    """Vertices as `point,northing,easting,elevation,code`, which this service reads back as it stands.

    Names and codes come from `shots`, of which `surface.shot_index` must be the index; a derived vertex
    (where two lines cross) has neither.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["point", "northing", "easting", "elevation", "code"])
    site = in_site_frame(surface.vertices_m, origin)
    for (x, y, z), shot in zip(site.tolist(), surface.shot_index.tolist(), strict=True):
        known = shots is not None and shot >= 0
        name, code = (shots.name(shot), shots.code(shot)) if shots is not None and known else ("", "")
        writer.writerow([name, f"{y:.4f}", f"{x:.4f}", f"{z:.4f}", code])
    return out.getvalue().encode("utf-8")


def contours_geojson(lines: Iterable[Contour], origin: Origin) -> bytes:
    """Contours as a FeatureCollection of LineStrings with `height_m` and `closed`; a closed one ends where
    it begins. The member `note` says that the frame is the site's."""
    body: dict[str, Any] = {
        "type": "FeatureCollection",
        "note": GEOJSON_NOTE,
        "features": [_feature(line, origin) for line in lines],
    }
    return json.dumps(body, separators=(",", ":")).encode("utf-8")


def _feature(line: Contour, origin: Origin) -> dict[str, Any]:
    points = in_site_frame(line.points_m, origin).round(4)
    if line.closed:
        points = np.vstack([points, points[:1]])
    return {
        "type": "Feature",
        "properties": {"height_m": line.height_m, "closed": line.closed},
        "geometry": {"type": "LineString", "coordinates": points.tolist()},
    }
