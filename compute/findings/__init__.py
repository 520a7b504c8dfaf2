"""What a last look at a measurement should settle: each finding is one small function of the case.

`stop` stops the approval until somebody accepts it with a reason; nothing here stops a calculation.
"""

from __future__ import annotations

from collections.abc import Iterable

from compute.case import Case
from compute.findings import base, control, edge, place, shots, surface, toes, tops, walls
from compute.findings.said import Entry, Finder
from compute.findings.spikes import find_spikes
from compute.records import Finding

FINDERS: tuple[Finder, ...] = (
    find_spikes,
    control.find_control_in_surface,
    control.find_over_mark,
    control.find_control_off,
    shots.find_doubles,
    shots.find_unknown_codes,
    edge.find_hull_edge,
    edge.find_few_toes,
    edge.find_toe_gaps,
    edge.find_outside_edge,
    edge.find_in_other_pile,
    edge.find_uncovered,
    edge.find_open_edge,
    surface.find_long_edges,
    tops.find_flat_triangles,
    tops.find_missing_crest,
    surface.find_steep_slopes,
    toes.find_toe_off_base,
    toes.find_pad_off_base,
    toes.find_toe_over_pad,
    base.find_level_base_on_slope,
    base.find_lowest_toe_base,
    base.find_below_base,
    base.find_base_matters,
    place.find_wrong_place,
    place.find_swapped_control,
    place.find_plan_unit,
    place.find_height_unit,
    walls.find_over_wall,
    walls.find_off_wall,
    walls.find_hidden_at_wall,
)

GRAVITY = {"stop": 0, "warn": 1, "note": 2}

_WHILE_BUILDING = (surface.CROSSED, surface.JOINED, surface.CHECK)


def find_all(case: Case) -> tuple[Finding, ...]:
    """All findings of a case and those of its building, the gravest first, then by code and place."""
    return in_order((*case.early_findings, *(finding for finder in FINDERS for finding in finder(case))))


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The gravest first, then by code and place."""
    return tuple(sorted(findings, key=lambda f: (GRAVITY[f.severity], f.code, f.where, f.message)))


def catalogue() -> tuple[Entry, ...]:
    """Every finding that can be told, by code."""
    entries = {*_WHILE_BUILDING, *(entry for finder in FINDERS for entry in finder.entries)}  # type: ignore[attr-defined]
    return tuple(sorted(entries, key=lambda entry: (entry.code, GRAVITY[entry.severity])))
