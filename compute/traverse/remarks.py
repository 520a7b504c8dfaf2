"""What a traverse has to say about itself, as findings."""

from __future__ import annotations

import numpy as np

from compute.records import Finding
from compute.traverse.adjust import Precision, least_squares
from compute.traverse.angles import format_dms
from compute.traverse.blame import (
    LARGE_SECONDS,
    angle_that_closes,
    course_along_misclosure,
    longest_course,
    suspects,
)
from compute.traverse.book import Sight
from compute.traverse.closure import Closure, Limits, Run, beyond
from compute.traverse.corrections import SetupCorrection
from compute.traverse.edm import EARTH_RADIUS_M, Reducing
from compute.traverse.least_squares import Adjusted

LARGE = 3.29
"""Standardised residuals beyond this happen once in a thousand by chance (two-sided normal)."""
SMALL_M = 0.005
WHAT_TO_DO = "Compare the reading with the book and measure it again; or accept the misclosure with a reason."


def stops(
    run: Run, limits: Limits, unit_m: float, precision: Precision, of_book: tuple[Finding, ...] = ()
) -> list[Finding]:
    """One finding for each misclosure beyond its limit, naming the station or course most likely wrong.

    `of_book`: a course whose heights disagree between its two ends is the one that heights blame.
    """
    over = beyond(run.closure, limits)
    found = []
    if "angular" in over or "linear" in over:
        kind = "angular" if "angular" in over else "linear"
        found.append(_plan_stop(run, kind, limits, unit_m, precision))
    if "height" in over:
        closure = run.closure
        both_ways = [f.where for f in of_book if f.code == "height-both-ways"]
        course = both_ways[0] if both_ways else f"course {longest_course(run)}"
        why = (
            f"The two heights of {course} disagree."
            if both_ways
            else f"One run of heights cannot tell its courses apart; {course} is the longest."
        )
        found.append(
            Finding(
                "misclosure-height",
                "stop",
                f"Heights do not close by {closure.height:+.4f}; {closure.height_allowed:.4f} is accepted. "
                f"Nothing was adjusted. {why}",
                course,
                "Compare target and instrument heights with the book, beginning there; measure them again.",
            )
        )
    return found


def _plan_stop(run: Run, kind: str, limits: Limits, unit_m: float, precision: Precision) -> Finding:
    closure = run.closure
    if (
        kind == "angular"
        and abs(closure.angular_seconds or 0.0) > LARGE_SECONDS
        and closure.linear is not None
    ):
        place = angle_that_closes(run, limits, unit_m)
        return Finding(
            "misclosure-angular",
            "stop",
            f"{_said(closure, kind, limits)} Nothing was adjusted. Most likely wrong: the angle at {place}; "
            "with it corrected alone the courses close best.",
            place,
            WHAT_TO_DO,
        )
    kinds = ("angle",) if kind == "angular" else ("distance",) if closure.angles else ()
    likely = suspects(run, unit_m, precision, kinds)
    first = likely[0]
    others = ", ".join(dict.fromkeys(s.place for s in likely[1:] if s.place != first.place))
    said = _said(closure, kind, limits)
    along = course_along_misclosure(run)
    beside = f" The misclosure lies {along[1]:.1f}° from course {along[0]}." if along else ""
    also = f" As likely: {others}." if others else ""
    return Finding(
        f"misclosure-{kind}",
        "stop",
        f"{said} Nothing was adjusted. Most likely wrong: the {first.kind} at {first.place} (standardised "
        f"residual {first.standardised:.1f}).{also}{beside if kind == 'linear' else ''}",
        first.place,
        WHAT_TO_DO,
    )


def _said(closure: Closure, kind: str, limits: Limits) -> str:
    if kind == "angular":
        return (
            f"The angles do not close by {closure.angular_seconds:+.1f}″; "
            f"{closure.angular_allowed_seconds:.1f}″ is accepted for {closure.angles} angles."
        )
    return (
        f"The courses do not close by {closure.linear:.4f}, 1 : {closure.ratio:,.0f}; "
        f"1 : {limits.smallest_ratio:,.0f} is accepted."
    )


def accepted(run: Run, limits: Limits, reason: str) -> Finding:
    what = " and ".join(beyond(run.closure, limits))
    return Finding(
        "misclosure-accepted",
        "warn",
        f"The {what} misclosure is beyond its limit and was adjusted all the same. Reason: {reason}",
        "closure",
        "Keep the reason with the record.",
    )


