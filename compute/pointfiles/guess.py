"""The first look at a text file: what is clear, and a guess to confirm for what is not."""

from __future__ import annotations

from collections.abc import Sequence

from compute.errors import FileRefused
from compute.pointfiles import headers
from compute.pointfiles.records import Preview, ReadOptions
from compute.pointfiles.sniff import (
    Sample,
    find_decimal,
    find_delimiter,
    find_layout,
    head_fields,
)
from compute.pointfiles.values import looks_like_number, split_loosely

SHOWN_ROWS = 12


def preview(sample: Sample, name: str, encoding: str, remarks: tuple[str, ...]) -> Preview:
    """What `find_layout` finds; where it refuses, the same with a guess and the reason."""
    try:
        layout = find_layout(sample, name, ReadOptions())
    except FileRefused as refusal:
        return _unclear(sample, name, encoding, remarks, refusal)
    rows = sample[1 : 1 + SHOWN_ROWS]
    return Preview(
        name=name,
        encoding=encoding,
        delimiter=layout.delimiter,
        decimal=layout.decimal,
        has_header=True,
        header=tuple(head_fields(sample[0][1], layout.delimiter)),
        columns=layout.columns,
        rows=tuple(tuple(split_loosely(text, layout.delimiter)) for _, text in rows),
        lines=tuple(line for line, _ in rows),
        unclear=False,
        reason="",
        remarks=remarks + layout.remarks,
    )


def _unclear(
    sample: Sample, name: str, encoding: str, remarks: tuple[str, ...], refusal: FileRefused
) -> Preview:
    delimiter, decimal = _marks(sample, name)
    header: list[str] = []
    fields = head_fields(sample[0][1], delimiter) if delimiter else []
    if fields and headers.is_header(fields):
        header = fields
    body = sample[1 if header else 0 :]
    rows = [split_loosely(text, delimiter) if delimiter else [text.strip()] for _, text in body[:SHOWN_ROWS]]
    columns = tuple(guess_columns(rows, header)) if delimiter else ()
    return Preview(
        name=name,
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        has_header=bool(header),
        header=tuple(header),
        columns=columns,
        rows=tuple(tuple(row) for row in rows),
        lines=tuple(line for line, _ in body[:SHOWN_ROWS]),
        unclear=True,
        reason=refusal.message,
        remarks=remarks,
    )


def _marks(sample: Sample, name: str) -> tuple[str, str]:
    """Delimiter and decimal mark, `""` each where unclear."""
    try:
        delimiter = find_delimiter(sample, name, None)
    except FileRefused:
        return "", ""
    try:
        return delimiter, find_decimal(
            [split_loosely(text, delimiter) for _, text in sample], delimiter, name, None
        )
    except FileRefused:
        return delimiter, ""


def guess_columns(rows: Sequence[Sequence[str]], header: Sequence[str]) -> list[str]:
    """A role for each column, for a person to confirm: header words first, then the usual order.

    Usual order (common practice): point, northing, easting, elevation, code, note. The point is left
    out where the first three columns of four or fewer hold fractions.
    """
    width = max((len(row) for row in rows), default=len(header))
    if header and headers.known_words(header):
        found = [role if role in headers.ROLES_OF_COLUMNS else "" for role in headers.meanings(header)]
        kept = [role if role not in found[:place] else "" for place, role in enumerate(found)]
        return (kept + [""] * width)[: max(width, len(kept))]
    columns = [[row[place] if place < len(row) else "" for row in rows] for place in range(width)]
    numeric = [sum(map(looks_like_number, column)) * 2 > len(column) for column in columns]
    begin = _first_coordinate(columns, numeric)
    roles = [""] * width
    for role, place in zip(("northing", "easting", "elevation"), range(begin, width), strict=False):
        roles[place] = role
    if begin == 1:
        roles[0] = "point"
    for role, place in zip(("code", "note"), range(begin + 3, width), strict=False):
        roles[place] = role
    return roles


def _first_coordinate(columns: Sequence[Sequence[str]], numeric: Sequence[bool]) -> int:
    """0 where the file seems to begin with a coordinate, 1 where it begins with a point name."""
    if len(numeric) < 4 or not numeric[3]:
        return 0
    # Names such as K5 stand among the numbered points where the crew shot its control.
    measured = any(looks_like_number(value) and not value.isdigit() for value in columns[0])
    return 0 if measured else 1
