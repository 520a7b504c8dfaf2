"""Steps, tilts and instruments among the shots, in words a surveyor can act on."""

from __future__ import annotations

import math

import numpy as np

from compute.blunders.explain import LEAST_M, SIGMAS
from compute.blunders.records import PadCheck, SetupHeights, SetupShots, Step, StripCheck
from compute.blunders.strips import SHIFT_PAIRS, SHIFT_SIGMAS
from compute.case import Case
from compute.findings.said import Entry, counted, indices, listed, places
from compute.quantities import cubic_metres, metres, millimetres
from compute.records import Finding
from compute.traverse.angles import SECONDS, azimuth_between

STEP = Entry("setup-height-step", "stop", "One set-up's heights stand off the others' by a step.")
ALL = Entry("survey-height-step", "stop", "All set-ups stand off the exposed pad by one step.")
TILT = Entry("setup-tilt", "warn", "Two set-ups differ by a tilt: index error or back-sight.")
TURNED = Entry("setup-turned", "stop", "A set-up that lies beside its neighbours: orientation.")
INSTRUMENT = Entry("instrument-shot", "warn", "A shot over a station, at the recorded instrument height.")

STOP_M = 0.10
"""Smaller steps are told as a warning. Common practice, no source."""
TILT_SIGMAS = 5.0
TILT_RISE_M = 0.05
"""A tilt has to be five standard errors and five centimetres over its strip."""
SHIFT_M = 0.08
"""Less than this moves no volume that matters. Common practice, no source."""
ALONG_DEG = 45.0
INSTRUMENT_PLAN_M, INSTRUMENT_HEIGHT_M = 0.05, 0.03


def step_finding(
    step: Step, strips: tuple[StripCheck, ...], pads: tuple[PadCheck, ...], case: Case
) -> Finding:
    """As an office says it: what stands off what, by how much, what would close it, and what it is worth."""
    everywhere = len(step.groups) > 1
    entry = ALL if everywhere else STEP
    who = "All set-ups" if everywhere else step.groups[0].capitalize()
    side = "above" if step.step_m > 0 else "below"
    names = set(step.groups)
    seen = (
        [] if everywhere else [_strip_words(s, step.groups[0]) for s in strips if names & {s.first, s.second}]
    )
    seen += [
        f"{metres(p.step_m, '+.3f')} to the exposed pad ({p.count} shots, spread {millimetres(p.spread_m)})"
        for p in pads
        if p.group in names
    ]
    rivals = (
        f" The same would show if {listed(step.rivals)} stood {metres(abs(step.step_m), '.3f')} "
        f"{'below' if step.step_m > 0 else 'above'}: a third set-up or exposed-pad shots would tell."
        if step.rivals
        else ""
    )
    pad_moved = " Or the pad has moved since the base was surveyed." if everywhere else ""
    return Finding(
        code=entry.code,
        severity="stop" if abs(step.step_m) >= STOP_M else "warn",
        message=f"{who} ({counted(len(step.shots), 'shot', 'shots')}): heights are "
        f"{metres(abs(step.step_m), '.3f')} (± {metres(2 * step.standard_error_m, '.3f')}) too "
        f"{'high' if side == 'above' else 'low'}: "
        f"{'; '.join(seen)}.{rivals} {_fit_words(step)}{pad_moved} {_effect_words(step, case)} Shots "
        "unchanged.",
        where=f"{listed(step.groups)}: {places(case.shots, step.shots)}",
        remedy="Check pole and instrument heights in the field book; enter a correction of the set-up "
        "with its reason, which makes a new version.",
        effect_m3=step.effect_m3,
        shots=step.shots,
    )


def _strip_words(strip: StripCheck, group: str) -> str:
    other = strip.first if strip.second == group else strip.second
    over = strip.step_m if strip.second == group else -strip.step_m
    return (
        f"{metres(over, '+.3f')} to {other} along the shared strip ({strip.pairs} pairs, spread "
        f"{millimetres(strip.spread_m)})"
    )


def _fit_words(step: Step) -> str:
    recorded = next((f.recorded_m for f in step.fits if f.recorded_m is not None), None)
    if not step.fits:
        return (
            "No common pole length closes the step: look at the instrument height, and at the index error of "
            "sights in one face."
        )
    start = "" if recorded is None else f"Recorded pole {metres(recorded, '.3f')}; "
    if len({f.recorded_m for f in step.fits}) > 1:
        start = ""
    return f"{start}{'; or '.join(f.words for f in step.fits[:3])}."


def _effect_words(step: Step, case: Case) -> str:
    words = f"Effect on the net volume {cubic_metres(step.effect_m3, '+,.0f')}"
    if case.density is not None:
        words += f", {step.effect_m3 * case.density.t_per_m3:+,.0f} t"
    if case.has_own_base:
        words += " (part of it cancels, since the base comes from the same shots)"
    return words + "."


