"""What a ticket says, as tonnes: converted once, exactly, and kept as given."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction
from typing import Any

from inventory.crossing import LARGEST, LAST_PLACE, decimal_entered
from inventory.errors import BadEntry
from inventory.units import WEIGHED_IN_T, WEIGHED_SYMBOLS

GIVEN_PLACES = 6


@dataclass(frozen=True)
class Weighed:
    """`tonnes` above zero; `gross_t` and `tare_t` both or neither; `given` quantity and unit as received."""

    tonnes: Decimal
    gross_t: Decimal | None
    tare_t: Decimal | None
    given: dict[str, Any]


def weigh(
    quantity: Decimal | int | str | None,
    unit: str = "tonne",
    gross: Decimal | int | str | None = None,
    tare: Decimal | int | str | None = None,
) -> Weighed:
    """Tonnes of a quantity in `unit`, or of gross − tare where no quantity is given.

    Raises `BadEntry` for an unknown unit, for no number, for nothing or less than nothing, and where
    the net is not gross − tare to the last digit given.
    """
    size = unit_size(unit)
    net = None if quantity is None else decimal_entered(quantity, "quantity", GIVEN_PLACES)
    full = None if gross is None else decimal_entered(gross, "gross", GIVEN_PLACES)
    empty = None if tare is None else decimal_entered(tare, "tare", GIVEN_PLACES)
    wrong = wrong_weights(net, full, empty)
    if wrong:
        raise BadEntry(f"{wrong}. Nothing was recorded.", where="quantity", remedy="Correct the weights.")
    if net is None:
        net = full - empty
    given = {"quantity": f"{net:f}", "unit": unit}
    if full is not None:
        given |= {"gross": f"{full:f}", "tare": f"{empty:f}"}
    tonnes = in_tonnes(net, size)
    if not tonnes:
        raise BadEntry(
            f"{net} {WEIGHED_SYMBOLS[unit]} is less than half a kilogram. Nothing was recorded.",
            where="quantity",
            remedy="Check the quantity and its unit.",
        )
    if full is None:
        return Weighed(tonnes, None, None, given)
    return Weighed(tonnes, in_tonnes(full, size), in_tonnes(empty, size), given)


def wrong_weights(net: Decimal | None, gross: Decimal | None, tare: Decimal | None) -> str:
    """What is wrong with the weights of one ticket, in words; empty where they agree."""
    if (gross is None) != (tare is None):
        return f"the {'tare' if tare is None else 'gross'} is missing"
    if net is None and gross is None:
        return "no quantity"
    if gross is not None and tare is not None:
        if tare < 0:
            return f"tare {tare} is below zero"
        if net is None:
            net = gross - tare
        elif net != gross - tare:
            return f"net {net} ≠ gross {gross} − tare {tare} = {gross - tare}"
    if net is not None and net <= 0:
        return f"net {net} is not above zero"
    if net is not None and net >= LARGEST:
        return f"net {net} is larger than the book can hold"
    return ""


def unit_size(unit: str) -> Fraction:
    """Tonnes in one `unit`, exactly; `BadEntry` for an unknown one."""
    if unit not in WEIGHED_IN_T:
        raise BadEntry(
            f"unit: “{unit}” is not known. Nothing was recorded.",
            where="unit",
            remedy=f"Choose one of: {', '.join(WEIGHED_IN_T)}.",
        )
    return WEIGHED_IN_T[unit]


def in_tonnes(quantity: Decimal, size: Fraction) -> Decimal:
    """Rounded once, half to even, to 0.001 t."""
    if size == 1:
        return quantity.quantize(LAST_PLACE, rounding=ROUND_HALF_EVEN)
    with localcontext(prec=60):
        exact = quantity * size.numerator / size.denominator
        return exact.quantize(LAST_PLACE, rounding=ROUND_HALF_EVEN)
