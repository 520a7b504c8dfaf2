"""Quantities as people read them: in the site's unit, rounded to what their ± supports.

Rule: the ± is rounded to two significant digits, and the value to the same decimal place, both once,
half to even, after the exact conversion. Two digits are what JCGM 100:2008, 7.2.6 finds enough (from
memory). Where no uncertainty was assessed the text says so, and the value is shown to the last place
the book keeps.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction

from inventory.units import MASS_IN_T, SYMBOLS, VOLUME_IN_M3

SIGNIFICANT_DIGITS = 2
BOOK_PLACE = -3


@dataclass(frozen=True)
class Presented:
    """`value` and `u95` in `unit`, rounded; `u95` is empty where it was not assessed."""

    value: Decimal
    u95: Decimal | None
    unit: str

    @property
    def symbol(self) -> str:
        return SYMBOLS[self.unit]

    @property
    def value_text(self) -> str:
        return f"{self.value:,f}"

    @property
    def u95_text(self) -> str:
        return "not assessed" if self.u95 is None else f"{self.u95:,f}"

    def __str__(self) -> str:
        if self.u95 is None:
            return f"{self.value_text} {self.symbol}, uncertainty not assessed"
        return f"{self.value_text} {self.symbol} ± {self.u95_text} {self.symbol} (k = 2)"


def present(quantity: Decimal | float, u95: Decimal | float | None, unit: str) -> Presented:
    """A volume in m³ or a mass in t, with its ± (k = 2), in `unit`; the unit says which it is.

    `KeyError` for a unit that is neither of volume nor of mass, `ValueError` for a ± below zero.
    """
    size = VOLUME_IN_M3[unit] if unit in VOLUME_IN_M3 else MASS_IN_T[unit]
    value = _in_unit(quantity, size)
    if u95 is None:
        return Presented(_at_place(value, BOOK_PLACE), None, unit)
    if u95 < 0:
        raise ValueError(f"an uncertainty cannot be below zero: {u95}")
    spread = _in_unit(u95, size)
    place = _place(spread)
    return Presented(_at_place(value, place), _at_place(spread, place), unit)


def convert(quantity: Decimal | float, unit: str) -> Decimal:
    """m³ or t in `unit`, unrounded (28 significant digits); `KeyError` as in `present`."""
    return _in_unit(quantity, VOLUME_IN_M3[unit] if unit in VOLUME_IN_M3 else MASS_IN_T[unit])


def _in_unit(quantity: Decimal | float, size: Fraction) -> Decimal:
    return Decimal(quantity) * size.denominator / size.numerator


def _place(spread: Decimal) -> int:
    """Decimal exponent of the last digit shown. Rounding 9.96 to two digits gives 10, not 10.0."""
    if spread == 0:
        return BOOK_PLACE
    place = spread.adjusted() - SIGNIFICANT_DIGITS + 1
    return _at_place(spread, place).adjusted() - SIGNIFICANT_DIGITS + 1


def _at_place(value: Decimal, place: int) -> Decimal:
    """Rounded to 10^place and written without an exponent; never a negative zero."""
    with localcontext(prec=60):
        rounded = value.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
        if place > 0:
            rounded = rounded.quantize(Decimal(1))
    return abs(rounded) if rounded == 0 else rounded
