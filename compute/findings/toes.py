"""Findings about heights at the toe: against an independent base, and against exposed pad around the pile."""

from __future__ import annotations

import numpy as np

from compute.case import Case
from compute.findings.said import Entry, counted, indices, places, tells
from compute.quantities import cubic_metres, metres
from compute.records import Finding, IntArray, Surface
from compute.roles import ROLE_INDEX
from compute.surface import heights_at

TOE_ABOVE = Entry("toe-above-base", "warn", "Toe shots stand above an independent base.")
TOE_BELOW = Entry("toe-below-base", "warn", "Toe shots lie below an independent base.")
TOE_STEP = Entry("height-step", "stop", "All toe shots are off the base by one step.")
PAD_OFF = Entry("pad-off-base", "warn", "Exposed-pad shots do not lie on the base.")
TOE_OVER_PAD = Entry("toe-over-pad", "warn", "The toe stands above the exposed pad: shot up the slope.")

STEP_M = 0.10
ALONE_M = 0.30
SCATTERS = 4.0
FEWEST = 3


def _robust(over: np.ndarray) -> tuple[float, float]:
    """Median and robust spread."""
    middle = float(np.median(over))
    return middle, 1.4826 * float(np.median(np.abs(over - middle)))


def _over(case: Case, index: IntArray, surface: Surface) -> tuple[IntArray, np.ndarray]:
    """Those of the shots that a surface reaches, and their heights over it."""
    over = case.shots.z_m[index] - heights_at(
        surface, np.column_stack([case.shots.x_m[index], case.shots.y_m[index]])
    )
    known = np.isfinite(over)
    return index[known], over[known]


def _toes(case: Case) -> IntArray:
    if case.toe_ring is None:
        return np.empty(0, np.int32)
    return case.toe_ring[case.shots.role[case.toe_ring] == ROLE_INDEX["toe"]]


def _pad(case: Case) -> IntArray:
    return np.flatnonzero(case.shots.role == ROLE_INDEX["floor"]).astype(np.int32)


def _is_step(middle: float, scatter: float, count: int) -> bool:
    return count >= FEWEST and abs(middle) > max(STEP_M, SCATTERS * scatter)


@tells(TOE_ABOVE, TOE_STEP, TOE_BELOW)
def find_toe_off_base(case: Case) -> list[Finding]:
    """Toe heights against a base that does not come from them.

    One step for all, with little scatter, is a height error of the set-up, unless the exposed pad fits the
    base: then the whole toe was shot up the slope. Single ones off are toe shots up the slope.
    """
    if case.has_own_base:
        return []
    toes, over = _over(case, _toes(case), case.base.surface)
    if len(over) < FEWEST:
        return []
    low, high = np.quantile(over, (0.1, 0.9))
    # A toe that runs over a slope under a level base is told by its own finding.
    if case.base.kind == "level" and high - low > case.limits.level_base_toe_spread_m:
        return []
    middle, scatter = _robust(over)
    if _is_step(middle, scatter, len(over)):
        return [_step(case, toes, middle, scatter)]
    worst = int(np.argmax(np.abs(over)))
    if abs(over[worst]) <= ALONE_M:
        return []
    return [_some_off(case, toes, over, worst)]


def _step(case: Case, toes: IntArray, middle: float, scatter: float) -> Finding:
    side = "above" if middle > 0 else "below"
    effect = middle * case.volume.plan_area_m2
    _, pad = _over(case, _pad(case), case.base.surface)
    words = f"All {len(toes)} toe shots stand {metres(abs(middle))} {side} the base (scatter "
    f"{metres(scatter)})"
    if len(pad) >= FEWEST and abs(float(np.median(pad))) < 0.5 * abs(middle):
        return Finding(
            code=TOE_ABOVE.code if middle > 0 else TOE_BELOW.code,
            severity=TOE_ABOVE.severity,
            message=f"{words}, but {len(pad)} exposed-pad shots lie "
            f"{metres(float(np.median(pad)), '+.2f')} from "
            "it, so the heights are right: the toe was shot up the slope or is buried. The strip below it "
            "was not counted.",
            where=places(case.shots, toes),
            remedy="Shoot the toe where the material meets the pad.",
            shots=indices(toes),
        )
    agrees = f"; {len(pad)} exposed-pad shots show the same step" if len(pad) >= FEWEST else ""
    return Finding(
        code=TOE_STEP.code,
        severity=TOE_STEP.severity,
        message=f"{words}{agrees}. A pole or instrument height was entered wrong, the whole toe was shot "
        "up the slope, or the pad has moved since the base was surveyed. If it is a height, the volume is "
        f"off by {cubic_metres(effect, '+,.0f')}. Measured as shot.",
        where=places(case.shots, toes),
        remedy="Check the heights in the field book and the exposed pad; send a corrected file or a new "
        "base.",
        effect_m3=effect,
        shots=indices(toes),
    )


