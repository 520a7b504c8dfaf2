"""The forms of a period's export: pure functions of the content, without clock, database or locale."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import xlsxwriter

Content = Mapping[str, Any]

MADE_AT = dt.datetime(2000, 1, 1)  # noqa: DTZ001  a workbook names a date; the bytes must not depend on today


@dataclass(frozen=True)
class Form:
    media_type: str
    render: Callable[[Content], bytes]


def csv_line(cells: Sequence[str]) -> str:
    """One row by RFC 4180, without its line end."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()


def csv_of(rows: Iterable[Mapping[str, str]]) -> bytes:
    """A head and rows of the same columns, UTF-8, by RFC 4180."""
    rows = list(rows)
    head = [list(rows[0])] if rows else []
    lines = [csv_line(cells) for cells in [*head, *(list(row.values()) for row in rows)]]
    return "".join(f"{line}\r\n" for line in lines).encode("utf-8")


def _csv(content: Content) -> bytes:
    return csv_of([*content["rows"], *content["trailer"]])


def _json(content: Content) -> bytes:
    """As the CSV, with the lines of the journals beside; an empty cell is null, a number stays a text."""
    said = {
        **content,
        "rows": [_filled(row) for row in content["rows"]],
        "journals": [_filled(row) for row in content["journals"]],
        "trailer": [_filled(row) for row in content["trailer"]],
    }
    return (json.dumps(said, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def _filled(row: Mapping[str, str]) -> dict[str, str | None]:
    return {name: value or None for name, value in row.items()}


def _xlsx(content: Content) -> bytes:
    """A sheet for rows and trailer, one for the journals; numbers are numbers, everything else is text."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False}) as book:
        book.set_properties({"created": MADE_AT, "title": f"{content['site']} {content['period']}"})
        bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        places = {n: book.add_format({"num_format": f"#,##0.{'0' * n}"}) for n in (2, 3, 4)}
        sheets = {"Period": [*content["rows"], *content["trailer"]], "Journals": content["journals"]}
        for title, rows in sheets.items():
            sheet = book.add_worksheet(title)
            sheet.freeze_panes(1, 0)
            for column, name in enumerate(rows[0] if rows else []):
                sheet.set_column(column, column, 16)
                sheet.write_string(0, column, name, bold)
            for line, row in enumerate(rows, start=1):
                for column, (name, cell) in enumerate(row.items()):
                    _write(sheet, line, column, name, cell, places)
    return out.getvalue()


NUMBERS = ("_qty", "_value", "_m3", "_pct", "_unit", "unit_cost", "unit_amount", "debit", "credit", "tonnes")


def _write(sheet: Any, line: int, column: int, name: str, cell: str, places: Mapping[int, Any]) -> None:
    if cell and name.endswith(NUMBERS):
        decimals = len(cell.partition(".")[2])
        sheet.write_number(line, column, float(cell), places.get(decimals))
    elif cell:
        sheet.write_string(line, column, cell)


XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
FORMS: dict[str, Form] = {
    "csv": Form("text/csv; charset=utf-8", _csv),
    "json": Form("application/json", _json),
    "xlsx": Form(XLSX, _xlsx),
}
"""Form → its media type and what makes its bytes."""
