"""Amounts on pages: exact, never rounded to a ±; a thousands mark and the sign that a minus really is."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template

register = template.Library()

NOTHING = "–"


@register.filter
def amount(value: Decimal | None) -> str:
    """Money to the cent; a dash for nothing at all."""
    return _shown(value, 2)


@register.filter
def per_t(value: Decimal | None) -> str:
    """Money per tonne to four places, without zeros beyond the second."""
    if value is None:
        return NOTHING
    shown = _shown(value, 4)
    return shown[:-2] if shown.endswith("00") else shown


@register.filter
def book_t(value: Decimal | None) -> str:
    """Tonnes of the book to the kilogram, which movements have."""
    return _shown(value, 3)


@register.filter
def side(value: Decimal) -> str:
    """One side of a journal line: empty where it stands on the other."""
    return _shown(value, 2) if value else ""


def _shown(value: Any, places: int) -> str:
    return NOTHING if value is None else f"{value:,.{places}f}".replace("-", "−")
