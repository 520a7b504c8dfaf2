"""Which angle or course is most likely wrong, when a traverse does not close."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from compute.traverse.adjust import Precision, least_squares
from compute.traverse.angles import SECONDS, azimuth_between
from compute.traverse.closure import Limits, Run, lay_out

LARGE_SECONDS = 3600.0
"""Beyond this an angular error is too large for a linear test."""
AS_LIKELY = 0.98
"""Observations whose standardised residuals come this close to the largest cannot be told apart from it."""


@dataclass(frozen=True)
class Suspect:
    """`place` in words (`station B`, `course A–B`); kind angle, azimuth or distance."""

    place: str
    kind: str
    standardised: float


def suspects(
    run: Run, unit_m: float, precision: Precision, kinds: tuple[str, ...] = ()
) -> tuple[Suspect, ...]:
    """The observation with the largest standardised residual, and any as likely; largest first.

    `kinds` keeps to angle, azimuth or distance, where the closure has told which it must be.
    """
    adjusted = least_squares(run, unit_m, precision)
    kept = np.array([not kinds or o.kind in kinds for o in adjusted.observations])
    sizes = np.where(kept, np.abs(adjusted.linear.standardised), -1.0)
    order = np.argsort(-sizes, kind="stable")
    return tuple(
        Suspect(adjusted.observations[i].place, adjusted.observations[i].kind, float(sizes[i]))
        for i in order
        if sizes[i] >= AS_LIKELY * sizes[order[0]]
    )


def angle_that_closes(run: Run, limits: Limits, unit_m: float) -> str:
    """The station whose angle, corrected alone by the whole angular misclosure, leaves the least linear
    misclosure. Holds for errors of any size, where the standardised residual is only their first term."""
    closure, traverse = run.closure, run.traverse
    assert closure.angular_seconds is not None
    left = {}
    for i in np.flatnonzero(run.angles_closed).tolist():
        angles = traverse.angle_deg.copy()
        angles[i] -= closure.angular_seconds / SECONDS
        again = lay_out(replace(traverse, angle_deg=angles), run.control, limits, unit_m, balance=False)
        left[i] = again.closure.linear or 0.0
    return f"station {traverse.stations[min(left, key=lambda i: left[i])]}"


def course_along_misclosure(run: Run) -> tuple[str, float] | None:
    """The course whose azimuth lies closest along the misclosure, and the degrees between them: a wrong
    distance moves everything after it along its own course. None where nothing closes."""
    closure = run.closure
    if closure.latitude is None or closure.departure is None or not closure.linear:
        return None
    along = azimuth_between(closure.latitude, closure.departure)
    apart = np.abs((run.azimuth_deg - along + 90.0) % 180.0 - 90.0)
    i = int(np.argmin(apart))
    return run.traverse.course(i), float(apart[i])


def longest_course(run: Run) -> str:
    return run.traverse.course(int(np.argmax(run.traverse.distance)))