def about_closure(run: Run, unit_m: float) -> list[Finding]:
    closure, names = run.closure, run.traverse.stations
    found = []
    if closure.kind == "open":
        found.append(
            Finding(
                "open-leg",
                "warn",
                "The traverse ends on a station that is not known: it is an open leg. Nothing checks it, "
                "nothing was adjusted.",
                f"{names[0]}–{names[-1]}" if len(names) > 1 else f"station {names[0]}",
                "Close it on the first station or on another known one.",
            )
        )
    if closure.sum_kind:
        total = float(run.traverse.angle_deg[:-1].sum())
        count = closure.angles
        right = 180 * (count - 2 if closure.sum_kind == "interior" else count + 2)
        found.append(
            Finding(
                "angular-sum",
                "note",
                f"The {count} {closure.sum_kind} angles sum to {format_dms(total, 1)}; {right}° is right.",
                "closure",
            )
        )
    if closure.linear is not None and closure.linear * unit_m < SMALL_M:
        found.append(
            Finding(
                "misclosure-small",
                "note",
                f"The linear misclosure is {closure.linear * unit_m * 1000:.1f} mm: a ratio to so small a "
                "length is mostly rounding.",
                "closure",
            )
        )
    return found


def about_marks() -> Finding:
    return Finding(
        "heights-between-marks",
        "note",
        "The book has no instrument and no target heights: its height differences count from mark to mark.",
        "reduction",
        "If they are from the instrument's axis to the target, write both heights.",
    )


def about_reduction(reducing: Reducing, sights: tuple[Sight, ...]) -> Finding:
    """Every constant that went into the reduction."""
    used = {reducing.edm_of(s.setup, s.prism_constant, s.ppm) for s in sights if s.slope_distance is not None}
    constants = sorted({e.prism_constant for e in used})
    scales = sorted({e.ppm for e in used})
    added = (
        f"Added to slope distances: prism constant {_each(constants, '.4f')}, "
        f"scale {_each(scales, '.1f')} ppm."
        if used
        else "The book has no slope distances: no prism constant and no scale was added."
    )
    return Finding(
        "curvature-and-refraction",
        "note",
        f"Curvature and refraction are applied to zenith angles: k = {reducing.refraction_k:g}, "
        f"R = {EARTH_RADIUS_M / 1000:.0f} km. {added}",
        "reduction",
    )


def _each(values: list[float], form: str) -> str:
    return " and ".join(f"{value:+{form}}" if value else "0" for value in values)


def about_corrections(corrections: tuple[SetupCorrection, ...]) -> list[Finding]:
    """Corrections that were laid over the observations, by name; the observations are unchanged."""
    found = []
    for c in corrections:
        shots = f" from {c.first_shot or 'the first'} to {c.last_shot or 'the last'} sight"
        which = shots if c.first_shot or c.last_shot else ""
        found.append(
            Finding(
                "setup-corrected",
                "note",
                f"Set-up {c.setup}: {c.field.replace('_', ' ')} {c.value}{which}. Reason: {c.reason} The "
                "observations are unchanged.",
                f"set-up {c.setup}",
            )
        )
    return found


def beside_least_squares(
    run: Run, rule: str, at: np.ndarray, adjusted: Adjusted | None, unit_m: float, precision: Precision
) -> list[Finding]:
    """Least squares: its test and its largest residual. Another rule: how far it is from least squares."""
    if rule == "none" or run.closure.linear is None:
        return []
    if adjusted is None:
        other = least_squares(run, unit_m, precision)
        if not other.converged:
            return []
        names = run.traverse.stations
        apart = [float(np.hypot(*(p[:2] - other.coordinates[n]))) for n, p in zip(names, at, strict=True)]
        worst = int(np.argmax(apart))
        return [
            Finding(
                "beside-least-squares",
                "note",
                f"Least squares would place {names[worst]} {apart[worst]:.4f} from the {rule} rule; "
                "the others less.",
                f"station {names[worst]}",
            )
        ]
    return _residuals(adjusted)


def _residuals(adjusted: Adjusted) -> list[Finding]:
    factor = adjusted.linear.variance_factor
    if factor is None:
        return []
    low, high = adjusted.variance_bounds
    within = low <= factor <= high
    found = [
        Finding(
            "variance-factor",
            "note" if within else "warn",
            f"The variance factor is {factor:.3f} with {adjusted.linear.degrees_of_freedom} redundant "
            f"observations; {low:.3f} to {high:.3f} is expected 95 times in a hundred.",
            "adjustment",
            "" if within else "Compare the stated precisions with the instrument; look for a gross error.",
        )
    ]
    sizes = np.abs(adjusted.linear.standardised)
    i = int(np.argmax(sizes))
    if sizes[i] > LARGE:
        seen = adjusted.observations[i]
        found.append(
            Finding(
                "residual-large",
                "warn",
                f"The {seen.kind} at {seen.place} has a standardised residual of {sizes[i]:.1f}.",
                seen.place,
                "Compare the reading with the book and measure it again.",
            )
        )
    return found
