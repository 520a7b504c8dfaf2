"""Numbers and times as tickets write them, to decimals and moments; `Unread` says in words why not."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal

from inventory.models import Site

_NUMBER = {
    ".": re.compile(r"-?(\d+|\d{1,3}(,\d{3})+)(\.\d+)?"),
    ",": re.compile(r"-?(\d+|\d{1,3}(\.\d{3})+)(,\d+)?"),
}
_MOMENT = re.compile(
    r"(?P<date>\d{1,4}[./-]\d{1,2}[./-]\d{1,4}|\d{8})"
    r"(?:[T ]\s*(?P<time>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:[AaPp]\.?[Mm]\.?)?))?"
    r"\s*(?P<offset>Z|[+-]\d{2}:?\d{2})?"
)
_DATE = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})")
_TIME = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?(?:\.\d+)?\s*([AaPp])?")
_END_OF_DAY = dt.timedelta(days=1) - dt.timedelta(microseconds=1)
NOON = dt.timedelta(hours=12)
_WIDEST = 12


class Unread(Exception):
    """Why a cell cannot be read, and what to do."""

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message, self.remedy = message, remedy


def number(text: str, decimal: str) -> Decimal:
    """A number with this decimal mark, and the other mark only between groups of three digits."""
    if _NUMBER[decimal].fullmatch(text) and len(text) <= _WIDEST + 8:
        other = "," if decimal == "." else "."
        return Decimal(text.replace(other, "").replace(",", ".") if not text.isdigit() else text)
    used, wanted = ("comma", "dot") if decimal == "." else ("dot", "comma")
    if _NUMBER["," if decimal == "." else "."].fullmatch(text):
        raise Unread(
            f"“{text}” is not a number with a decimal {wanted}",
            f"If the file uses decimal {used}s, choose that; otherwise correct the line.",
        )
    raise Unread(f"“{text}” is not a number", "Correct the line.")


class Clock:
    """Reads times of one site. Texts and days repeat, so that each is worked out once."""

    def __init__(self, site: Site, date_order: str, clock_change: str) -> None:
        self.zone, self.day_end = site.zone, site.day_end
        self.order, self.clock_change = date_order, clock_change
        self._dates: dict[str, dt.date] = {}
        self._times: dict[str, dt.timedelta] = {}
        self._offsets: dict[dt.date, dt.timedelta | None] = {}

    def moment(self, date: str, time: str) -> tuple[dt.datetime, dt.date, bool]:
        """(moment in UTC without zone, the site's day, whether a time was given) of texts.

        `date` may hold both; without a time it is noon there. 24:00 is the last moment of its day.
        """
        offset = ""
        if len(date) > 10 or "T" in date:
            found = _MOMENT.fullmatch(date)
            if found is None:
                raise Unread(f"“{date}” is not a date and time", "Write it as 2025-08-31 23:52.")
            date, time, offset = found["date"], time or found["time"] or "", found["offset"] or ""
        day = self._dates.get(date) or self._date(date)
        clock = NOON if not time else self._times.get(time)
        if clock is None:
            clock = self._time(time)
        local = dt.datetime.combine(day, dt.time()) + clock
        if offset:
            return (*self._with_offset(local, offset), bool(time))
        of_day = self._offsets[day] if day in self._offsets else self._offset(day)
        moment = local - of_day if of_day is not None else self._at_change(local)
        site_day = day if local.time() >= self.day_end else day - dt.timedelta(days=1)
        return moment, site_day, bool(time)

    def day(self, text: str) -> dt.date:
        """A date alone."""
        return self._dates.get(text) or self._date(text)

    def _with_offset(self, local: dt.datetime, offset: str) -> tuple[dt.datetime, dt.date]:
        sign = -1 if offset[0] == "-" else 1
        digits = offset[1:].replace(":", "")
        ahead = (
            dt.timedelta()
            if offset == "Z"
            else sign * dt.timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
        )
        moment = local - ahead
        there = moment.replace(tzinfo=dt.UTC).astimezone(self.zone)
        day = there.date() if there.time() >= self.day_end else there.date() - dt.timedelta(days=1)
        return moment, day

    def _offset(self, day: dt.date) -> dt.timedelta | None:
        """The zone's offset on `day`, or `None` where clocks changed on it or beside it."""
        noon = dt.datetime.combine(day, dt.time(12))
        beside = [noon + dt.timedelta(hours=hours) for hours in (-36, 0, 36)]
        offsets = {each.replace(tzinfo=self.zone).utcoffset() for each in beside}
        self._offsets[day] = offsets.pop() if len(offsets) == 1 else None
        return self._offsets[day]

    def _at_change(self, local: dt.datetime) -> dt.datetime:
        first, second = (
            local.replace(tzinfo=self.zone, fold=fold).astimezone(dt.UTC).replace(tzinfo=None)
            for fold in (0, 1)
        )
        if first == second:
            return first
        if first > second:
            raise Unread(
                f"{local:%Y-%m-%d %H:%M} did not exist in {self.zone.key}: clocks went forward over it",
                "Correct the time, or write it with its offset.",
            )
        if self.clock_change == "refuse":
            raise Unread(
                f"{local:%Y-%m-%d %H:%M} happened twice in {self.zone.key}: clocks went back",
                "Write the offset beside it, or choose that such times are the first or the second one.",
            )
        return first if self.clock_change == "first" else second

    def _date(self, text: str) -> dt.date:
        match = _DATE.fullmatch(text)
        if match is None and len(text) == 8 and text.isdigit():
            parts = (text[:4], text[4:6], text[6:])
        elif match is not None:
            parts = match.groups()
        else:
            raise Unread(f"“{text}” is not a date", "Write it as 2025-08-31.")
        if len(parts[0]) == 4:
            year, month, day = parts
        elif len(parts[2]) != 4:
            raise Unread(f"the year of “{text}” has not four digits", "Write it as 2025-08-31.")
        elif not self.order or self.order == "ymd":
            raise Unread(
                f"“{text}” may be day and month or month and day",
                "Choose the order of the dates of this file.",
            )
        else:
            year = parts[2]
            day, month = (parts[0], parts[1]) if self.order == "dmy" else (parts[1], parts[0])
        try:
            found = dt.date(int(year), int(month), int(day))
        except ValueError:
            raise Unread(
                f"“{text}” is no day of the calendar", "Correct it, or the order of the dates."
            ) from None
        self._dates[text] = found
        return found

    def _time(self, text: str) -> dt.timedelta:
        match = _TIME.fullmatch(text.replace(".m.", "").replace("m", "").replace("M", "").strip())
        if match is None:
            raise Unread(f"“{text}” is not a time of day", "Write it as 23:52.")
        hours, minutes, seconds = (int(part or 0) for part in match.groups()[:3])
        half = (match[4] or "").lower()
        if half:
            hours = hours % 12 + (12 if half == "p" else 0)
        if (hours, minutes, seconds) == (24, 0, 0):
            found = _END_OF_DAY
        elif hours > 23 or minutes > 59 or seconds > 59:
            raise Unread(f"“{text}” is not a time of day", "Write it as 23:52.")
        else:
            found = dt.timedelta(hours=hours, minutes=minutes, seconds=seconds)
        self._times[text] = found
        return found
