"""Each site's rhythm: when its next survey is due, seen from the site's own day."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from inventory.models import Site

LONGEST_NOTICE_DAYS = 7
"""A survey shows as due this long before its day, or a quarter of the rhythm where that is shorter."""

NO_RHYTHM, NOT_YET, DUE, OVERDUE = "no-rhythm", "not-yet", "due", "overdue"


@dataclass(frozen=True)
class Due:
    """`state` is `no-rhythm`, `not-yet`, `due` or `overdue`; `days_left` is negative when overdue.

    `last_on` is the last survey's day, `next_on` the last day on which the next one is in time.
    """

    state: str
    last_on: dt.date | None
    next_on: dt.date | None
    days_left: int | None


def survey_due(
    site: Site, last_surveyed_on: dt.date | None, now: dt.datetime, *, since: dt.date | None = None
) -> Due:
    """Where the site stands at the moment `now` (aware). Asks the database nothing.

    Never surveyed: the rhythm counts from `since`, the day from which there was something to survey;
    without that day, the first survey is due today.
    """
    if site.survey_every_days is None:
        return Due(NO_RHYTHM, last_surveyed_on, None, None)
    today = site.date_of(now)
    begins = last_surveyed_on if last_surveyed_on is not None else since
    next_on = today if begins is None else begins + dt.timedelta(days=site.survey_every_days)
    days_left = (next_on - today).days
    return Due(_state(days_left, site.survey_every_days), last_surveyed_on, next_on, days_left)


def _state(days_left: int, every_days: int) -> str:
    if days_left < 0:
        return OVERDUE
    return DUE if days_left <= min(LONGEST_NOTICE_DAYS, every_days // 4) else NOT_YET
