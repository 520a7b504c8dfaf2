"""The line-by-line path: slower, and it can name every problem. It defines what a file means."""

from __future__ import annotations

import csv

import numpy as np
import pyarrow as pa

from compute.pointfiles.fields import number_codes
from compute.pointfiles.problems import ProblemList, number_fault
from compute.pointfiles.records import COORDINATES, Layout, Table
from compute.pointfiles.sniff import DELIMITER_WORDS, count_fits
from compute.pointfiles.values import (
    TOO_LARGE,
    holds_something,
    is_number,
    split_fields,
    split_tail,
    to_float,
)


def read_table(text: str, layout: Layout, name: str) -> Table:
    """Read every line of `text` (`\\n` line ends). Raises BadValues with all problems of the file."""
    problems = ProblemList(name)
    reader = _LineReader(layout, problems)
    for number, line in enumerate(text.split("\n"), start=1):
        if number != layout.header_line and holds_something(line):
            reader.take(number, line)
    problems.refuse()
    return reader.table()


class _LineReader:
    """Takes lines one by one and keeps their columns, or their problems."""

    def __init__(self, layout: Layout, problems: ProblemList) -> None:
        self.layout = layout
        self.problems = problems
        self.places = {role: place for place, role in enumerate(layout.columns) if role}
        self.in_file_order = sorted(COORDINATES, key=self.places.__getitem__)
        self.numbers: dict[str, list[float]] = {role: [] for role in COORDINATES}
        self.texts: dict[str, list[str]] = {role: [] for role in self.places if role not in COORDINATES}
        self.lines: list[int] = []

    def take(self, number: int, line: str) -> None:
        fields = self._fields(number, line)
        if fields is None:
            return
        values = {role: self._number(number, fields, role) for role in self.in_file_order}
        if None in values.values():
            return
        for role, value in values.items():
            self.numbers[role].append(value)  # type: ignore[arg-type]
        for role, kept in self.texts.items():
            kept.append(fields[self.places[role]])
        self.lines.append(number)

    def _fields(self, number: int, line: str) -> list[str] | None:
        layout = self.layout
        try:
            fields = split_fields(line, layout.delimiter)
        except csv.Error as fault:
            self.problems.add(
                f"the quotes of the line do not pair ({fault}).",
                "Close the quote in the same line, or write two quotes for a quote inside a field.",
                line=number,
                value=line,
            )
            return None
        if not count_fits(fields, layout):
            self._add_count(number, line, fields)
            return None
        if layout.tail:
            fixed = len(layout.columns) - layout.tail
            fields[fixed:] = split_tail(fields[fixed:], layout.tail) if fields[fixed:] else [""] * layout.tail
        return fields

    def _add_count(self, number: int, line: str, fields: list[str]) -> None:
        wanted, found = len(self.layout.columns), len(fields)
        hint = ""
        if self.layout.delimiter == "," and found > wanted:
            hint = " A decimal comma, a thousands mark or a comma in a note may have divided a field."
        counted = f"{found} field{'s' if found != 1 else ''}"
        self.problems.add(
            f"the line has {counted} divided by {DELIMITER_WORDS[self.layout.delimiter]}, "
            f"but there are {wanted} columns.{hint}",
            f"Correct line {number}, or export the file again.",
            line=number,
            value=line,
        )

    def _number(self, number: int, fields: list[str], role: str) -> float | None:
        place = self.places[role]
        text = fields[place]
        decimal = self.layout.decimal
        if is_number(text, decimal):
            value = to_float(text, decimal)
            if abs(value) < TOO_LARGE:
                return value
        message, remedy = number_fault(text, decimal, role, number)
        self.problems.add(
            message, remedy, line=number, column=place + 1, field=self.layout.labels[place], value=text
        )
        return None

    def table(self) -> Table:
        northing, easting, elevation = (
            np.array(self.numbers[role], dtype=np.float64) for role in COORDINATES
        )
        codes = self.texts.get("code")
        if codes is None:
            index, distinct = number_codes(np.zeros(len(self.lines), np.int32), [""])
        else:
            seen: dict[str, int] = {}
            raw = np.array([seen.setdefault(code, len(seen)) for code in codes], dtype=np.int32)
            index, distinct = number_codes(raw, list(seen))
        return Table(
            northing=northing,
            easting=easting,
            elevation=elevation,
            names=_strings(self.texts.get("point")),
            code_index=index,
            codes=distinct,
            notes=_strings(self.texts.get("note")),
            line=np.array(self.lines, dtype=np.int32),
        )


def _strings(values: list[str] | None) -> pa.Array | None:
    return None if values is None else pa.array(values, pa.string())
