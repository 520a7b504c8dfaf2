"""Quantities as a certificate prints them: in the site's unit, with the SI beside where the two differ."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from surveys.certificates.wording import NOT_STATED
from surveys.pages.figures import MINUS, SI, Units, figure, number
from surveys.pages.wording import day, moment

NB = "\u00a0"
LEAST = 0.0005
"""Half of the last place that the book keeps; what is smaller is rounding of doubles."""


@dataclass(frozen=True)
class Printed:
    """How one site's certificates print numbers and times."""

    units: Units
    zone: str

    def differs(self, kind: str) -> bool:
        """Whether the site's unit is another than the SI one."""
        return self.units.symbol(kind) != SI.symbol(kind)

    def plain(self, value: Any, kind: str) -> str:
        """A length, area or density: `7.99 m`, `26.2 ft (7.99 m)`."""
        shown = str(figure(value, None, kind, self.units))
        return f"{shown} ({figure(value, None, kind, SI)})" if self.differs(kind) else shown

    def with_pm(self, value: Any, u95: Any, kind: str) -> tuple[str, str, str, str]:
        """Value, unit, ± and, where the units differ, the whole in SI: `(14,109 m³ ± 155 m³)`."""
        shown = figure(value, u95, kind, self.units)
        beside = ""
        if self.differs(kind):
            si = figure(value, u95, kind, SI)
            beside = f"{si.value}{NB}{si.unit} ±{NB}{si.plus_minus}{NB}{si.unit}"
        return shown.value, shown.unit, shown.plus_minus, beside

    def pair(self, value: Any, u95: Any, kind: str, *, signed: bool = False) -> list[str]:
        """The value rounded as its ± supports, in the site's unit and, where it differs, in SI."""
        every = [self.units, SI] if self.differs(kind) else [self.units]
        return [figure(value, u95, kind, units, signed=signed).value for units in every]

    def heads(self, kind: str) -> list[str]:
        """Unit symbols for the columns of `pair`."""
        return [self.units.symbol(kind), SI.symbol(kind)] if self.differs(kind) else [self.units.symbol(kind)]

    def spread(self, standard: float, kind: str) -> list[str]:
        """An uncertainty alone, to two significant digits."""
        every = [self.units, SI] if self.differs(kind) else [self.units]
        return [
            figure(standard, standard, kind, units).plus_minus if standard >= LEAST else "0"
            for units in every
        ]

    def small(self, value_m: float) -> str:
        """A residual: whole millimetres, or thousandths of a foot."""
        if self.units.length == "metre":
            return number(value_m * 1000.0, 0, signed=True)
        return number(self.units.shown(value_m, "length"), 3, signed=True)

    @property
    def small_unit(self) -> str:
        return "mm" if self.units.length == "metre" else "ft"

    def when(self, iso: str | None) -> str:
        """A moment in the site's time with its zone."""
        if not iso:
            return NOT_STATED
        return moment(dt.datetime.fromisoformat(iso), self.zone)

    def between(self, start: str | None, end: str | None) -> str:
        """`07:30 to 10:50 UTC`, by the site's clock."""
        if not start:
            return NOT_STATED
        began = dt.datetime.fromisoformat(start).astimezone(ZoneInfo(self.zone))
        if not end:
            return f"began {began:%H:%M} {began.tzname()}, end not stated"
        ended = dt.datetime.fromisoformat(end).astimezone(ZoneInfo(self.zone))
        last = f"{ended:%H:%M}" if ended.date() == began.date() else f"{day(ended)} {ended:%H:%M}"
        return f"{began:%H:%M} to {last} {ended.tzname()}"


def date_words(iso: str | None) -> str:
    return day(dt.date.fromisoformat(iso)) if iso else NOT_STATED


def exact(value: Any) -> str:
    """A figure of the record in SI, to the millimetre, the litre and the kilogram; smaller ones in powers."""
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "none"}[value]
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return f"{value:,}".replace("-", MINUS)
    text = f"{value:,.3f}" if value == 0 or abs(value) >= LEAST else f"{value:.1e}"
    return text.replace("-", MINUS)


def or_not(value: Any) -> str:
    return str(value).strip() if value and str(value).strip() else NOT_STATED
