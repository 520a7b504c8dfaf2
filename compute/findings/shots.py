"""Findings about single shots: doubles, and codes that nobody knows."""

from __future__ import annotations

from collections import Counter

import numpy as np

from compute.case import LEFT_OUT_INDEX, Case
from compute.findings.said import Entry, counted, indices, listed, places, tells
from compute.near import pairs_within
from compute.quantities import cubic_metres, metres, millimetres
from compute.records import Finding
from compute.roles import ROLE_INDEX

DUPLICATE = Entry("duplicate-shots", "note", "Shots at one place that agree in height.")
CONFLICT = Entry(
    "conflicting-shots", "stop", "Shots at one place whose heights differ; one of them is wrong."
)
MANY_PAIRS, CLOUD_SIGMAS = 30, 6.0
"""Among so many pairs the heights of a cloud scatter; only what is far beyond is a blunder."""

UNKNOWN = Entry("unknown-code", "warn", "Shots whose code no rule of the site knows; they were left out.")


def left_out_as(case: Case, reason: str) -> np.ndarray:
    """Shots left out for one reason of `compute.case.LEFT_OUT`."""
    return np.flatnonzero(case.left_out == LEFT_OUT_INDEX[reason])


def double_tolerance_m(case: Case) -> float:
    """Two shots closer than this in plan are one place; a tenth of the usual spacing on small models."""
    spacing = float(np.sqrt(case.edge.area_m2 / max(1, len(case.top.vertices_m))))
    return min(case.limits.duplicate_plan_m, 0.1 * spacing)


@tells(DUPLICATE, CONFLICT)
def find_doubles(case: Case) -> list[Finding]:
    """Shots at one place: harmless where the heights agree, a blunder where they do not."""
    index = np.flatnonzero(case.in_top & (case.shots.role != ROLE_INDEX["wall"]))
    plan = np.column_stack([case.shots.x_m[index], case.shots.y_m[index]])
    near = pairs_within(plan, double_tolerance_m(case))
    if not len(near):
        return []
    pairs = index[near]
    apart = np.abs(case.shots.z_m[pairs[:, 0]] - case.shots.z_m[pairs[:, 1]])
    across = np.hypot(*(plan[near[:, 0]] - plan[near[:, 1]]).T)
    limit = _height_limit_m(case, apart)
    wrong = apart > limit + across * np.tan(np.radians(case.limits.slope_limit_deg))
    found = []
    if (~wrong).any():
        alike = np.unique(pairs[~wrong])
        found.append(
            Finding(
                code=DUPLICATE.code,
                severity=DUPLICATE.severity,
                message=f"{counted(len(alike), 'shot lies', 'shots lie')} at places shot twice, heights "
                f"agreeing within {metres(limit)}. Kept; shots at exactly one position count with their "
                "mean.",
                where=places(case.shots, alike),
                remedy="Nothing to do.",
                shots=indices(alike),
            )
        )
    if wrong.any():
        found.append(_conflict(case, pairs[wrong], apart[wrong]))
    return found


def _height_limit_m(case: Case, apart: np.ndarray) -> float:
    """The limit for heights, smaller on small models, and never within the spread of a whole cloud of "
    "pairs."""
    limit = case.limits.duplicate_height_m
    limit *= double_tolerance_m(case) / case.limits.duplicate_plan_m
    if len(apart) < MANY_PAIRS:
        return limit
    return max(limit, CLOUD_SIGMAS * 1.4826 * float(np.median(apart)))


def _conflict(case: Case, pairs: np.ndarray, apart: np.ndarray) -> Finding:
    worst = int(np.argmax(apart))
    a, b = (int(i) for i in pairs[worst])
    weight = np.maximum(*np.abs(case.derivative_by_shot[pairs]).T)
    effect = float((weight * apart).sum())
    plan = float(np.hypot(case.shots.x_m[a] - case.shots.x_m[b], case.shots.y_m[a] - case.shots.y_m[b]))
    both = np.unique(pairs)
    return Finding(
        code=CONFLICT.code,
        severity=CONFLICT.severity,
        message=(
            f"{case.shots.place(a)} and {case.shots.place(b)} are {millimetres(plan)} apart in plan and "
            f"{metres(apart[worst])} in height. One is wrong. "
            f"{counted(len(pairs), 'such pair', 'such pairs')} in all; effect at most "
            f"{cubic_metres(effect, '.1f')}. "
            "Both kept."
        ),
        where=places(case.shots, both),
        remedy="Decide by the field book which shot is wrong and give it a code that leaves it out.",
        effect_m3=effect,
        shots=indices(both),
    )


@tells(UNKNOWN)
def find_unknown_codes(case: Case) -> list[Finding]:
    """Codes without a rule: nothing is guessed, so their shots are in no surface."""
    index = left_out_as(case, "unknown_code")
    if not len(index):
        return []
    codes = Counter(case.shots.code(int(i)) for i in index)
    told = [f"{code} ({n})" for code, n in codes.most_common()]
    return [
        Finding(
            code=UNKNOWN.code,
            severity=UNKNOWN.severity,
            message=f"{counted(len(index), 'shot carries a code', 'shots carry codes')} that no rule knows: "
            f"{listed(told)}. Left out of every surface.",
            where=places(case.shots, index),
            remedy="Add a rule for the code to the site (or with --roles), or correct the code.",
            shots=indices(index),
        )
    ]
