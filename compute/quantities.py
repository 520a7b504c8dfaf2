"""Lengths, areas and volumes inside a sentence, so that each site can read them in its own units.

A sentence is written once, in metres. Where a quantity stands in it, and which one, is kept beside it; the
same sentence is then told in feet and cubic yards without being worded a second time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from compute.units import AREA_IN_M2, AREA_OF_LENGTH, LENGTH_IN_M, SYMBOLS, VOLUME_IN_M3

_OPEN, _CLOSE = "\x02", "\x03"
_MARKED = re.compile(f"{_OPEN}([a-z]+)/([^{_OPEN}{_CLOSE}/]+)/([^{_CLOSE}]*){_CLOSE}")

FINE_FORM = ".2f"
"""Millimetres become hundredths of a foot, which is what levelling rods are divided in."""


@dataclass(frozen=True)
class Quantity:
    """`text[start:end]` says `value` (metres, m² or m³). `kind` is `length`, `fine`, `area` or `volume`.

    `fine` lengths are told in millimetres where lengths are metres. `form` is the format of the number.
    """

    start: int
    end: int
    value: float
    kind: str
    form: str

    def as_list(self) -> list[Any]:
        return [self.start, self.end, self.value, self.kind, self.form]


def metres(value_m: float, form: str = ".2f") -> str:
    return _marked("length", value_m, form)


def millimetres(value_m: float) -> str:
    return _marked("fine", value_m, ".0f")


def square_metres(value_m2: float, form: str = ",.0f") -> str:
    return _marked("area", value_m2, form)


def cubic_metres(value_m3: float, form: str = ",.0f") -> str:
    return _marked("volume", value_m3, form)


def _marked(kind: str, value: float, form: str) -> str:
    return f"{_OPEN}{kind}/{float(value)!r}/{form}{_CLOSE}"


def put_in_words(text: str) -> tuple[str, tuple[Quantity, ...]]:
    """The text in metres, and where its marked quantities stand; a text without marks as it is."""
    words, found, read, written = [], [], 0, 0
    for match in _MARKED.finditer(text):
        kind, value, form = match[1], float(match[2]), match[3]
        told = _told(kind, value, form, "metre", "cubic-metre")
        before = text[read : match.start()]
        start = written + len(before)
        words += [before, told]
        found.append(Quantity(start, start + len(told), value, kind, form))
        read, written = match.end(), start + len(told)
    return "".join([*words, text[read:]]), tuple(found)


def in_units(text: str, quantities: Iterable[Sequence[Any]], length_unit: str, volume_unit: str) -> str:
    """The same text in other units; `quantities` as `Quantity.as_list` gives them.

    Raises `KeyError` for an unknown unit.
    """
    words, read = [], 0
    for start, end, value, kind, form in quantities:
        words += [text[read:start], _told(kind, value, form, length_unit, volume_unit)]
        read = end
    return "".join([*words, text[read:]])


def _told(kind: str, value: float, form: str, length_unit: str, volume_unit: str) -> str:
    if kind == "fine" and length_unit == "metre":
        return f"{1000 * value:{form}} mm"
    if kind == "volume":
        unit, size = volume_unit, VOLUME_IN_M3[volume_unit]
    elif kind == "area":
        unit = AREA_OF_LENGTH[length_unit]
        size = AREA_IN_M2[unit]
    else:
        unit, size = length_unit, LENGTH_IN_M[length_unit]
    return f"{value / float(size):{FINE_FORM if kind == 'fine' else form}} {SYMBOLS[unit]}"
