"""The quantity at the cut-off: what was measured, and what is recorded to have moved in between."""

from __future__ import annotations

import datetime as dt
from typing import Any

from inventory.rolling import roll
from surveys.models import Measurement, Survey


def moment_of(survey: Survey) -> dt.datetime:
    """When the pile was as measured: the survey's end or start, else the middle of the site's day."""
    known = survey.ended_at or survey.started_at
    if known is not None:
        return known
    day_starts = dt.datetime.combine(survey.surveyed_on, survey.site.day_end, tzinfo=survey.site.zone)
    return day_starts + dt.timedelta(hours=12)


def roll_as_content(measurement: Measurement, cut_off_at: dt.datetime | None) -> dict[str, Any] | None:
    """The roll as the movements stood at approval; None without a cut-off or without tonnes."""
    if cut_off_at is None or measurement.tonnes is None:
        return None
    survey = measurement.survey
    during = (survey.started_at, survey.ended_at) if survey.started_at and survey.ended_at else None
    found = roll(
        measurement.pile,
        moment_of(survey),
        cut_off_at,
        measured_t=measurement.tonnes,
        during=during,
    )
    return {
        "from_at": found.from_at.isoformat(),
        "to_at": found.to_at.isoformat(),
        "movements": len(found.movements),
        "sum_t": str(found.sum_t),
        "moved_t": str(found.moved_t),
        "rolled_t": str(found.rolled_t),
        "warnings": list(found.warnings),
    }
