"""A quantity as a person reads it: rounded to what its uncertainty supports, in the site's own unit.

Pure: numbers in, words out. The `{% figure %}` tag and every table take their text from here, so that
a number looks the same on every page.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from compute.units import AREA_IN_M2, AREA_OF_LENGTH, LENGTH_IN_M, MASS_IN_T, SYMBOLS, VOLUME_IN_M3
from inventory.quantity import present

MINUS = "\u2212"
NO_BREAK = "\u00a0"


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

    Volumes and masses are rounded by the book's own rule, so that a page and an export never differ.

    Without an uncertainty a volume or mass says so (`unassessed`); lengths and areas carry none.
    """
    shown = units.shown(value, kind)
    unit = units.symbol(kind)
    if u95 is None or float(u95) <= 0:
        text = number(shown, DECIMALS_WITHOUT_UNCERTAINTY[kind], signed=signed)
        return Figure(text, unit, unassessed=kind in ("volume", "mass"))
    if kind not in ("volume", "mass"):
        raise ValueError(f"a {kind} is shown without an uncertainty of its own")
    given = (each if isinstance(each, Decimal) else float(each) for each in (value, u95))
    shown_so = present(*given, units.volume if kind == "volume" else units.mass)
    return Figure(_signed(shown_so.value, shown_so.value_text, signed), unit, shown_so.u95_text)


def _signed(value: Decimal, text: str, with_plus: bool) -> str:
    if value < 0:
        return MINUS + text.lstrip("-")
    return f"+{text}" if with_plus and value > 0 else text


def percent(part: Any, whole: Any) -> str:
    """`part` of `whole` as `1.2 %`; empty where the whole is nothing."""
    if not whole:
        return ""
    return f"{number(100 * float(part) / float(whole), 1)}{NO_BREAK}%"
