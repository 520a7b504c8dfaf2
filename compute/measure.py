"""The way of one measurement, short enough to read aloud."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from compute.bases import Base
from compute.building import (
    BaseChoice,
    Built,
    build_ground,
    build_top,
    hull_within,
    lay_base,
    lay_second_base,
    leave_out,
    marks_in_file,
    rim_points,
)
from compute.case import Case, lies_under_all
from compute.findings import find_all, in_order
from compute.findings.surface import cross_check_differs
from compute.frame import in_canonical_order, known_to_local, ring_to_local, to_local
from compute.leave_out import LeaveOut
from compute.leave_out import leave_out as drop_every_fifth
from compute.partition import Partition, SplitFacts, facts_of, split
from compute.profile import silhouette_of
from compute.record import canonical_inputs, geometry_of, record_of
from compute.records import (
    Density,
    Edge,
    Finding,
    FindingLimits,
    FloatArray,
    KnownPoint,
    Origin,
    Shots,
    Surface,
    UncertaintyModel,
    Volume,
)
from compute.sections import cross_check
from compute.surface import heights_at, index_of
from compute.threads import together
from compute.uncertainty import budget, model_for
from compute.volume import derivative_by_vertex, exact_sum, volume_between, volume_under
from compute.wall_closing import WallFacts, close_at_walls
from compute.walls import Contacts, Wall, put_on_walls

Progress = Callable[[str, float], None]


COVERED_SHARE = 1e-9
"""Areas that differ by less are the same area: rounding."""


@dataclass(frozen=True)
class MeasureRequest:
    """What to measure: one pile on one date, site frame, metres.

    top            : the survey's shots with roles
    base           : which base to lay
    edge           : (M, 2) drawn outer edge, easting, northing; None for the toe ring
    outline        : (K, 2) where the pile is expected; with `split`, shots outside it belong to others
    other_outlines : outlines of the neighbours on that date, by pile code
    also           : findings that come with the shots, such as those of the field book they are from
    walls          : walls that the material lies against; without any, nothing is moved or closed
    partition      : the agreed line to a pile that this one lies against; the shots are those of both
    """

    top: Shots
    base: BaseChoice
    edge: FloatArray | None = None
    outline: FloatArray | None = None
    split: bool = False
    other_outlines: Mapping[str, FloatArray] = field(default_factory=dict)
    control: tuple[KnownPoint, ...] = ()
    density: Density | None = None
    model: UncertaintyModel = field(default_factory=lambda: model_for("total-station"))
    limits: FindingLimits = field(default_factory=FindingLimits)
    declared_unit: str = "metre"
    also: Callable[[Case], tuple[Finding, ...]] = lambda case: ()
    walls: tuple[Wall, ...] = ()
    partition: Partition | None = None


@dataclass(frozen=True)
class Measurement:
    """A finished measurement.

    record   : plain data for people and programs, as `manage.py measure --json` prints it
    geometry : arrays for drawings and exports
    """

    record: dict[str, Any]
    geometry: dict[str, np.ndarray]
    case: Case


def measure(request: MeasureRequest, progress: Progress = lambda stage, share: None) -> Measurement:
    """Measure one pile. Raises a subclass of `compute.errors.Refused`; never a partial result."""
    progress("surfaces", 0.1)
    request = dataclasses.replace(request, top=in_canonical_order(request.top))
    case, ground, thinned = _case(request)
    progress("checks", 0.5)
    found, check, left, inputs, silhouette = together(
        lambda: find_all(case),
        lambda: cross_check(case),
        lambda: drop_every_fifth(thinned),
        lambda: canonical_inputs(case, request, ground),
        lambda: silhouette_of(case),
    )
    progress("uncertainty", 0.8)
    doubt = budget(case, left)
    progress("findings", 0.9)
    findings = in_order((*found, *cross_check_differs(check, case), *request.also(case)))
    record = record_of(case, request, check, left, doubt, findings, inputs, silhouette)
    progress("done", 1.0)
    return Measurement(record, geometry_of(case), case)


def _case(request: MeasureRequest) -> tuple[Case, Surface | None, Case]:
    """Surfaces, edge and volumes; the surveyed ground; and the case as it is thinned."""
    shots, origin = to_local(request.top)
    control = (*known_to_local(request.control, origin), *marks_in_file(shots))
    outline = None if request.outline is None else ring_to_local(request.outline, origin)
    others = {name: ring_to_local(ring, origin) for name, ring in request.other_outlines.items()}
    drawn = None if request.edge is None else ring_to_local(request.edge, origin)
    left = leave_out(shots, control, request.limits, outline if request.split else None, others)
    contacts: Contacts | None = None
    if request.walls:
        shots, left, contacts = put_on_walls(shots, left, request.walls, origin, request.limits)
    built, ground = together(
        lambda: build_top(shots, left, drawn, request.limits),
        lambda: _ground(request, control, origin),
    )
    edge = built.edge if ground is None or built.edge.kind != "hull" else hull_within(built, ground)
    built = dataclasses.replace(built, edge=edge)
    walls: tuple[WallFacts, ...] = ()
    seen = built
    if contacts is None:
        rim = rim_points(built)
        base = lay_base(request.base, built, rim, ground)
        second = lay_second_base(request.base, built, rim)
    else:
        closed = close_at_walls(request.base, built, contacts, ground)
        built, base, second, walls = closed.built, closed.base, closed.second, closed.facts
    if request.partition is not None:
        built, seen = (split(each, request.partition, origin) for each in (built, seen))
    edge = built.edge
    # A toe ring or a whole hull is the rim of the top itself; only another edge has to cut it.
    cut = None if edge.kind == "toe" or (edge.kind == "hull" and edge.shot_index.min() >= 0) else edge
    volume = volume_between(built.top, base.surface, edge=cut)
    under_top = derivative_by_vertex(built.top, cut)
    case = Case(
        shots=shots,
        left_out=built.left_out,
        vertex_of_shot=built.vertex_of_shot,
        origin=origin,
        edge=edge,
        top=built.top,
        base=base,
        second_base=second,
        volume=volume,
        second_net_m3=_second_net_m3(built, under_top, second, volume, cut),
        toe_ring=built.ring,
        lines=built.lines,
        derivative_by_shot=_derivative(built, under_top, base),
        control=control,
        outline=outline,
        other_outlines=others,
        limits=request.limits,
        model=request.model,
        density=request.density,
        gap_m=_gap_along_edge(built, base, edge),
        declared_unit=request.declared_unit,
        split=request.split,
        early_findings=built.findings,
        walls=walls,
        off_wall=() if contacts is None else contacts.off,
        split_facts=_split_facts(request, built, base, origin),
    )
    return case, ground, case if contacts is None else _as_shot(case, seen)


def _split_facts(request: MeasureRequest, built: Built, base: Base, origin: Origin) -> SplitFacts | None:
    if request.partition is None:
        return None
    return facts_of(request.partition, built.top, base.surface, built.edge, origin)


def _as_shot(case: Case, seen: Built) -> Case:
    """The case for thinning: the top as shot, without faces over it, and a base that stays as it is, because
    one laid anew from fewer shots would not know the foot of the walls."""
    return dataclasses.replace(
        case,
        top=seen.top,
        edge=seen.edge,
        base=dataclasses.replace(case.base, weights=None),
        volume=case.volume
        if seen.top is case.top
        else volume_between(seen.top, case.base.surface, edge=None if seen.edge.kind == "toe" else seen.edge),
    )


def _ground(request: MeasureRequest, control: tuple[KnownPoint, ...], origin: Origin) -> Surface | None:
    """The surveyed ground in the frame of the top."""
    shots = request.base.shots
    if shots is None:
        return None
    shifted = dataclasses.replace(
        shots, x_m=shots.x_m - float(origin.easting_m), y_m=shots.y_m - float(origin.northing_m)
    )
    ground = build_ground(shifted, control, request.limits)
    index_of(ground)
    return ground


def _second_net_m3(
    built: Built, under_top: FloatArray, second: Base, volume: Volume, cut: Edge | None
) -> float:
    """Net volume over the second base.

    Where the whole edge is covered, it is what lies under the top less what lies under the base, and no
    triangles have to be laid over each other once more.
    """
    inside = None if lies_under_all(second, built.edge) else built.edge
    under_base = derivative_by_vertex(second.surface, inside)
    if abs(exact_sum(under_base) - volume.plan_area_m2) > COVERED_SHARE * volume.plan_area_m2:
        return volume_between(built.top, second.surface, edge=cut).net_m3
    zero_m = float(built.top.vertices_m[:, 2].min())
    return volume_under(built.top, under_top, zero_m) - volume_under(second.surface, under_base, zero_m)


def _derivative(built: Built, by_vertex: FloatArray, base: Base) -> FloatArray:
    """(N,) m²: exact change of the net volume for 1 m of each shot's height, through top and base."""
    used = np.flatnonzero(built.vertex_of_shot >= 0)
    count = np.bincount(built.vertex_of_shot[used], minlength=len(by_vertex))
    by_shot = np.zeros(len(built.shots))
    vertex = built.vertex_of_shot[used]
    by_shot[used] = by_vertex[vertex] / count[vertex]
    if base.weights is not None:
        inside = None if lies_under_all(base, built.edge) else built.edge
        by_shot -= base.weights.T @ derivative_by_vertex(base.surface, inside)
    return by_shot


def _gap_along_edge(built: Built, base: Base, edge: Edge) -> FloatArray:
    """Top minus base at the corners of the edge and at even steps between, where both reach."""
    after = np.roll(edge.ring_m, -1, axis=0)
    xy = np.vstack([edge.ring_m + (after - edge.ring_m) * share for share in (0.0, 0.25, 0.5, 0.75)])
    gap = heights_at(built.top, xy) - heights_at(base.surface, xy)
    return np.asarray(gap[np.isfinite(gap)])


__all__ = ["Finding", "LeaveOut", "MeasureRequest", "Measurement", "measure"]
