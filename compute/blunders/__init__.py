"""Blunders that leave a volume looking right: a wrong pole or instrument height at one set-up, a tilted
set-up, an instrument among the shots. Set-ups are compared as surfaces where they overlap, and with the
exposed pad.

Nothing here changes a shot or a figure: it says what does not fit, what would close it, and what it is worth.
A pole changed within a set-up and not noted at all, and a blunder common to all set-ups where the base comes
from the same shots, cannot be seen this way.
"""

from __future__ import annotations

from compute.blunders.explain import explain
from compute.blunders.records import BlunderReport, SetupHeights, SetupShots
from compute.blunders.said import (
    ALL,
    INSTRUMENT,
    STEP,
    TILT,
    TURNED,
    instrument_findings,
    step_finding,
    tilt_findings,
    turned_findings,
)
from compute.blunders.strips import compare_all, compare_pads, groups_of
from compute.case import Case
from compute.errors import BadOption

CATALOGUE = (STEP, ALL, TURNED, TILT, INSTRUMENT)
GRAVITY = {"stop": 0, "warn": 1, "note": 2}


def find_blunders(case: Case, of: SetupShots) -> BlunderReport:
    """Compare the set-ups of a measured case. `of` follows `case.shots` (canonical order).

    A case of one set-up without exposed pad has nothing to compare: the report is empty then.
    """
    if len(of.setup) != len(case.shots) or len(of.target_height_m) != len(case.shots):
        raise BadOption(
            f"{len(of.setup)} set-ups were named for {len(case.shots)} shots.", where="set-ups",
            remedy="Name the set-up of each shot of the case, in its order.",
        )  # fmt: skip
    groups = groups_of(case.shots, of)
    strips = compare_all(case.shots, groups)
    pads = compare_pads(case, groups)
    steps = explain(groups, strips, pads, case.derivative_by_shot)
    findings = [
        *(step_finding(step, strips, pads, case) for step in steps),
        *turned_findings(strips),
        *tilt_findings(strips, of, case),
        *instrument_findings(of, case),
    ]
    findings.sort(key=lambda f: (GRAVITY[f.severity], f.code, f.where))
    return BlunderReport(strips, pads, steps, tuple(findings))


__all__ = ["CATALOGUE", "BlunderReport", "SetupHeights", "SetupShots", "find_blunders"]
