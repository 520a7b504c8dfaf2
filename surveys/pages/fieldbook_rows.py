"""A solved field book in words and digits, as a surveyor reads and checks them by hand.

Angles in degrees, minutes and seconds; lengths in the book's own unit to a thousandth, small differences in
millimetres as well, since 1 : 130,000 says little of 3 mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from compute.traverse.angles import format_dms
from compute.traverse.corrections import FIELDS
from compute.units import LENGTH_IN_M, SYMBOLS
from surveys.fieldbook_request import in_unit
from surveys.pages.figures import MINUS, NO_BREAK, number

DASH = "–"
KINDS = {"backsight": "back-sight", "foresight": "fore-sight", "check": "check", "shot": "shot"}
CORRECTED = dict(
    zip(
        FIELDS,
        ("Instrument height", "Target height", "Orientation", "Station it stood on", "Mark it sighted"),
        strict=True,
    )
)
RULES = {
    "compass": "Compass rule",
    "transit": "Transit rule",
    "least-squares": "Least squares",
    "none": "Not adjusted",
}
BOOK_KINDS = {
    "loop": "Closed loop",
    "link": "Link between known points",
    "open": "Open leg: nothing closes it",
}


def symbol_of(unit: str) -> str:
    return SYMBOLS[unit]


def length(value: float | None, decimals: int = 3, *, signed: bool = False) -> str:
    return DASH if value is None else number(value, decimals, signed=signed)


def millimetres(value: float | None, unit: str, *, signed: bool = False) -> str:
    if value is None:
        return DASH
    return f"{number(value * float(LENGTH_IN_M[unit]) * 1000.0, 1, signed=signed)}{NO_BREAK}mm"


def dms(degrees: float | None, decimals: int = 1) -> str:
    return DASH if degrees is None else format_dms(degrees, decimals).replace("-", MINUS)


def seconds(value: float | None, *, signed: bool = True) -> str:
    return DASH if value is None else f"{number(value, 1, signed=signed)}″"


def reduction_words(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every sight with its cells as text, under its set-up."""
    return [
        {
            "line": row["line"],
            "setup": row["setup"],
            "at": row["at"],
            "to": row["to"],
            "kind": KINDS[row["kind"]],
            "code": row["code"],
            "corrected": row["corrected"],
            "cells": (
                str(row["face"] or DASH),
                dms(row["circle_deg"]),
                dms(row["direction_deg"]),
                dms(row["zenith_deg"]),
                length(row["slope_distance"]),
                length(row["corrected_slope"]),
                length(row["horizontal_distance"]),
                length(row["curvature"], 4, signed=True),
                length(row["over_axis"], signed=True),
                length(row["instrument_height"]),
                length(row["target_height"]),
                length(row["height_difference"], signed=True),
            ),
        }
        for row in rows
    ]


REDUCTION_HEADS = (
    "Face", "Circle read", "Direction, face I", "Zenith, mean", "Slope, read", "Slope, corrected",
    "Horizontal", "Curv. and refr.", "Over axis", "hi", "ht", "dH mark to mark",
)  # fmt: skip


def closure_words(sheet: dict[str, Any]) -> list[dict[str, Any]]:
    """Each misclosure beside what is accepted; `within` is None where nothing closes or nothing is asked."""
    closed, unit = sheet["closure"], sheet["unit"]
    symbol = symbol_of(unit)
    return [
        _angular(sheet, closed),
        _plain("In latitude (north)", closed["latitude"], unit),
        _plain("In departure (east)", closed["departure"], unit),
        {
            "what": "Linear",
            "value": length(closed["linear"]),
            "beside": millimetres(closed["linear"], unit),
            "accepted": "",
            "within": None,
        },
        {
            "what": "Relative",
            "value": DASH if closed["ratio"] is None else f"1 : {closed['ratio']:,.0f}",
            "beside": f"over {length(closed['perimeter'])} {symbol}",
            "accepted": f"1 : {sheet['smallest_ratio']:,.0f}",
            "within": None if closed["ratio"] is None else closed["ratio"] >= sheet["smallest_ratio"],
        },
        {
            "what": "Height",
            "value": length(closed["height"], signed=True),
            "beside": millimetres(closed["height"], unit, signed=True),
            "accepted": f"± {length(sheet['height_allowed'])}",
            "within": None if closed["height"] is None else abs(closed["height"]) <= sheet["height_allowed"],
        },
    ]


