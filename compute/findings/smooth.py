"""A calmer surface for questions about slopes, where shots are denser than their noise is small."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
import shapely

from compute.findings.mesh import inner_edges
from compute.findings.spikes import scatter_of
from compute.records import Surface
from compute.triangulate import triangulate

if TYPE_CHECKING:
    from compute.case import Case

ROUGH = 0.1
"""Where neighbours scatter by more than this part of their distance, single triangles tell no slope."""

CELL_SCATTERS = 20.0
FEWEST_CELLS = 100

_CALM: WeakKeyDictionary[Surface, Surface] = WeakKeyDictionary()


def calm_surface(case: Case) -> Surface:
    """The surface to judge slopes by: the top itself, or one through the means of cells inside the edge."""
    found = _CALM.get(case.top)
    if found is None:
        found = _calmed(case)
        if found is not case.top:
            _CALM[case.top] = found
    return found


def _calmed(case: Case) -> Surface:
    scatter = scatter_of(case.top)
    if scatter <= ROUGH * inner_edges(case.top).usual_m:
        return case.top
    points = case.top.vertices_m
    cell = np.floor((points[:, :2] - points[:, :2].min(axis=0)) / (CELL_SCATTERS * scatter)).astype(np.int64)
    _, group = np.unique(cell[:, 0] * (cell[:, 1].max() + 1) + cell[:, 1], return_inverse=True)
    number = np.bincount(group)
    if len(number) < FEWEST_CELLS:
        return case.top
    means = triangulate(
        np.column_stack([np.bincount(group, weights=points[:, k]) / number for k in range(3)])
    )
    middle = means.corners_m[:, :, :2].mean(axis=1)
    inside = shapely.contains_xy(shapely.polygons(case.edge.ring_m), middle[:, 0], middle[:, 1])
    if not inside.any():
        return case.top
    no_shot = np.full(len(means.vertices_m), -1, np.int32)
    return replace(means, triangles=means.triangles[inside], shot_index=no_shot)
