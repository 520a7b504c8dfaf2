"""Exact unit conversions. Everything inside is metres, m², m³ and tonnes.

Sources: the international foot and pound are exact by the 1959 agreement (NIST Handbook 44,
Appendix C); the US survey foot is 1200/3937 m, deprecated since 31 December 2022
(85 FR 62698, 5 October 2020).
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

FOOT_M = Fraction(3048, 10000)
US_SURVEY_FOOT_M = Fraction(1200, 3937)
POUND_KG = Fraction(45359237, 100000000)

LENGTH_IN_M: dict[str, Fraction] = {
    "metre": Fraction(1),
    "foot": FOOT_M,
    "us-survey-foot": US_SURVEY_FOOT_M,
}
VOLUME_IN_M3: dict[str, Fraction] = {
    "cubic-metre": Fraction(1),
    "cubic-yard": (3 * FOOT_M) ** 3,
    "cubic-foot": FOOT_M**3,
}
MASS_IN_T: dict[str, Fraction] = {
    "tonne": Fraction(1),
    "short-ton": 2000 * POUND_KG / 1000,
    "long-ton": 2240 * POUND_KG / 1000,
}
AREA_IN_M2: dict[str, Fraction] = {
    "square-metre": Fraction(1),
    "square-foot": FOOT_M**2,
    "square-yard": (3 * FOOT_M) ** 2,
}
AREA_OF_LENGTH: dict[str, str] = {
    "metre": "square-metre",
    "foot": "square-foot",
    "us-survey-foot": "square-foot",
}
"""Nobody measures a yard in square survey feet; the difference is four millionths."""

SYMBOLS: dict[str, str] = {
    "metre": "m",
    "foot": "ft",
    "us-survey-foot": "ftUS",
    "square-metre": "m²",
    "square-foot": "ft²",
    "square-yard": "yd²",
    "cubic-metre": "m³",
    "cubic-yard": "yd³",
    "cubic-foot": "ft³",
    "tonne": "t",
    "short-ton": "short ton",
    "long-ton": "long ton",
}


def length_to_m(value: float, unit: str) -> float:
    """`value` in `unit` as metres; `KeyError` for an unknown unit."""
    return value * float(LENGTH_IN_M[unit])


def from_m3(volume_m3: float, unit: str) -> float:
    return volume_m3 / float(VOLUME_IN_M3[unit])


def from_t(mass_t: float, unit: str) -> float:
    return mass_t / float(MASS_IN_T[unit])


def decimal_from_t(mass_t: Decimal, unit: str) -> Decimal:
    """Exact to Decimal's context precision: the book's own crossing."""
    factor = MASS_IN_T[unit]
    return mass_t * factor.denominator / factor.numerator


def decimal_to_t(mass: Decimal, unit: str) -> Decimal:
    factor = MASS_IN_T[unit]
    return mass * factor.numerator / factor.denominator
