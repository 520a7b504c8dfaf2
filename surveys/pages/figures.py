"""A quantity as a person reads it: rounded to what its uncertainty supports, in the site's own unit.

Pure: numbers in, words out. The `{% figure %}` tag and every table take their text from here, so that
a number looks the same on every page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from compute.units import AREA_IN_M2, LENGTH_IN_M, MASS_IN_T, SYMBOLS, VOLUME_IN_M3

MINUS = "\u2212"
NO_BREAK = "\u00a0"

AREA_OF_LENGTH = {"metre": "square-metre", "foot": "square-foot", "us-survey-foot": "square-foot"}


@dataclass(frozen=True)
class Units:
    """How one site reads and shows. Everything stored stays in metres, m², m³ and tonnes."""

    length: str = "metre"
    volume: str = "cubic-metre"
    mass: str = "tonne"

    @classmethod
    def of(cls, site: Any) -> Units:
        return cls(length=site.length_unit, volume=site.volume_unit, mass=site.mass_unit)

    @property
    def area(self) -> str:
        return AREA_OF_LENGTH[self.length]

    def symbol(self, kind: str) -> str:
        """`kind` is `length`, `area`, `volume`, `mass` or `density`."""
        if kind == "density":
            return f"{SYMBOLS[self.mass]}/{SYMBOLS[self.volume]}"
        return SYMBOLS[getattr(self, kind)]

    def shown(self, value: Any, kind: str) -> float:
        """`value`, stored in SI, as the number this site reads."""
        number = float(value)
        if kind == "length":
            return number / float(LENGTH_IN_M[self.length])
        if kind == "area":
            return number / float(AREA_IN_M2[self.area])
        if kind == "volume":
            return number / float(VOLUME_IN_M3[self.volume])
        if kind == "mass":
            return number / float(MASS_IN_T[self.mass])
        if kind == "density":
            return number / float(MASS_IN_T[self.mass]) * float(VOLUME_IN_M3[self.volume])
        raise KeyError(kind)


SI = Units()

DECIMALS_WITHOUT_UNCERTAINTY = {"length": 2, "area": 0, "volume": 0, "mass": 0, "density": 3}


def supported_decimals(u95: float) -> int:
    """Decimal places (negative: tens, hundreds) that leave two significant digits of the uncertainty.

    Two digits are the usual advice for a stated uncertainty (JCGM 100:2008, 7.2.6).
    """
    if not (u95 > 0 and math.isfinite(u95)):
        raise ValueError(f"an uncertainty must be positive and finite, not {u95!r}")
    decimals = 1 - math.floor(math.log10(u95))
    if round(u95, decimals) >= 10 ** (2 - decimals):
        decimals -= 1
    return decimals


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """`value` with thousands by comma and a true minus sign; `decimals` below zero rounds to tens and on."""
    rounded = round(value, decimals)
    text = f"{abs(rounded):,.{max(decimals, 0)}f}"
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if signed and rounded > 0 else text


@dataclass(frozen=True)
class Figure:
    """`value` `unit` `plus_minus`; `plus_minus` is empty where no uncertainty was assessed."""

    value: str
    unit: str
    plus_minus: str = ""
    unassessed: bool = False

    def __str__(self) -> str:
        text = f"{self.value}{NO_BREAK}{self.unit}"
        return f"{text} ±{NO_BREAK}{self.plus_minus}" if self.plus_minus else text


def figure(value: Any, u95: Any, kind: str, units: Units = SI, *, signed: bool = False) -> Figure:
    """The stored `value` with its expanded uncertainty (k = 2), both in SI, as a figure.

    Without an uncertainty a volume or mass says so (`unassessed`); lengths and areas carry none.
    """
    shown = units.shown(value, kind)
    unit = units.symbol(kind)
    if u95 is None or float(u95) <= 0:
        text = number(shown, DECIMALS_WITHOUT_UNCERTAINTY[kind], signed=signed)
        return Figure(text, unit, unassessed=kind in ("volume", "mass"))
    half_width = units.shown(u95, kind)
    decimals = supported_decimals(half_width)
    return Figure(number(shown, decimals, signed=signed), unit, number(half_width, decimals))


def percent(part: Any, whole: Any) -> str:
    """`part` of `whole` as `1.2 %`; empty where the whole is nothing."""
    if not whole:
        return ""
    return f"{number(100 * float(part) / float(whole), 1)}{NO_BREAK}%"
