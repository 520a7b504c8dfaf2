"""Limits and their tests as a person reads them, in the units of the site."""

from __future__ import annotations

import math
from typing import Any

from inventory.models import Limit
from surveys.limit_tests import NEAR, OVER, UNTESTABLE, LimitTest
from surveys.pages.figures import NO_BREAK, Units, figure, number
from surveys.pages.wording import day

KIND_OF = {
    "height": "length",
    "height-above-natural": "length",
    "setback": "length",
    "area": "area",
    "volume": "volume",
    "tonnes": "mass",
}
UNIT_WORDS = {
    "metre": "m",
    "foot": "ft",
    "us-survey-foot": "ftUS",
    "square-metre": "m²",
    "square-foot": "ft²",
    "hectare": "ha",
    "acre": "acre",
    "cubic-metre": "m³",
    "cubic-yard": "yd³",
    "cubic-foot": "ft³",
    "tonne": "t",
    "short-ton": "short ton",
    "long-ton": "long ton",
    "day": "days",
    "month": "months",
    "year": "years",
    "degree": "°",
    "percent": "%",
    "horizontal-to-one": ": 1",
}
STATES = {"within": "within", NEAR: "near", OVER: "passed", UNTESTABLE: "not testable"}


def amount(quantity: str, value: float | None, units: Units, u95: float | None = None) -> str:
    """`7.62 m`, `18.4°`, `120 days`; with its ± where it has one."""
    if value is None:
        return "–"
    if quantity == "slope":
        return f"{number(value, 1)}°"
    if quantity == "age":
        return f"{number(math.trunc(value), 0)}{NO_BREAK}days"
    return str(figure(value, u95, KIND_OF[quantity], units))


def as_given(limit: Limit) -> str:
    """Number and unit of the document."""
    return f"{limit.given}{'' if limit.unit == 'degree' else NO_BREAK}{UNIT_WORDS[limit.unit]}"


def bound(limit: Limit) -> str:
    """`height over the base at most 25 ft`."""
    return f"{limit.get_quantity_display()} {limit.get_operator_display()} {as_given(limit)}"


def place_of(test: LimitTest) -> str:
    return test.limit.site.name if test.pile is None else test.pile.code


def said(test: LimitTest, units: Units) -> str:
    """One or two sentences: what was measured, what is left, who says so."""
    limit, place = test.limit, place_of(test)
    source = f"{limit.source}{f', page {limit.page}' if limit.page else ''}"
    if test.state == UNTESTABLE:
        return f"{place}: {bound(limit)} ({source}) was not tested: {test.why}."
    value = amount(limit.quantity, test.value, units, test.u95)
    left = amount(limit.quantity, abs(test.margin or 0.0), units)
    when = f"measured {day(test.measured_on)}" if limit.quantity != "age" else f"on {day(test.measured_on)}"
    if test.state == OVER:
        doubt = " That is less than its ±." if test.is_within_doubt else ""
        return (
            f"{place}: {limit.get_quantity_display()} is {value}, {when}; {left} beyond "
            f"{as_given(limit)} ({source}).{doubt} What follows, as the document has it: {limit.consequence}"
        )
    return (
        f"{place}: {limit.get_quantity_display()} is {value}, {when}; {left} left to {as_given(limit)} "
        f"({source})."
    )


def trend_said(test: LimitTest) -> str:
    """When it will be reached if the months go on so, or why that is not said."""
    trend = test.trend
    if trend.crossing is None:
        return f"No trend: {trend.refused}." if trend.refused else ""
    if test.limit.quantity == "age":
        return f"Reached on {day(trend.expected_on)}."
    if trend.expected_on is None:
        early = f"; at the earliest {day(trend.earliest_on)}" if trend.earliest_on else ""
        return (
            f"Not within twelve months of {day(trend.reckoned_from)} at the rate of the last months{early}."
        )
    late = day(trend.latest_on) if trend.latest_on else "not within twelve months"
    return (
        f"Reached about {day(trend.expected_on)} at the rate of the last months "
        f"(earliest {day(trend.earliest_on)}, latest {late})."
    )


def row_of(test: LimitTest, units: Units) -> dict[str, Any]:
    """What a table of limits shows of one test."""
    quantity = test.limit.quantity
    return {
        "test": test,
        "place": place_of(test),
        "bound": bound(test.limit),
        "kept": amount(quantity, float(test.limit.value), units),
        "value": amount(quantity, test.value, units, test.u95),
        "left": "–" if test.margin is None else amount(quantity, test.margin, units),
        "state": STATES[test.state],
        "tone": {OVER: "is-stop", NEAR: "is-warn", UNTESTABLE: ""}.get(test.state, "is-settled"),
        "mark": {OVER: "stop", NEAR: "warn", UNTESTABLE: "open"}.get(test.state, "settled"),
        "trend": trend_said(test),
    }