def _some_off(case: Case, toes: IntArray, over: np.ndarray, worst: int) -> Finding:
    entry = TOE_ABOVE if over[worst] > 0 else TOE_BELOW
    off = np.flatnonzero(np.abs(over) > ALONE_M)
    off = off[np.argsort(-np.abs(over[off]), kind="stable")]
    cause = (
        "shot up the slope, or the pad has been filled" if over[worst] > 0 else "in a rut, or the pad was cut"
    )
    return Finding(
        code=entry.code,
        severity=entry.severity,
        message=f"{counted(len(off), 'toe shot lies', 'toe shots lie')} more than {metres(ALONE_M)} off the "
        f"base, the worst {metres(over[worst], '+.2f')} (mean of all "
        f"{metres(float(over.mean()), '+.2f')}). The toe there is "
        f"{cause}. The gap along the edge was left open.",
        where=places(case.shots, toes[off]),
        remedy="Shoot the toe again there, or check the base.",
        shots=indices(toes[off]),
    )


@tells(PAD_OFF)
def find_pad_off_base(case: Case) -> list[Finding]:
    """Exposed-pad shots against a base that is not from this survey."""
    if case.has_own_base:
        return []
    pad, over = _over(case, _pad(case), case.base.surface)
    if len(over) < FEWEST:
        return []
    middle, scatter = _robust(over)
    if not _is_step(middle, scatter, len(over)):
        return []
    effect = middle * case.volume.plan_area_m2
    side = "above" if middle > 0 else "below"
    return [
        Finding(
            code=PAD_OFF.code,
            severity=PAD_OFF.severity,
            message=f"{len(over)} exposed-pad shots lie {metres(abs(middle))} {side} the base (scatter "
            f"{metres(scatter)}). The pad has risen, settled or been regraded, or a height was entered "
            f"wrong. Over the whole footprint that is {cubic_metres(effect, '+,.0f')}. The base was not "
            "changed.",
            where=places(case.shots, pad),
            remedy="Check the heights in the field book; if the pad has changed, propose a new base.",
            effect_m3=effect,
            shots=indices(pad),
        )
    ]


@tells(TOE_OVER_PAD)
def find_toe_over_pad(case: Case) -> list[Finding]:
    """A base through the toe against exposed pad around it: whether the toe itself was shot too high."""
    plane = next((base for base in (case.base, case.second_base) if base.kind == "plane"), None)
    if plane is None or not case.has_own_base or case.toe_ring is None:
        return []
    pad, over = _over(case, _pad(case), plane.surface)
    if len(over) < FEWEST:
        return []
    middle, scatter = _robust(over)
    if middle > -STEP_M or not _is_step(middle, scatter, len(over)):
        return []
    lost = middle * case.volume.plan_area_m2
    return [
        Finding(
            code=TOE_OVER_PAD.code,
            severity=TOE_OVER_PAD.severity,
            message=f"The plane through the toe passes {metres(-middle)} above {len(over)} exposed-pad shots "
            f"(scatter {metres(scatter)}): the toe was shot up the slope or is buried, and the base goes "
            f"through it. Over the footprint about {cubic_metres(-lost)} are missing. Measured as shot.",
            where=places(case.shots, pad),
            remedy="Shoot the toe where the material meets the pad, or use a surveyed ground as the base.",
            effect_m3=lost,
            shots=indices(pad),
        )
    ]
