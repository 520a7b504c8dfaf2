"""A crew of tests: it observes the frustum of the scene from four known marks and writes a field book.

The sights are the reduction turned round (`tests.compute.field_crew`), rounded as an instrument shows them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from compute.traverse.angles import format_dms, turn
from surveys import control, intake
from surveys.models import ControlPoint, SurveyFile
from tests.compute.field_crew import HEADER, line, sight
from tests.surveys.scene import DAY, Yard, frustum_rows

FROM = dt.date(2025, 1, 1)
MARKS: dict[str, tuple[float, float, float]] = {
    "K1": (-15.0, -12.0, 100.4),
    "K2": (-14.0, 53.0, 100.9),
    "K3": (54.0, 55.0, 101.3),
    "K4": (52.0, -14.0, 100.7),
}
"""name → (northing, easting, elevation)"""

Change = Callable[[dict[str, Any]], None]


def known(yard: Yard, marks: Mapping[str, tuple[float, float, float]] = MARKS) -> list[ControlPoint]:
    """The marks proposed by the surveyor and approved by the lead surveyor."""
    return [approved(yard, name, place) for name, place in marks.items()]


def approved(
    yard: Yard, name: str, place: tuple[float, float, float], valid_from: dt.date = FROM
) -> ControlPoint:
    northing, easting, elevation = (Decimal(f"{value:.4f}") for value in place)
    point = control.propose_control_point(
        yard.site,
        name,
        northing_m=northing,
        easting_m=easting,
        elevation_m=elevation,
        valid_from=valid_from,
        by=yard.surveyor,
        source="levelled and traversed from the site datum",
    )
    return control.approve_control_point(point, yard.lead)


def frustum_shots(height_m: float = 5.0) -> list[tuple[str, tuple[float, float, float], str]]:
    """(point, (northing, easting, elevation), code), as the scene's point file has them."""
    rows = [row.split(",") for row in frustum_rows(height_m=height_m)]
    return [(row[0], (float(row[1]), float(row[2]), float(row[3])), row[4]) for row in rows]


def sights(
    true: Mapping[str, tuple[float, float, float]] = MARKS, height_m: float = 5.0
) -> list[dict[str, Any]]:
    """All sights of the loop: each set-up has its back-sight and fore-sight in two faces, the shots nearest
    to it, and its back-sight again. Change them with a `Change` before they are written."""
    rows: list[dict[str, Any]] = []
    names = list(true)
    shots = frustum_shots(height_m)
    for i, at in enumerate(names):
        back, fore = names[i - 1], names[(i + 1) % len(names)]
        mine = [s for s in shots if min(names, key=lambda n: line(true[n], s[1])[1]) == at]
        wanted = [(back, true[back], "backsight", ""), (fore, true[fore], "foresight", "")]
        wanted += [(point, place, "shot", code) for point, place, code in mine]
        wanted += [(back, true[back], "check", "")]
        for to, place, kind, code in wanted:
            rows += _both_faces(i, at, to, place, kind, code, true)
    return rows


def _both_faces(
    i: int, at: str, to: str, place: Any, kind: str, code: str, true: Mapping[str, Any]
) -> list[dict[str, Any]]:
    hi, ht = 1.5 + 0.01 * i, 1.8 if kind in ("shot", "check") else 1.6
    azimuth, _ = line(true[at], place)
    zenith, slope = sight(true[at], place, hi, ht)
    circle = turn(azimuth - 17.3 - 40.1 * i)
    common = {
        "setup": str(i + 1),
        "at": at,
        "to": to,
        "kind": kind,
        "slope": slope,
        "hi": hi,
        "ht": ht,
        "code": code,
    }
    first = {**common, "face": 1, "circle": circle, "zenith": zenith}
    if kind == "shot":
        return [first]
    return [first, {**common, "face": 2, "circle": turn(circle + 180.0), "zenith": 360.0 - zenith}]


def written(rows: list[dict[str, Any]], change: Change | None = None) -> bytes:
    """The bytes of the book; `change` alters sights before they are written, as a mistake does."""
    lines = [HEADER]
    for row in rows:
        row = dict(row)
        if change is not None:
            change(row)
        lines.append(
            f"{row['setup']},{row['at']},{row['to']},{row['kind']},{row['face']},"
            f"{format_dms(row['circle'], 1)},{format_dms(row['zenith'], 1)},{row['slope']:.4f},,,"
            f"{row['hi']:.3f},{row['ht']:.3f},{row['code']},"
        )
    return ("\n".join(lines) + "\n").encode()


def book(change: Change | None = None, **how: Any) -> bytes:
    return written(sights(**how), change)


def misread(setup: str = "3", by_deg: float = 10.0 / 60.0) -> Change:
    """The circle to one back-sight was misread; sighted again at the end of the set-up it was not."""

    def change(row: dict[str, Any]) -> None:
        if row["setup"] == setup and row["kind"] == "backsight":
            row["circle"] = turn(row["circle"] + by_deg)

    return change


def wrong_pole(setup: str = "2", by_m: float = -0.2) -> Change:
    """The pole of one set-up stood at another height than was written, for its shots and its check."""

    def change(row: dict[str, Any]) -> None:
        if row["setup"] == setup and row["kind"] in ("shot", "check"):
            row["ht"] += by_m

    return change


def received(yard: Yard, data: bytes, day: dt.date = DAY, name: str = "book.csv") -> SurveyFile:
    return intake.receive_file(yard.survey(day), name, data, yard.surveyor)
