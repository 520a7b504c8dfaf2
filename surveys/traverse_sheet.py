"""A closed traverse in words and columns, for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from compute.traverse.angles import format_dms
from compute.traverse.least_squares import Adjusted, residuals_as_read
from compute.traverse.solve import TraverseResult
from compute.units import SYMBOLS


def traverse_sheet(result: TraverseResult, unit: str) -> str:
    """Closure, courses, stations, shots, residuals and findings, in the file's unit."""
    record = result.record
    lines = [
        f"{result.form}, {result.run.closure.kind}; lengths in {SYMBOLS[unit]}",
        *_closure(record["closure"]),
    ]
    lines += _table(
        ("course", "azimuth", "distance", "latitude", "departure", "adj. latitude", "adj. departure"),
        [
            (f"{c['from']}–{c['to']}", format_dms(c["azimuth_deg"], 1), *(_length(c[key]) for key in (
                "distance", "latitude", "departure", "adjusted_latitude", "adjusted_departure")))
            for c in record["courses"]
        ],
    )  # fmt: skip
    keys = ("northing", "easting", "elevation")
    lines += _table(
        ("station", *keys), [(s["name"], *(_length(s[k]) for k in keys)) for s in record["stations"]]
    )
    if record.get("shots"):
        lines += _table(
            ("shot", *keys, "code", "set-up"),
            [(s["point"], *(_length(s[k]) for k in keys), s["code"], s["setup"]) for s in record["shots"]],
        )
    if result.adjusted is not None:
        lines += _residuals(result.adjusted)
    lines += [
        f"{f['severity']:>5}  {f['code']}: {f['message']}" + (f" {f['remedy']}" if f["remedy"] else "")
        for f in record["findings"]
    ]
    return "\n".join(lines)


def _closure(closure: dict[str, Any]) -> list[str]:
    angular = closure["angular_seconds"]
    allowed = closure["angular_allowed_seconds"]
    ratio = closure["ratio"]
    return [
        "angular misclosure  " + ("–" if angular is None else f"{angular:+.1f}″ ({allowed:.1f}″ accepted)"),
        f"linear misclosure   {_length(closure['linear'])} "
        f"(latitude {_length(closure['latitude'])}, departure {_length(closure['departure'])})",
        f"perimeter           {_length(closure['perimeter'])}, "
        + (f"1 : {ratio:,.0f}" if ratio else "no ratio"),
        f"height misclosure   {_length(closure['height'])}",
    ]


def _residuals(adjusted: Adjusted) -> list[str]:
    seen = zip(adjusted.observations, residuals_as_read(adjusted), adjusted.linear.standardised, strict=True)
    rows = [
        (o.kind, o.place, f"{v:+.4f}" if o.kind == "distance" else f"{v:+.1f}″", f"{w:+.2f}")
        for o, v, w in seen
    ]
    ellipses = [
        (name, _length(e.semi_major), _length(e.semi_minor), format_dms(e.azimuth_deg))
        for name, e in adjusted.ellipses.items()
    ]
    return [
        *_table(("observation", "at", "residual", "standardised"), rows),
        *_table(("error ellipse (1 σ)", "longer", "shorter", "azimuth"), ellipses),
    ]


def _length(value: float | None) -> str:
    return "–" if value is None else f"{value:.4f}"


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """First column to the left, numbers to the right, a blank line before."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    return ["", *("  ".join(
        cell.ljust(width) if i == 0 else cell.rjust(width)
        for i, (cell, width) in enumerate(zip(row, widths, strict=True))
    ).rstrip() for row in (head, *rows))]  # fmt: skip
