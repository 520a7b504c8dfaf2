"""Base surfaces: what the material lies on.

Each kind is one function that returns a `Base`. A base made of the survey's own shots keeps the weights
by which those shots shape it, so that a height error common to top and base cancels exactly where it
does in the field.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from compute.errors import BaseNotPossible
from compute.records import Edge, FloatArray, IntArray, Surface, read_only
from compute.triangulate import triangulate


@dataclass(frozen=True)
class Base:
    """A base surface.

    kind    : `surface`, `level`, `toe`, `plane` or `lowest-toe`
    weights : (base vertices × shots) sparse: height of each vertex as a sum over the survey's own shots;
              None where the base is independent of them
    label   : words for people
    fit_rms_m : root mean square of the toe heights about a fitted plane or level; 0 elsewhere
    """

    kind: str
    surface: Surface
    weights: csr_matrix | None
    label: str
    fit_rms_m: float = 0.0
    level_m: float | None = None


@dataclass(frozen=True)
class RimPoints:
    """Where the top meets the ground, along the outer edge, counter-clockwise.

    xyz_m   : (R, 3) points on the edge with the top's height
    weights : (R × shots) sparse: each height as a sum over shots (one 1 for a toe shot, three shares on a
              drawn edge)
    """

    xyz_m: FloatArray
    weights: csr_matrix


def surveyed(surface: Surface, label: str) -> Base:
    """A surveyed ground: a pre-pile survey or another survey of the same pile."""
    return Base("surface", surface, None, label)


def level(level_m: float, edge: Edge) -> Base:
    """A fixed level, independent of the shots."""
    return Base(
        "level", _slab(edge, lambda xy: np.full(len(xy), level_m)), None, "fixed level", level_m=level_m
    )


def toe_derived(rim: RimPoints) -> Base:
    """Triangles drawn through the toe: exact for any ground that is flat between the toe shots."""
    ring = np.arange(len(rim.xyz_m), dtype=np.int32)
    surface = triangulate(rim.xyz_m, ring=ring)
    return Base("toe", surface, rim.weights[surface.shot_index], "drawn through the toe")


def fitted_plane(rim: RimPoints, edge: Edge) -> Base:
    """Least-squares plane through the toe heights; it damps a single bad toe shot."""
    xy, z = rim.xyz_m[:, :2], rim.xyz_m[:, 2]
    n = len(z)
    middle = np.array([math.fsum(xy[:, 0]) / n, math.fsum(xy[:, 1]) / n])
    u = xy - middle
    sxx, sxy, syy = (math.fsum(u[:, i] * u[:, j]) for i, j in ((0, 0), (0, 1), (1, 1)))
    det = sxx * syy - sxy * sxy
    if n < 3 or det <= 1e-9 * (sxx + syy) ** 2 / 4:
        raise BaseNotPossible(
            f"{n} toe shots on one line hold no plane.", where="base", remedy=BaseNotPossible.remedy
        )
    east = (syy * u[:, 0] - sxy * u[:, 1]) / det
    north = (sxx * u[:, 1] - sxy * u[:, 0]) / det

    def by_toe(at: FloatArray) -> FloatArray:
        d = at - middle
        return 1.0 / n + d[:, :1] * east[None, :] + d[:, 1:] * north[None, :]

    z0 = math.fsum(z) / n
    slope_e, slope_n = math.fsum(east * z), math.fsum(north * z)

    def height(at: FloatArray) -> FloatArray:
        d = at - middle
        return np.asarray(z0 + d[:, 0] * slope_e + d[:, 1] * slope_n)

    surface = _slab(edge, height)
    weights = csr_matrix(by_toe(surface.vertices_m[:, :2])) @ rim.weights
    rms = math.sqrt(math.fsum((z - height(xy)) ** 2) / n)
    return Base("plane", surface, weights.tocsr(), "plane fitted through the toe", fit_rms_m=rms)


def lowest_toe(rim: RimPoints, edge: Edge) -> Base:
    """A level through the lowest toe shot: it counts every hollow above it as material."""
    order = np.lexsort((rim.xyz_m[:, 1], rim.xyz_m[:, 0], rim.xyz_m[:, 2]))
    lowest = int(order[0])
    z = rim.xyz_m[:, 2]
    surface = _slab(edge, lambda xy: np.full(len(xy), z[lowest]))
    pick = coo_matrix(
        (np.ones(len(surface.vertices_m)), (np.arange(len(surface.vertices_m)), np.full(4, lowest))),
        shape=(len(surface.vertices_m), len(z)),
    ).tocsr()
    rms = math.sqrt(math.fsum((z - math.fsum(z) / len(z)) ** 2) / len(z))
    return Base(
        "lowest-toe",
        surface,
        (pick @ rim.weights).tocsr(),
        "level of the lowest toe shot",
        fit_rms_m=rms,
        level_m=float(z[lowest]),
    )


def _slab(edge: Edge, height) -> Surface:  # type: ignore[no-untyped-def]
    """Two triangles that reach past the edge on every side, at `height(xy)`."""
    low, high = edge.ring_m.min(axis=0), edge.ring_m.max(axis=0)
    # Any margin would do; a generous one keeps the edge off the slab's own rim.
    margin = 1.0 + 0.1 * float(max(high - low))
    corners = np.array(
        [
            [low[0] - margin, low[1] - margin],
            [low[0] - margin, high[1] + margin],
            [high[0] + margin, low[1] - margin],
            [high[0] + margin, high[1] + margin],
        ]
    )
    triangles: IntArray = np.array([[0, 2, 3], [0, 3, 1]], dtype=np.int32)
    return Surface(
        vertices_m=read_only(np.column_stack([corners, height(corners)])),
        triangles=read_only(triangles),
        shot_index=read_only(np.full(4, -1, np.int32)),
        lines=read_only(np.empty((0, 2), np.int32)),
    )
