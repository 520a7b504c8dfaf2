"""The history of each mark of a site, and which of them moves.

A mark that moved is seen in two ways: set-ups elsewhere see it off, and set-ups on it see all others off. So
the surest one is told first, what was seen from it is left out, and the others are asked again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Q

from compute.findings.said import Entry
from compute.mark_motion import Motion, motions_of
from compute.records import Finding
from inventory.models import Site
from surveys.models import BookReduction, CheckMeasurement

MOVING = Entry("mark-moving", "warn", "A mark of the control moves, by what every survey saw of it.")
LIVE = (BookReduction.State.COMPUTED, BookReduction.State.ACCEPTED)


@dataclass(frozen=True)
class MovingMark:
    """A mark with the axes along which it moves, the surest first."""

    mark: str
    motions: tuple[Motion, ...]

    def as_finding(self) -> Finding:
        told = "; ".join(_said(motion) for motion in self.motions)
        return Finding(
            code=MOVING.code,
            severity=MOVING.severity,
            message=f"{self.mark} moves: {told}. Whatever hangs on it moves with it.",
            where=self.mark,
            remedy="Look at the mark, measure it from two others, and propose its new place from the day it "
            "moved; until then say that it is suspect.",
        )


def checks_of(site: Site) -> list[CheckMeasurement]:
    """What stands of all checks of a site, by day: of each book its newest version, no file set aside."""
    rows = (
        CheckMeasurement.objects.filter(survey__site=site, file__set_aside_at=None)
        .filter(Q(reduction=None) | Q(reduction__state__in=LIVE))
        .select_related("control_point", "reduction")
        .defer("reduction__record", "reduction__request")
        .order_by("measured_on", "pk")
    )
    found = list(rows)
    newest: dict[int, int] = {}
    for row in found:
        if row.reduction is not None:
            newest[row.file_id] = max(newest.get(row.file_id, 0), row.reduction.version)
    return [row for row in found if row.reduction is None or row.reduction.version == newest[row.file_id]]


def history_of(site: Site) -> dict[str, list[CheckMeasurement]]:
    """Mark → its checks by day."""
    history: dict[str, list[CheckMeasurement]] = {}
    for row in checks_of(site):
        history.setdefault(row.control_point.name, []).append(row)
    return history


def marks_on_the_move(site: Site) -> list[Finding]:
    return [moving.as_finding() for moving in moving_marks(checks_of(site))]


def moving_marks(checks: Sequence[CheckMeasurement]) -> list[MovingMark]:
    """The marks that move, the surest first. Each version of a mark is judged by its own checks."""
    left = list(checks)
    found: list[MovingMark] = []
    while True:
        told = {moving.mark for moving in found}
        points = {row.control_point_id: row.control_point.name for row in left}
        moving = [
            MovingMark(name, motions)
            for point, name in points.items()
            if name not in told and (motions := _motions([r for r in left if r.control_point_id == point]))
        ]
        if not moving:
            return found
        surest = min(moving, key=lambda one: (one.motions[0].chance, one.mark))
        found.append(surest)
        left = [row for row in left if surest.mark not in (row.from_mark, row.backsight)]


def _motions(rows: Sequence[CheckMeasurement]) -> tuple[Motion, ...]:
    days = sorted({row.measured_on for row in rows})
    by_day = [_day(row for row in rows if row.measured_on == day) for day in days]
    return motions_of(tuple(days), *(np.array([one[i] for one in by_day]) for i in (0, 1)))


def _day(rows: Iterable[CheckMeasurement]) -> tuple[list[float], list[float]]:
    """Mean of one day's sights on each axis, and its standard uncertainty; NaN where none was seen."""
    seen = list(rows)
    means, doubts = [], []
    for axis in ("north_m", "east_m", "up_m"):
        values = [(float(getattr(r, axis)), _u_m(r, axis)) for r in seen if getattr(r, axis) is not None]
        means.append(sum(v for v, _ in values) / len(values) if values else float("nan"))
        # They share the day's set-up: the mean is no surer than one of them.
        doubts.append(max(u for _, u in values) if values else float("nan"))
    return means, doubts


def _u_m(row: CheckMeasurement, axis: str) -> float:
    return float(row.height_u_m if axis == "up_m" else row.plan_u_m)


WORDS = {"north": ("north", "south"), "east": ("east", "west"), "up": ("up", "down")}


def _said(motion: Motion) -> str:
    there = WORDS[motion.axis][0 if motion.size_m > 0 else 1]
    size = f"{abs(motion.size_m) * 1000:.0f} mm {there}"
    if motion.kind == "drift":
        rate = f"{abs(motion.a_month_m) * 1000:.1f} mm a month"
        return f"{size} from {_day_words(motion.since)} to {_day_words(motion.until)}, {rate}"
    surveys = f"{motion.before_n} surveys before, {motion.after_n} after"
    return f"{size} between {_day_words(motion.since)} and {_day_words(motion.until)} ({surveys})"


def _day_words(day: dt.date) -> str:
    return f"{day:%Y-%m-%d}"


def history_rows(checks: Iterable[CheckMeasurement]) -> list[dict[str, Any]]:
    """A mark's checks as plain rows for pages, metres."""
    return [
        {
            "measured_on": row.measured_on,
            "kind": row.get_kind_display(),
            "from_mark": row.from_mark,
            "backsight": row.backsight,
            "north_m": row.north_m,
            "east_m": row.east_m,
            "up_m": row.up_m,
            "distance_m": row.distance_m,
            "plan_u_m": row.plan_u_m,
            "height_u_m": row.height_u_m,
            "reduction": row.reduction_id,
        }
        for row in checks
    ]
