"""The one place where the calculator's floats become the book's decimals.

A float is taken at its exact binary value and rounded once, half to even, to the book's last place:
0.001 m³ (a litre) and 0.001 t (a kilogram), far below what any survey supports. The doubles themselves
stay with the evidence. Figures that people enter are decimals from the start and pass
`decimal_entered`, which never rounds.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation

from inventory.errors import BadEntry, NumberNotFinite

LAST_PLACE = Decimal("0.001")
LARGEST = Decimal(10) ** 12


def decimal_volume(volume_m3: float | Decimal) -> Decimal:
    """Cubic metres to 0.001 m³, half to even; `NumberNotFinite` for NaN, infinity or 10¹² and more."""
    return _rounded(volume_m3, "m³")


def decimal_tonnes(mass_t: float | Decimal) -> Decimal:
    """Tonnes to 0.001 t, half to even; `NumberNotFinite` for NaN, infinity or 10¹² and more."""
    return _rounded(mass_t, "t")


def _rounded(value: float | Decimal, unit: str) -> Decimal:
    exact = Decimal(value)
    if not exact.is_finite() or abs(exact) >= LARGEST:
        raise NumberNotFinite(f"{value} {unit} is no quantity that the book can hold. Nothing was recorded.")
    return exact.quantize(LAST_PLACE, rounding=ROUND_HALF_EVEN)


def decimal_entered(value: Decimal | int | str, name: str, places: int) -> Decimal:
    """A figure as a person entered it, unrounded; `BadEntry` where it is no number or has more than
    `places` decimal places. A float is a `TypeError`: it has lost what was entered."""
    if isinstance(value, float):
        raise TypeError(f"{name}: give a Decimal or text, not a float")
    try:
        entered = Decimal(value)
    except InvalidOperation:
        entered = Decimal("NaN")
    if not entered.is_finite():
        raise BadEntry(
            f"{name}: “{value}” is not a number. Nothing was changed.", where=name, remedy="Enter a number."
        )
    if entered != round(entered, places):
        raise BadEntry(
            f"{name}: {value} has more than {places} decimal places. It was not rounded; "
            "nothing was changed.",
            where=name,
            remedy=f"Enter at most {places} decimal places.",
        )
    return entered
