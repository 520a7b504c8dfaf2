"""A finished case as plain data: what programs read, what pages show, what the digest is made of."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from compute import ALGORITHM
from compute.bases import Base
from compute.case import LEFT_OUT, Case
from compute.digest import digest, ring_hash, shots_hash, surface_hash
from compute.leave_out import LeaveOut
from compute.profile import Silhouette
from compute.records import Finding, SourceFile, Surface
from compute.sections import CrossCheck
from compute.surface import cut_to, edge_soup, facets, facets_of, indexed
from compute.uncertainty import Budget
from compute.volume import exact_sum

if TYPE_CHECKING:
    from compute.measure import MeasureRequest


def record_of(
    case: Case,
    request: MeasureRequest,
    check: CrossCheck,
    left: LeaveOut,
    doubt: Budget,
    findings: tuple[Finding, ...],
    inputs: dict[str, Any],
    silhouette: Silhouette,
) -> dict[str, Any]:
    """The measurement as `manage.py measure --json` prints it. All figures in metres, m², m³ and tonnes."""
    figures = _figures(case, check, left, doubt)
    content = {
        "algorithm": ALGORITHM,
        "inputs": inputs,
        "figures": figures,
        "findings": sorted([finding.code, finding.severity] for finding in findings),
    }
    return {
        **figures,
        "findings": [finding.as_dict() for finding in findings],
        "silhouette": _silhouette(silhouette),
        "inputs": [dataclasses.asdict(file) for file in _files(request)],
        "algorithm": ALGORITHM,
        "digest": digest(content),
    }


def _silhouette(drawn: Silhouette) -> dict[str, Any]:
    """Top and base of the longest section as [distance, height], metres, to the millimetre.

    Kept in the record, so that a list of piles can draw the yard without opening a geometry.
    """
    return {
        "top_m": [[round(x, 3), round(z, 3)] for x, z in drawn.top_m.tolist()],
        "base_m": [[round(x, 3), round(z, 3)] for x, z in drawn.base_m.tolist()],
    }


def _figures(case: Case, check: CrossCheck, left: LeaveOut, doubt: Budget) -> dict[str, Any]:
    volume = case.volume
    tonnes = None if case.density is None else volume.net_m3 * case.density.t_per_m3
    return {
        "above_base_m3": volume.above_m3,
        "below_base_m3": volume.below_m3,
        "net_m3": volume.net_m3,
        "plan_area_m2": volume.plan_area_m2,
        "tonnes": tonnes,
        "uncertainty": doubt.as_dict(),
        "second_base": {
            "kind": case.second_base.kind,
            "net_m3": case.second_net_m3,
            "difference_m3": case.second_net_m3 - volume.net_m3,
        },
        "cross_check": check.as_dict(),
        "leave_out": left.as_dict(),
        "base": _base(case.base),
        "edge": {
            "kind": case.edge.kind,
            "area_m2": case.edge.area_m2,
            "perimeter_m": case.edge.perimeter_m,
            "gap_mean_m": math.fsum(case.gap_m) / len(case.gap_m) if len(case.gap_m) else 0.0,
            "gap_largest_m": float(np.abs(case.gap_m).max()) if len(case.gap_m) else 0.0,
        },
        "shots": _shots(case),
        **_shape(case),
        **_walls(case),
    }


def _walls(case: Case) -> dict[str, Any]:
    """Nothing for a pile by itself, so that its record is what it was before there were walls and lines."""
    walls = {"walls": [wall.as_dict() for wall in case.walls]} if case.walls else {}
    return walls | ({"partition": case.split_facts.as_dict()} if case.split_facts is not None else {})


def _base(base: Base) -> dict[str, Any]:
    return {
        "kind": base.kind,
        "label": base.label,
        "level_m": base.level_m,
        "fit_rms_m": base.fit_rms_m,
    }


def _shots(case: Case) -> dict[str, Any]:
    left = np.bincount(case.left_out, minlength=len(LEFT_OUT))
    in_base = 0
    if case.base.weights is not None:
        in_base = len(np.unique(case.base.weights.indices[case.base.weights.data != 0.0]))
    elif case.base.kind == "surface":
        in_base = int((case.base.surface.shot_index >= 0).sum())
    return {
        "read": len(case.shots),
        "in_top": int(left[0]),
        "in_base": in_base,
        "left_out": {name: int(n) for name, n in zip(LEFT_OUT[1:], left[1:], strict=True) if n},
    }


def _shape(case: Case) -> dict[str, Any]:
    """Surface area and heights of the top inside the edge."""
    if case.edge.kind == "drawn" or case.edge.shot_index.min() < 0:
        soup, _ = cut_to(case.top, indexed(edge_soup(case.edge)))
        slant, z = facets(soup).slant_m2, soup[:, :, 2]
    else:
        slant, z = facets_of(case.top).slant_m2, case.top.vertices_m[:, 2][case.top.triangles]
    return {
        "surface_area_m2": exact_sum(slant),
        "highest_m": float(z.max()),
        "lowest_m": float(z.min()),
        "mean_height_m": case.volume.net_m3 / case.volume.plan_area_m2,
        "greatest_height_m": case.volume.greatest_above_m,
        "greatest_depth_m": case.volume.greatest_below_m,
    }


def _files(request: MeasureRequest) -> tuple[SourceFile, ...]:
    ground = () if request.base.shots is None else request.base.shots.files
    return (*request.top.files, *ground)


def canonical_inputs(case: Case, request: MeasureRequest, ground: Surface | None) -> dict[str, Any]:
    """Everything that can change a figure, without names or the order of rows."""
    return {
        "top": shots_hash(request.top),
        "top_surface": surface_hash(case.top),
        "base": {"kind": request.base.kind, "level_m": request.base.level_m},
        "ground": None if ground is None else surface_hash(ground),
        "edge": ring_hash(case.edge.ring_m),
        "origin": [str(case.origin.easting_m), str(case.origin.northing_m)],
        "density": None
        if case.density is None
        else [case.density.t_per_m3, case.density.standard_uncertainty_t_per_m3],
        "model": dataclasses.asdict(case.model),
        "limits": dataclasses.asdict(case.limits),
        "control": sorted([p.name, p.northing_m, p.easting_m, p.elevation_m] for p in case.control),
        "split": request.split,
        **({"walls": [wall.as_input() for wall in request.walls]} if request.walls else {}),
        **({"partition": request.partition.as_input()} if request.partition is not None else {}),
    }


def geometry_of(case: Case) -> dict[str, np.ndarray]:
    """Arrays for drawings and exports, local frame; `origin` is [easting, northing] of its zero.

    top_vertices (V, 3), top_triangles (T, 3), top_lines (L, 2), base_vertices, base_triangles, edge (M, 2),
    shots (N, 3), role (N,), left_out (N,), shot_line (N,)
    """
    return {
        "origin": np.array([float(case.origin.easting_m), float(case.origin.northing_m)]),
        "top_vertices": case.top.vertices_m,
        "top_triangles": case.top.triangles,
        "top_lines": case.top.lines,
        "base_vertices": case.base.surface.vertices_m,
        "base_triangles": case.base.surface.triangles,
        "edge": case.edge.ring_m,
        "shots": np.column_stack([case.shots.x_m, case.shots.y_m, case.shots.z_m]),
        "role": case.shots.role,
        "left_out": case.left_out,
        "shot_line": case.shots.line,
    }
