"""The fast path: whole columns at once. It either reads everything or gives up with `None`.

It never names a problem and never reads what `careful` would refuse; what it reads, `careful` reads
to the same bits, because both number parsers round correctly.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from pyarrow import csv as pa_csv

from compute.pointfiles.blanks import UNIT_SEPARATOR, divide_by_blanks
from compute.pointfiles.fields import number_codes
from compute.pointfiles.records import COORDINATES, Layout, Table
from compute.pointfiles.values import TOO_LARGE, split_tail
from compute.records import FloatArray, IntArray

Bytes = NDArray[np.uint8]

_BLOCK = 8 << 20
_NEWLINE, _COMMENT = ord("\n"), ord("#")
_LONGEST_INDENT = 64


def read_table(body: bytes, layout: Layout) -> Table | None:
    """All columns of `body` (UTF-8, `\\n` line ends), or None where only the careful path can tell."""
    blank_divided = layout.delimiter == " "
    if not blank_divided and b'"' in body:
        return None
    if not body.endswith(b"\n"):
        body += b"\n"
    text = np.frombuffer(body, dtype=np.uint8)
    ends = np.flatnonzero(text == _NEWLINE)
    starts = np.concatenate(([0], ends[:-1] + 1))
    kept = _lines_that_count(text, starts, layout)
    if kept is None or not kept.any():
        return None
    lines = np.flatnonzero(kept).astype(np.int32) + np.int32(1)
    rows, buffer = _only(body, text, starts, ends, kept)
    fields, delimiter = len(layout.columns), layout.delimiter
    if not blank_divided:
        first = int(np.argmax(kept))
        fields = max(fields, body.count(delimiter.encode(), starts[first], ends[first]) + 1)
    elif layout.tail or not _single_blanks(body):
        divided = divide_by_blanks(rows, len(layout.columns) - layout.tail, bool(layout.tail))
        if divided is None:
            return None
        buffer, delimiter = divided, UNIT_SEPARATOR
        fields += 1 - layout.tail if layout.tail else 0
    read = _parse(buffer, layout, fields, delimiter)
    if read is None or read.num_rows != len(lines):
        return None
    return _table(read, layout, fields, lines)


def _lines_that_count(text: Bytes, starts: NDArray[np.intp], layout: Layout) -> NDArray[np.bool_] | None:
    """Mask of lines that hold data; None where lines begin with more blanks than are worth following."""
    first = text[starts]
    kept = np.ones(len(starts), dtype=bool)
    odd = np.flatnonzero(np.isin(first, np.frombuffer(b"\n#;,\t ", dtype=np.uint8)))
    if len(odd):
        after_blanks = _skip(text, starts[odd], b" \t")
        after_marks = _skip(text, starts[odd], b" \t;,")
        if after_blanks is None or after_marks is None:
            return None
        kept[odd] = (text[after_blanks] != _COMMENT) & (text[after_marks] != _NEWLINE)
    if layout.header_line:
        kept[layout.header_line - 1] = False
    return kept


def _skip(text: Bytes, places: NDArray[np.intp], signs: bytes) -> NDArray[np.intp] | None:
    """Each place moved on past all of `signs`."""
    wanted = np.frombuffer(signs, dtype=np.uint8)
    places = places.copy()
    moving = np.arange(len(places))
    for _ in range(_LONGEST_INDENT):
        moving = moving[np.isin(text[places[moving]], wanted)]
        if not len(moving):
            return places
        places[moving] += 1
    return None


def _single_blanks(body: bytes) -> bool:
    return not body.startswith(b" ") and not any(odd in body for odd in (b"\t", b"  ", b" \n", b"\n "))


def _only(
    body: bytes, text: Bytes, starts: NDArray[np.intp], ends: NDArray[np.intp], kept: NDArray[np.bool_]
) -> tuple[Bytes, Any]:
    """The kept lines as an array of bytes and as a buffer, copied only where lines in between drop out."""
    first = int(np.argmax(kept))
    if kept[first:].all():
        begin = int(starts[first])
        return text[begin:], pa.py_buffer(memoryview(body)[begin:])
    rows = text[np.repeat(kept, ends - starts + 1)]
    return rows, pa.py_buffer(rows)


def _parse(buffer: Any, layout: Layout, fields: int, delimiter: str) -> pa.Table | None:
    names = [str(place) for place in range(fields)]
    types: dict[str, pa.DataType] = {name: pa.string() for name in names}
    for place, role in enumerate(layout.columns[:fields]):
        if role in COORDINATES:
            types[str(place)] = pa.float64()
        elif role == "code" or (layout.tail and place == fields - 1):
            types[str(place)] = pa.dictionary(pa.int32(), pa.string())
    used = [name for place, name in enumerate(names) if place >= len(layout.columns) or layout.columns[place]]
    try:
        return pa_csv.read_csv(
            pa.BufferReader(buffer),
            read_options=pa_csv.ReadOptions(column_names=names, block_size=_BLOCK),
            parse_options=pa_csv.ParseOptions(
                delimiter=delimiter, quote_char=False, newlines_in_values=False
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=types, include_columns=used, null_values=[], decimal_point=layout.decimal
            ),
        )
    except pa.ArrowInvalid:
        return None  # some line is odd; the careful path names it


def _table(read: pa.Table, layout: Layout, fields: int, lines: IntArray) -> Table | None:
    columns = layout.columns
    for extra in range(len(columns), fields):
        if not pc.all(pc.equal(pc.utf8_trim(read.column(str(extra)), " \t"), "")).as_py():
            return None
    numbers: dict[str, FloatArray] = {}
    for role in COORDINATES:
        column = read.column(str(columns.index(role)))
        values = column.to_numpy()
        if column.null_count or not _plausible(values):
            return None
        numbers[role] = values
    texts = _tail_texts(read, layout, fields, len(lines)) if layout.tail else {}
    for role in ("point", "note"):
        if role in columns and role not in texts:
            texts[role] = pc.utf8_trim(read.column(str(columns.index(role))), " \t").combine_chunks()
    if "code" in columns and "code" not in texts:
        raw, values = _dictionary(read.column(str(columns.index("code"))))
        texts["code"] = number_codes(raw, [value.strip(" \t") for value in values])
    index, codes = texts.get("code", (np.zeros(len(lines), np.int32), ("",)))
    return Table(
        numbers["northing"],
        numbers["easting"],
        numbers["elevation"],
        _one_array(texts.get("point")),
        index,
        codes,
        _one_array(texts.get("note")),
        lines,
    )


def _plausible(values: FloatArray) -> bool:
    return bool((np.abs(values) < TOO_LARGE).all())  # False for NaN, too


def _one_array(column: Any) -> Any:
    return column.chunk(0) if isinstance(column, pa.ChunkedArray) and column.num_chunks == 1 else column


def _dictionary(column: pa.ChunkedArray) -> tuple[NDArray[np.int32], list[str]]:
    whole = column.unify_dictionaries()
    indices = [chunk.indices.to_numpy() for chunk in whole.chunks]
    return np.concatenate(indices), whole.chunk(0).dictionary.to_pylist()


def _tail_texts(read: pa.Table, layout: Layout, fields: int, rows: int) -> dict[str, Any]:
    """Code and note out of the rest of each line, worked out once for each distinct rest."""
    raw, rests = _dictionary(read.column(str(fields - 1)))
    parts = [split_tail(rest.split(" "), layout.tail) for rest in rests]
    texts: dict[str, Any] = {}
    for place, role in enumerate(layout.columns[-layout.tail :]):
        values = [part[place] for part in parts]
        if role == "code":
            texts[role] = number_codes(raw, values)
        else:
            texts[role] = pa.array(values, pa.string()).take(pa.array(raw))
    return texts
