"""Bytes of a file to rows of cells, with the line on which each begins. Nothing is guessed about values."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass

from inventory.errors import TicketsRefused

DELIMITERS = (";", "\t", ",", "|")
_SAMPLE = 40
LARGEST_BYTES = 64 * 1024 * 1024
LARGEST_LINES = 500_000


@dataclass(frozen=True)
class Table:
    """`header` is empty where there is none. `rows` are (line, cells), lines counted from 1, blank ones left
    out."""

    delimiter: str
    encoding: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, list[str]], ...]

    @property
    def width(self) -> int:
        return len(self.header) or max((len(cells) for _, cells in self.rows[:_SAMPLE]), default=0)


def read_table(name: str, data: bytes, delimiter: str = "", *, has_header: bool | None = None) -> Table:
    """The rows of a text file. Raises `TicketsRefused` where it is empty, too large, or no text."""
    text, encoding = _text(name, data)
    delimiter = delimiter or _delimiter(text)
    rows: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    line = 1
    try:
        for cells in reader:
            if any(map(str.strip, cells)):
                rows.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as broken:
        raise _refused(name, f"line {line} cannot be read: {broken}", "Export the file again.") from broken
    if not rows:
        raise _refused(name, "there is no line in it", "Check the export or the copy, then send it again.")
    if len(rows) > LARGEST_LINES:
        raise _refused(name, f"{len(rows):,} lines are more than {LARGEST_LINES:,}", "Send it in parts.")
    header: tuple[str, ...] = ()
    if has_header or (has_header is None and _is_header(rows[0][1])):
        header = tuple(cell.strip() for cell in rows[0][1])
        del rows[0]
    if not rows:
        raise _refused(name, "there is a head and no line below it", "Check the export, then send it again.")
    return Table(delimiter, encoding, header, tuple(rows))


def _text(name: str, data: bytes) -> tuple[str, str]:
    if not data.strip():
        raise _refused(name, "it is empty", "Check the export or the copy, then send it again.")
    if len(data) > LARGEST_BYTES:
        raise _refused(name, f"{len(data):,} bytes are too many", "Send it in parts.")
    if data[:2] in (b"PK", b"\xd0\xcf") or b"\x00" in data[:4096]:
        raise _refused(name, "it is no text (a workbook?)", "Save it as CSV and send that.")
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "windows-1252"


def _delimiter(text: str) -> str:
    """The one that divides the most lines into the same number of cells, more than one."""
    lines = [line for line in text.splitlines()[: 4 * _SAMPLE] if line.strip()][:_SAMPLE]
    best, most = ",", 0
    for delimiter in DELIMITERS:
        counts = Counter(len(cells) for cells in csv.reader(lines, delimiter=delimiter))
        width, times = counts.most_common(1)[0]
        if width > 1 and times * 100 + width > most:
            best, most = delimiter, times * 100 + width
    return best


def _is_header(cells: list[str]) -> bool:
    """A head has words and no cell that is a number or a date."""
    named = [cell.strip() for cell in cells if cell.strip()]
    return bool(named) and not any(
        cell[0].isdigit() or (cell[-1].isdigit() and len(cell) > 6) for cell in named
    )


def _refused(name: str, what: str, remedy: str) -> TicketsRefused:
    return TicketsRefused(f"{name}: {what}. Nothing was posted.", where=name, remedy=remedy)
