"""Findings about the base: how far its choice carries, and what lies under it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from compute.findings.said import Entry, indices, places, tells
from compute.records import Finding
from compute.roles import ROLE_INDEX
from compute.surface import heights_at

if TYPE_CHECKING:
    from compute.case import Case

TOE_ABOVE = Entry("toe-above-base", "warn", "Toe shots stand above an independent base.")
TOE_STEP = Entry(
    "height-step", "stop", "All toe shots are off the base by one step: a wrong height at the set-up."
)
TOE_BELOW = Entry("toe-below-base", "warn", "Toe shots lie below an independent base.")
LEVEL_SLOPE = Entry("level-base-on-slope", "warn", "A level base under a pile whose toe is not level.")
LOWEST = Entry("lowest-toe-base", "warn", "A level through the lowest toe counts ground as material.")
BELOW = Entry("below-base", "warn", "Material lies below the base.")
SENSITIVE = Entry(
    "base-matters", "note", "Another base changes the volume by more than the uncertainty would."
)

STEP_M = 0.10
TOE_GAP_M = 0.30
BELOW_SHARE = 0.001
SENSITIVE_SHARE = 0.03


def _toe_heights_over_base(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Toe shots of the ring and their heights over the base, where it reaches."""
    if case.toe_ring is None:
        return np.empty(0, np.int64), np.empty(0)
    toes = case.toe_ring[case.shots.role[case.toe_ring] == ROLE_INDEX["toe"]]
    xy = np.column_stack([case.shots.x_m[toes], case.shots.y_m[toes]])
    over = case.shots.z_m[toes] - heights_at(case.base.surface, xy)
    known = np.isfinite(over)
    return toes[known], over[known]


@tells(TOE_ABOVE, TOE_STEP, TOE_BELOW)
def find_toe_off_base(case: Case) -> list[Finding]:
    """Toe heights against a base that does not come from them.

    One step for all, with little scatter, is a height error of the set-up; scatter is a toe shot up the
    slope, or a pad that has moved.
    """
    if case.has_own_base:
        return []
    toes, over = _toe_heights_over_base(case)
    if len(over) < 3:
        return []
    low, high = np.quantile(over, (0.1, 0.9))
    # A toe that runs over a slope under a level base is told by its own finding.
    if case.base.kind == "level" and high - low > case.limits.level_base_toe_spread_m:
        return []
    middle = float(np.median(over))
    scatter = 1.4826 * float(np.median(np.abs(over - middle)))
    effect = middle * case.volume.plan_area_m2
    worst = int(toes[np.argmax(np.abs(over))])
    if abs(middle) > max(STEP_M, 4.0 * scatter):
        side = "above" if middle > 0 else "below"
        return [
            Finding(
                code=TOE_STEP.code,
                severity=TOE_STEP.severity,
                message=(
                    f"All {len(over)} toe shots stand {abs(middle):.2f} m {side} the base (scatter "
                    f"{scatter:.2f} m). "
                    "A pole or instrument height was likely entered wrong, or the pad has moved. If it "
                    "is the "
                    f"height, the volume is off by {effect:+,.0f} m³. Measured as shot."
                ),
                where=places(case.shots, toes),
                remedy="Check the field book and exposed-pad shots; send a corrected file or a new base.",
                effect_m3=effect,
                shots=indices(toes),
            )
        ]
    if float(np.abs(over).max()) <= TOE_GAP_M:
        return []
    entry = TOE_ABOVE if float(over[np.argmax(np.abs(over))]) > 0 else TOE_BELOW
    return [
        Finding(
            code=entry.code,
            severity=entry.severity,
            message=(
                f"Toe shots lie up to {np.abs(over).max():.2f} m off the base (median {middle:+.2f} m). "
                "The toe was "
                "shot up the slope or is buried, or the ground has changed. The gap along the edge was "
                "left open."
            ),
            where=case.shots.place(worst),
            remedy="Shoot the toe again there, or check the base.",
            shots=(worst,),
        )
    ]


@tells(LEVEL_SLOPE)
def find_level_base_on_slope(case: Case) -> list[Finding]:
    if case.base.kind != "level" or case.toe_ring is None:
        return []
    toes = case.toe_ring[case.shots.role[case.toe_ring] == ROLE_INDEX["toe"]]
    spread = float(np.ptp(case.shots.z_m[toes])) if len(toes) else 0.0
    if spread <= case.limits.level_base_toe_spread_m:
        return []
    return [
        Finding(
            code=LEVEL_SLOPE.code,
            severity=LEVEL_SLOPE.severity,
            message=(
                f"The base is level, but the toe runs over {spread:.2f} m of height. A level base counts "
                "ground "
                "as material on the high side and loses material on the low side."
            ),
            where="base",
            remedy="Use a surveyed ground or a plane through the toe.",
        )
    ]


@tells(LOWEST)
def find_lowest_toe_base(case: Case) -> list[Finding]:
    if case.base.kind != "lowest-toe":
        return []
    more = case.volume.net_m3 - case.second_volume.net_m3
    return [
        Finding(
            code=LOWEST.code,
            severity=LOWEST.severity,
            message=(
                "The base is a level through the lowest toe shot. All ground above it counts as material: "
                f"{more:+,.0f} m³ against the {case.second_base.kind} base. Right for room on the pad, "
                "hardly ever "
                "for stock."
            ),
            where="base",
            remedy="Use a surveyed ground, or a base through the toe.",
            effect_m3=more,
        )
    ]


@tells(BELOW)
def find_below_base(case: Case) -> list[Finding]:
    volume = case.volume
    if volume.below_m3 <= BELOW_SHARE * max(volume.above_m3, 1e-9) and volume.below_area_m2 <= (
        0.02 * volume.plan_area_m2
    ):
        return []
    if volume.greatest_below_m < 0.03:
        return []
    share = volume.below_m3 / volume.above_m3 if volume.above_m3 > 0 else math.inf
    told = f"{100 * share:.1f} % of the volume above" if math.isfinite(share) else "nothing lies above"
    return [
        Finding(
            code=BELOW.code,
            severity=BELOW.severity,
            message=(
                f"{volume.below_area_m2:,.0f} m² lie below the base by up to {volume.greatest_below_m:.2f} m "
                f"({volume.below_m3:,.1f} m³, {told}). Pad cut, settlement, or a wrong height. Reported "
                "apart."
            ),
            where="base",
            remedy="Compare exposed-pad shots with the base; propose a new base if the pad has changed.",
            effect_m3=-volume.below_m3,
        )
    ]


@tells(SENSITIVE)
def find_base_matters(case: Case) -> list[Finding]:
    apart = case.second_volume.net_m3 - case.volume.net_m3
    if abs(apart) <= SENSITIVE_SHARE * abs(case.volume.net_m3) or case.base.kind == "lowest-toe":
        return []
    return [
        Finding(
            code=SENSITIVE.code,
            severity=SENSITIVE.severity,
            message=(
                f"With the base {case.second_base.label} the volume would be "
                f"{case.second_volume.net_m3:,.0f} m³, "
                f"{apart:+,.0f} m³. The choice of base decides this figure more than the shots do."
            ),
            where="base",
            remedy="Make sure that the base in use is the right one for this pad and date.",
            effect_m3=apart,
        )
    ]