def _angular(sheet: dict[str, Any], closed: dict[str, Any]) -> dict[str, Any]:
    off, allowed = closed["angular_seconds"], closed["angular_allowed_seconds"]
    kind = f"{sheet['sum_kind']} angles" if sheet["sum_kind"] else "angles"
    return {
        "what": "Angular",
        "value": seconds(off),
        "beside": f"{sheet['angles']} {kind}",
        "accepted": DASH if allowed is None else f"± {seconds(allowed, signed=False)}",
        "within": None if off is None or allowed is None else abs(off) <= allowed,
    }


def _plain(what: str, value: float | None, unit: str) -> dict[str, Any]:
    return {
        "what": what,
        "value": length(value, signed=True),
        "beside": millimetres(value, unit, signed=True),
        "accepted": "",
        "within": None,
    }


def control_words(pins: Mapping[str, Any], unit: str) -> list[dict[str, Any]]:
    """The marks of a version as they are pinned, in the unit of the book, and what each served for."""
    held = [(one, "held fixed" if one["id"] else "held fixed, came with the book") for one in pins["control"]]
    return [
        {
            "name": one["name"],
            "cells": [length(value, 4) for value in in_unit(one, unit)],
            "used": used,
            "source": one["source"],
        }
        for one, used in [*held, *((one, "compared") for one in pins["beside"])]
    ]


def course_words(courses: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {
            "from": one["from"],
            "to": one["to"],
            "cells": (
                dms(one["azimuth_deg"]),
                length(one["distance"]),
                length(one["latitude"], signed=True),
                length(one["departure"], signed=True),
                length(one["adjusted_latitude"], signed=True),
                length(one["adjusted_departure"], signed=True),
                length(one["adjusted_distance"]),
                dms(one["adjusted_azimuth_deg"]),
            ),
        }
        for one in courses
    ]


def both_words(both: dict[str, Any] | None, unit: str) -> list[dict[str, Any]]:
    """Compass rule and least squares by station, with what lies between them."""
    if both is None:
        return []
    rows = []
    for one in both["rows"]:
        cells = (
            *(length(value) for value in one["compass"]),
            *(length(value) for value in one["least_squares"]),
            *(millimetres(one[key], unit, signed=True) for key in ("northing", "easting")),
            millimetres(one["apart"], unit),
            _ellipse(one["ellipse"], unit),
        )
        rows.append({"station": one["station"], "cells": cells})
    return rows


def free_words(stations: list[dict[str, Any]], unit: str) -> list[dict[str, Any]]:
    """Free stations with how each known mark fits: where the sight puts it, less where it is known to be."""
    return [
        {
            "name": one["name"],
            "ellipse": f"ellipse, 1 σ: {_ellipse(one['ellipse'], unit)}",
            "cautions": one["cautions"],
            "rows": [
                {
                    "point": row["point"],
                    "used": row["used"],
                    "cells": [
                        millimetres(row[key], unit, signed=key != "plan")
                        for key in ("across", "along", "plan", "height")
                    ],
                }
                for row in one["residuals"]
            ],
        }
        for one in stations
    ]


def _ellipse(ellipse: dict[str, float] | None, unit: str) -> str:
    if ellipse is None:
        return DASH
    half = " × ".join(millimetres(ellipse[key], unit) for key in ("semi_major", "semi_minor"))
    return f"{half}, {ellipse['azimuth_deg']:.0f}°"


def residual_words(both: dict[str, Any] | None, unit: str) -> list[dict[str, Any]]:
    """Residuals of the least squares, the largest standardised one first."""
    if both is None:
        return []
    worst = sorted(both["residuals"], key=lambda one: -abs(one["standardised"]))
    return [
        {
            "kind": one["kind"],
            "place": one["place"],
            "residual": millimetres(one["residual"], unit, signed=True)
            if one["unit"] == "length"
            else seconds(one["residual"]),
            "sigma": millimetres(one["sigma"], unit)
            if one["unit"] == "length"
            else seconds(one["sigma"], signed=False),
            "standardised": number(one["standardised"], 2, signed=True),
            "redundancy": f"{one['redundancy']:.2f}",
            "large": abs(one["standardised"]) > LARGE,
        }
        for one in worst
    ]


LARGE = 3.29
"""A standardised residual beyond this comes by chance once in a thousand: two-sided normal."""


def stored_words(differences: list[dict[str, Any]], unit: str) -> list[dict[str, Any]]:
    return [
        {
            "point": one["point"],
            "kind": KINDS.get(one["kind"], one["kind"]),
            "beyond": one["beyond"],
            "cells": (
                length(one["northing"], signed=True),
                length(one["easting"], signed=True),
                length(one["plan"]),
                length(one["height"], signed=True),
                millimetres(one["plan"], unit),
            ),
        }
        for one in differences
    ]
