"""Which day of the book a moment counts on: the site's day, unless its period is closed already.

A movement belongs to the day on which it happened, in the site's zone with the site's day-end, whatever
the day it was typed on. Where that day lies in an approved or locked period it may become a late one:
it counts on the first day of the next open period and points to the closed one. That is proposed to
people, never done in silence.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right

from inventory.errors import PeriodClosed
from inventory.models import Period, Site

CLOSED = (Period.State.APPROVED, Period.State.LOCKED)


def day_starts_at(site: Site, day: dt.date) -> dt.datetime:
    """The first moment of the site's `day`, aware, UTC; `Site.date_of` takes it for that day already."""
    return dt.datetime.combine(day, site.day_end, site.zone).astimezone(dt.UTC)


class Calendar:
    """The closed periods of one site as they stand now; one query."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._closed = list(Period.objects.filter(site=site, state__in=CLOSED).order_by("starts_on"))
        self._starts = [period.starts_on for period in self._closed]

    def closed_period(self, day: dt.date) -> Period | None:
        """The approved or locked period that holds `day`, or `None` where the day still takes movements."""
        index = bisect_right(self._starts, day) - 1
        period = self._closed[index] if index >= 0 else None
        return period if period is not None and day < period.ends_on else None

    def next_open_day(self, day: dt.date) -> dt.date:
        """`day`, or the first day after it that lies in no closed period."""
        while (period := self.closed_period(day)) is not None:
            day = period.ends_on
        return day

    def booked(
        self, moment: dt.datetime, what: str, *, accept_late: bool, day: dt.date | None = None
    ) -> tuple[dt.date, Period | None]:
        """(`book_on`, `belongs_to`) of what happened at `moment`; `day` where it was booked before.

        Raises `PeriodClosed`, which proposes the correction, unless `accept_late`.
        """
        day = day or self.site.date_of(moment)
        period = self.closed_period(day)
        if period is None:
            return day, None
        late_on = self.next_open_day(day)
        if not accept_late:
            raise PeriodClosed(
                f"{what} {self.in_words(moment, day)}, in {period.name}, which is "
                f"{period.get_state_display()}. Nothing was recorded.",
                where="moved_at",
                remedy=late_remedy(period, late_on),
            )
        return late_on, period

    def in_words(self, moment: dt.datetime, day: dt.date) -> str:
        """`of 2025-08-31 23:52 -05:00 is 2025-09-01 in UTC; the site's day ends at 24:00 local, so …`."""
        local = moment.astimezone(self.site.zone)
        offset = local.strftime("%z")
        text = f"of {local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}"
        utc_day = moment.astimezone(dt.UTC).date()
        if utc_day != local.date():
            text += f" is {utc_day} in UTC;"
        else:
            text += ":"
        ends = "24:00" if self.site.day_end == dt.time(0) else f"{self.site.day_end:%H:%M}"
        return f"{text} the site's day ends at {ends} local, so it belongs to {day}"


def late_remedy(period: Period, late_on: dt.date) -> str:
    return (
        f"Record it as a correction on {late_on} that points to {period.name} (accept it as late), "
        f"or ask the controller to open {period.name} again."
    )
