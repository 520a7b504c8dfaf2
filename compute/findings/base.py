"""Findings about the base: how far its choice carries, and what lies under it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from compute.findings.said import Entry, tells
from compute.quantities import cubic_metres, metres, square_metres
from compute.records import Finding
from compute.roles import ROLE_INDEX

if TYPE_CHECKING:
    from compute.case import Case

LEVEL_SLOPE = Entry("level-base-on-slope", "warn", "A level base under a pile whose toe is not level.")
LOWEST = Entry("lowest-toe-base", "warn", "A level through the lowest toe counts ground as material.")
BELOW = Entry("below-base", "warn", "Material lies below the base.")
SENSITIVE = Entry(
    "base-matters", "note", "Another base changes the volume by more than the uncertainty would."
)

BELOW_SHARE = 0.002
BELOW_M, BELOW_OF_HEIGHT = 0.10, 0.05
"""Noise and rounding of the toe put slivers below any base; only what is deeper than this is told."""

SENSITIVE_SHARE = 0.03


@tells(LEVEL_SLOPE)
def find_level_base_on_slope(case: Case) -> list[Finding]:
    """A fixed level where the toe itself is not level."""
    if case.base.kind != "level" or case.toe_ring is None:
        return []
    toes = case.toe_ring[case.shots.role[case.toe_ring] == ROLE_INDEX["toe"]]
    spread = float(np.ptp(case.shots.z_m[toes])) if len(toes) else 0.0
    if spread <= case.limits.level_base_toe_spread_m:
        return []
    more = case.volume.net_m3 - case.second_net_m3
    return [
        Finding(
            code=LEVEL_SLOPE.code,
            severity=LEVEL_SLOPE.severity,
            message=f"The base is level, but the toe runs over {metres(spread)} of height. A level base "
            "counts "
            "ground as material on the high side and loses material on the low side. With the base "
            f"{case.second_base.label} the volume would differ by {cubic_metres(-more, '+,.0f')}.",
            where="base",
            remedy="Use a surveyed ground, a plane or a surface through the toe.",
            effect_m3=more,
        )
    ]


@tells(LOWEST)
def find_lowest_toe_base(case: Case) -> list[Finding]:
    """Told whenever this base is in use."""
    if case.base.kind != "lowest-toe":
        return []
    more = case.volume.net_m3 - case.second_net_m3
    return [
        Finding(
            code=LOWEST.code,
            severity=LOWEST.severity,
            message=(
                "The base is a level through the lowest toe shot. All ground above it counts as material: "
                f"{cubic_metres(more, '+,.0f')} against the {case.second_base.kind} base. Right for room "
                "on the pad, "
                "hardly ever for stock."
            ),
            where="base",
            remedy="Use a surveyed ground, or a base through the toe.",
            effect_m3=more,
        )
    ]


@tells(BELOW)
def find_below_base(case: Case) -> list[Finding]:
    """Material below the base, where it is more than noise."""
    volume = case.volume
    deep = volume.greatest_below_m > min(BELOW_M, BELOW_OF_HEIGHT * volume.greatest_above_m)
    if not deep or volume.below_m3 <= BELOW_SHARE * volume.above_m3:
        return []
    share = volume.below_m3 / volume.above_m3 if volume.above_m3 > 0 else math.inf
    told = f"{100 * share:.1f} % of the volume above" if math.isfinite(share) else "nothing lies above"
    return [
        Finding(
            code=BELOW.code,
            severity=BELOW.severity,
            message=(
                f"{square_metres(volume.below_area_m2)} lie below the base by up to "
                f"{metres(volume.greatest_below_m)} "
                f"({cubic_metres(volume.below_m3, ',.1f')}, {told}). Pad cut, settlement, or a wrong "
                "height. Reported "
                "apart."
            ),
            where="base",
            remedy="Compare exposed-pad shots with the base; propose a new base if the pad has changed.",
            effect_m3=-volume.below_m3,
        )
    ]


@tells(SENSITIVE)
def find_base_matters(case: Case) -> list[Finding]:
    """The second base, when it tells another volume and no graver finding says why."""
    if find_level_base_on_slope(case):
        return []
    apart = case.second_net_m3 - case.volume.net_m3
    if abs(apart) <= SENSITIVE_SHARE * abs(case.volume.net_m3) or case.base.kind == "lowest-toe":
        return []
    return [
        Finding(
            code=SENSITIVE.code,
            severity=SENSITIVE.severity,
            message=(
                f"With the base {case.second_base.label} the volume would be "
                f"{cubic_metres(case.second_net_m3)}, "
                f"{cubic_metres(apart, '+,.0f')}. The choice of base decides this figure more than the "
                "shots do."
            ),
            where="base",
            remedy="Make sure that the base in use is the right one for this pad and date.",
            effect_m3=apart,
        )
    ]
