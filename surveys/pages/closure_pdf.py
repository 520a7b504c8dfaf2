"""The closure sheet as a PDF: the words of the page, set by the typesetter of the certificates.

The same version makes the same bytes: its date is that of the version's last step, its fonts are those of the
typesetter and no others.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import typst

from surveys.models import BookReduction
from surveys.pages.wording import SEVERITIES, day, moment

TEMPLATE = Path(__file__).with_name("closure_sheet.typ")
CAUTION = (
    "No conformity with a standard is claimed. Where law asks for a licensed surveyor, that person's "
    "signature decides."
)
FORMULA = (
    "HD = slope · sin zenith; over axis = slope · cos zenith + curvature and refraction; "
    "dH = over axis + hi − ht."
)


def closure_pdf(shown: BookReduction, sheet: dict[str, Any], drawing: str) -> bytes:
    """`sheet` is the context of the page, `drawing` the network with its own ink."""
    at = (shown.accepted_at or shown.sent_back_at or shown.prepared_at).astimezone(dt.UTC)
    made: bytes = typst.compile(
        {
            "main": TEMPLATE.read_bytes(),
            "sheet.json": json.dumps(_said(shown, sheet), ensure_ascii=False).encode(),
            "network.svg": drawing.encode(),
        },
        ignore_system_fonts=True,
        sys_inputs={"date": at.strftime("%Y-%m-%d-%H-%M-%S")},
        timestamp=int(at.timestamp()),
    )
    return made


def _said(shown: BookReduction, sheet: dict[str, Any]) -> dict[str, Any]:
    survey = shown.file.survey
    return {
        "title": "Closure sheet",
        "organization": survey.site.organization.name,
        "site": f"{survey.site.name} · survey of {day(survey.surveyed_on)}",
        "book": f"{shown.file.name}, version {shown.version}",
        "state": shown.get_state_display(),
        "digest": shown.digest,
        "facts": _facts(shown, sheet),
        "kind": sheet["kind"].lower(),
        "closure": _table(
            ["Misclosure", f"Computed − known, {sheet['symbol']}", "That is", "Accepted", "Within"],
            [
                [row["what"], row["value"], row["beside"], row["accepted"], YES_NO[row["within"]]]
                for row in sheet["closure"]
            ],
        ),
        "accepted": sheet["accepted_reason"],
        "drawn": DRAWN,
        "tables": _tables(sheet),
        "findings": [
            {
                **{key: one[key] for key in ("message", "remedy", "where")},
                "weight": SEVERITIES[one["severity"]][0],
            }
            for one in sheet["findings"]
        ],
        "caution": CAUTION,
        "formula": f"Lengths in {sheet['symbol']}. {FORMULA}",
        "reduction": _table(["Sight to", *sheet["heads"]], _reduction(sheet["reduction"])),
    }


DRAWN = (
    "Triangles: known marks, crossed out where only compared. Circles: placed by this book. Arrow: from the "
    "known place of the last station to the computed one, as many times larger as stated."
)
YES_NO = {None: "", True: "yes", False: "no"}


def _facts(shown: BookReduction, sheet: dict[str, Any]) -> list[list[str]]:
    zone = shown.file.survey.site.timezone
    judged = "not yet"
    if shown.accepted_by is not None:
        judged = f"accepted by {shown.accepted_by}, {moment(shown.accepted_at, zone)}. {shown.accept_comment}"
    elif shown.sent_back_by is not None:
        judged = f"sent back by {shown.sent_back_by}: {shown.sent_back_reason}"
    return [
        ["Rule", sheet["rule"]],
        ["Bytes", f"{shown.file.stored_file.bytes:,}, SHA-256 {shown.file.stored_file.sha256}"],
        ["Algorithm", shown.request["algorithm"]],
        ["Prepared by", f"{shown.prepared_by}, {moment(shown.prepared_at, zone)}. {shown.reason}"],
        ["Judged", judged],
    ]


def _tables(sheet: dict[str, Any]) -> list[dict[str, Any]]:
    symbol = sheet["symbol"]
    courses = ["Course", "Azimuth", f"Distance, {symbol}", "Latitude", "Departure", "Adj. lat.", "Adj. dep.",
               "Adj. dist.", "Adj. azimuth"]  # fmt: skip
    both = ["Station", "Compass N", "Compass E", "Least sq. N", "Least sq. E", "ΔN", "ΔE", "Apart",
            "Ellipse, 1 σ, azimuth"]  # fmt: skip
    return [
        _titled(
            "Control",
            ["Mark", "Used as", "Source", f"N, {symbol}", "E", "H"],
            ([one["name"], one["used"], one["source"] or "–", *one["cells"]] for one in sheet["control"]),
            left=3,
        ),
        _titled("Courses", courses, ([f"{o['from']}–{o['to']}", *o["cells"]] for o in sheet["courses"])),
        _titled(
            "Stations",
            ["Station", f"N, {symbol}", "E", "H"],
            ([one["name"], *one["cells"]] for one in sheet["stations"]),
        ),
        _titled("Both adjustments", both, ([one["station"], *one["cells"]] for one in sheet["both"])),
        _titled(
            "Residuals of the least squares, the worst first",
            ["Observation", "Kind", "Residual", "Stated σ", "Standardised", "Redundancy"],
            (
                [o["place"], o["kind"], o["residual"], o["sigma"], o["standardised"], o["redundancy"]]
                for o in (*sheet["residuals"], *sheet["residuals_more"])
            ),
            left=2,
        ),
        *(
            _titled(
                f"Free station {free['name']}, sighted minus known",
                ["Mark", "Across", "Along", "Plan", "Height", "Used"],
                ([r["point"], *r["cells"], "yes" if r["used"] else "left out"] for r in free["rows"]),
                note=". ".join([free["ellipse"], *free["cautions"]]),
            )
            for free in sheet["free_stations"]
        ),
        _titled(
            "Corrections",
            ["Set-up", "What", "Right value", "Shots", "Why", "By"],
            (_correction(one) for one in sheet["corrections"]),
            left=6,
            none="No correction: every figure comes from the observations as they were written.",
        ),
    ]


def _correction(one: dict[str, Any]) -> list[str]:
    row = one["row"]
    named = row.first_shot or row.last_shot
    shots = f"{row.first_shot or 'first'} to {row.last_shot or 'last'}" if named else "all"
    return [row.setup, one["what"], row.value, shots, row.reason, str(row.by)]


def _reduction(rows: Sequence[dict[str, Any]]) -> list[list[str]]:
    """A row of one cell heads each set-up."""
    made: list[list[str]] = []
    before = None
    for row in rows:
        if row["setup"] != before:
            before = row["setup"]
            made.append([f"Set-up {row['setup']} at {row['at']}"])
        corrected = ", corrected" if row["corrected"] else ""
        said = f"{row['to']}  {row['kind']} {row['code']}".strip()
        made.append([f"{said}, line {row['line']}{corrected}", *row["cells"]])
    return made


def _titled(
    title: str, head: list[str], rows: Iterable[list[str]], left: int = 1, none: str = "None.", note: str = ""
) -> dict[str, Any]:
    return {"title": title, "none": none, "note": note, **_table(head, list(rows), left)}


def _table(head: list[str], rows: list[list[str]], left: int = 1) -> dict[str, Any]:
    return {"head": head, "rows": rows, "left": left}
