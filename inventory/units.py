"""Exact units for showing quantities. The book keeps metres, m², m³ and tonnes only.

Sources: the international foot (0.3048 m) and pound (0.45359237 kg) are exact by the 1959 agreement
(NIST Handbook 44, Appendix C); the US survey foot is 1200/3937 m, deprecated since 31 December 2022
(85 FR 62698, 5 October 2020). The calculator has the same table for reading files; the book does not
import the calculator, so a test holds the two equal.
"""

from __future__ import annotations

from fractions import Fraction

_FOOT_M = Fraction(3048, 10000)
_POUND_T = Fraction(45359237, 100000000) / 1000

LENGTH_IN_M: dict[str, Fraction] = {
    "metre": Fraction(1),
    "foot": _FOOT_M,
    "us-survey-foot": Fraction(1200, 3937),
}
VOLUME_IN_M3: dict[str, Fraction] = {
    "cubic-metre": Fraction(1),
    "cubic-yard": (3 * _FOOT_M) ** 3,
    "cubic-foot": _FOOT_M**3,
}
MASS_IN_T: dict[str, Fraction] = {
    "tonne": Fraction(1),
    "short-ton": 2000 * _POUND_T,
    "long-ton": 2240 * _POUND_T,
}
WEIGHED_IN_T: dict[str, Fraction] = {
    **MASS_IN_T,
    "kilogram": Fraction(1, 1000),
    "pound": _POUND_T,
}
"""Units that a ticket may be written in; a site shows its stock in those of `MASS_IN_T` only."""

SYMBOLS: dict[str, str] = {
    "metre": "m",
    "foot": "ft",
    "us-survey-foot": "ftUS",
    "cubic-metre": "m³",
    "cubic-yard": "yd³",
    "cubic-foot": "ft³",
    "tonne": "t",
    "short-ton": "short ton",
    "long-ton": "long ton",
}
WEIGHED_SYMBOLS: dict[str, str] = {
    **{unit: SYMBOLS[unit] for unit in MASS_IN_T},
    "kilogram": "kg",
    "pound": "lb",
}
