"""What limits ask of a measured surface: its steepest face and where its outer edge runs.

The steepest single triangle of a surface is an accident of shots that stand close together; a face is what
a limit means. So the steepest slope is the one that at least `FACE_M2` of the surface hold or pass, by
area of the surface and not of the plan, in which an upright face has none.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely

from compute.surface import facets
from surveys import computing
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.models import Measurement, State, SurfaceFacts

FACE_M2 = 4.0
"""Common practice, no source: a face that one person could stand below."""

WANTED = (State.COMPUTED, State.REVIEWED, State.APPROVED)


def steepest_face_deg(
    vertices_m: np.ndarray, triangles: np.ndarray, ring_m: np.ndarray, face_m2: float = FACE_M2
) -> float | None:
    """Slope from level, degrees, that `face_m2` of the surface inside the ring hold or pass.

    vertices_m (V, 3), triangles (T, 3), ring_m (M, 2), one frame. A triangle counts as inside by its
    middle. None where less than `face_m2` of surface lies inside.
    """
    middles = vertices_m[triangles].mean(axis=1)
    inside = shapely.contains_xy(shapely.Polygon(ring_m), middles[:, 0], middles[:, 1])
    found = facets(np.ascontiguousarray(vertices_m[triangles[inside]]))
    surface_m2 = found.area_m2 / np.cos(np.radians(found.slope_deg))
    order = np.argsort(-found.slope_deg, kind="stable")
    reached = np.flatnonzero(np.cumsum(surface_m2[order]) >= face_m2 * (1.0 - 1e-9))
    return float(found.slope_deg[order[reached[0]]]) if len(reached) else None


def look_at(measurement: Measurement) -> SurfaceFacts | None:
    """The facts of one measurement, kept; None where it has no geometry or the store has lost it."""
    try:
        arrays = computing.geometry_of(measurement) if measurement.geometry_path else None
    except (EvidenceMissing, EvidenceDamaged):
        return None
    if arrays is None:
        return None
    steepest = steepest_face_deg(arrays["top_vertices"], arrays["top_triangles"], arrays["edge"])
    edge = np.round(arrays["edge"] + arrays["origin"], 3).tolist()
    facts, _ = SurfaceFacts.objects.update_or_create(
        measurement=measurement, defaults={"steepest_deg": steepest, "face_m2": FACE_M2, "edge": edge}
    )
    return facts


def fill(measurements: Iterable[int] | None = None, at_most: int = 200) -> int:
    """Work out what is missing, of the `measurements` named or of all that count. Returns how many."""
    rows = Measurement.objects.filter(state__in=WANTED, surface_facts__isnull=True).exclude(geometry_path="")
    if measurements is not None:
        rows = rows.filter(pk__in=measurements)
    found = rows.select_related("survey__site").defer("request", "record").order_by("-surveyed_on", "pk")
    return sum(look_at(row) is not None for row in found[:at_most])