def tilt_findings(strips: tuple[StripCheck, ...], of: SetupShots, case: Case) -> list[Finding]:
    """Strips whose difference is a slope: along the sight from a set-up its index error, across it the
    back-sight."""
    found = []
    for strip in strips:
        rise = strip.tilt_m_per_m * strip.extent_m
        if strip.tilt_significance < TILT_SIGMAS or rise < TILT_RISE_M:
            continue
        seconds = math.degrees(math.atan(strip.tilt_m_per_m)) * SECONDS
        setups = [s for s in of.setups if _is_of(s, strip.first) or _is_of(s, strip.second)]
        along = [s for s in setups if _off_sight(s, strip, case) <= ALONG_DEG]
        if along:
            names = listed([f"set-up {s.name}" for s in along])
            why = (
                f"It rises along the sight from {names}: a zenith index error of about {seconds:.0f}″ there, "
            )
            why += "read in one face, would look so."
        else:
            why = "It rises across the sights: a wrong back-sight or orientation would look so on a slope."
        found.append(
            Finding(
                code=TILT.code,
                severity=TILT.severity,
                message=f"{strip.second.capitalize()} is tilted against {strip.first}: the difference rises "
                f"{1000 * strip.tilt_m_per_m:.1f} mm a metre towards {strip.tilt_azimuth_deg:.0f}°, "
                f"{metres(rise)} "
                f"over the shared strip ({strip.pairs} pairs). {why}",
                where=f"{strip.first}, {strip.second}",
                remedy="Compare the closing sights to the back-sight in direction and in height; read both "
                "faces again.",
                shots=strip.shots,
            )
        )
    return found


def turned_findings(strips: tuple[StripCheck, ...]) -> list[Finding]:
    """Set-ups that lie beside their neighbours: slopes show it, level places do not. A wrong back-sight or
    orientation turns a set-up about its station; a wrong station shifts it."""
    off = [s for s in strips if s.shift_significance >= SHIFT_SIGMAS and math.hypot(*s.shift_m) >= SHIFT_M]
    names = [name for s in off for name in (s.first, s.second)]
    # A set-up that fits another neighbour is less likely the one that lies wrong.
    fitting = [n for s in strips if _fits(s) for n in (s.first, s.second)]
    found = []
    while off:
        who = max(names, key=lambda name: (names.count(name), -fitting.count(name), name))
        mine = [s for s in off if who in (s.first, s.second)]
        off = [s for s in off if s not in mine]
        names = [name for s in off for name in (s.first, s.second)]
        others = [s.first if s.second == who else s.second for s in mine]
        alone = f" Or {others[0]} lies wrong: a third set-up would tell." if len(mine) == 1 else ""
        found.append(_turned(who, mine, alone))
    return found


def _fits(strip: StripCheck) -> bool:
    return (
        strip.pairs >= SHIFT_PAIRS and strip.shift_significance < SIGMAS / 2 and abs(strip.step_m) < LEAST_M
    )


def _turned(who: str, strips: list[StripCheck], alone: str) -> Finding:
    words = []
    for s in strips:
        sign = 1.0 if s.second == who else -1.0
        other = s.first if s.second == who else s.second
        towards = azimuth_between(sign * s.shift_m[1], sign * s.shift_m[0])
        words.append(
            f"{metres(math.hypot(*s.shift_m))} towards {towards:.0f}° beside {other} ({s.pairs} pairs)"
        )
    return Finding(
        code=TURNED.code,
        severity=TURNED.severity,
        message=f"{who.capitalize()} lies {'; '.join(words)}. Level places agree, slopes do not: no pole "
        f"height "
        f"does that, but a wrong back-sight, orientation or station does.{alone}",
        where=who,
        remedy="Compare the names of station and back-sight, its distance and the closing sight with the "
        "book; enter a correction of the set-up with its reason.",
        shots=tuple(i for s in strips for i in s.shots),
    )


def _is_of(setup: SetupHeights, group: str) -> bool:
    return group == f"set-up {setup.name}" or group.startswith(f"set-up {setup.name},")


def _off_sight(setup: SetupHeights, strip: StripCheck, case: Case) -> float:
    """Angle between the tilt and the sight from a set-up to the middle of the strip, 0 to 90°."""
    north = strip.middle_m[1] - (setup.northing_m - float(case.origin.northing_m))
    east = strip.middle_m[0] - (setup.easting_m - float(case.origin.easting_m))
    apart = abs((azimuth_between(north, east) - strip.tilt_azimuth_deg + 90.0) % 180.0 - 90.0)
    return float(apart)


def instrument_findings(of: SetupShots, case: Case) -> list[Finding]:
    """Shots right over a station, at the instrument height that a set-up on it recorded."""
    found = []
    for setup in of.setups:
        if setup.instrument_height_m is None or setup.elevation_m is None:
            continue
        away = np.hypot(
            case.shots.x_m - (setup.easting_m - float(case.origin.easting_m)),
            case.shots.y_m - (setup.northing_m - float(case.origin.northing_m)),
        )
        over = case.shots.z_m - setup.elevation_m
        hit = np.flatnonzero(
            (away <= INSTRUMENT_PLAN_M)
            & (np.abs(over - setup.instrument_height_m) <= INSTRUMENT_HEIGHT_M)
            & case.in_top
        )
        if not len(hit):
            continue
        effect = math.fsum(case.derivative_by_shot[hit]) * setup.instrument_height_m
        found.append(
            Finding(
                code=INSTRUMENT.code,
                severity=INSTRUMENT.severity,
                message=f"{places(case.shots, hit)} is {metres(float(over[hit[0]]), '.3f')} above "
                f"{setup.station}; "
                f"set-up {setup.name} recorded instrument height "
                f"{metres(setup.instrument_height_m, '.3f')}. It is "
                "the instrument, not the pile. In the surface it adds about "
                f"{cubic_metres(effect, '+,.1f')}.",
                where=places(case.shots, hit),
                remedy="Reject the shot with this reason, or give it the control code.",
                effect_m3=effect,
                shots=indices(hit),
            )
        )
    return found
