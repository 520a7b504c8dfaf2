"""Finds delimiter, decimal mark and columns of a text file, or says why they are unclear.

Nothing is guessed: a reading is taken only if the other readings do not fit the first lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from compute.errors import ColumnsUnknown, DelimiterUnclear
from compute.pointfiles import headers
from compute.pointfiles.records import COORDINATES, Layout, ReadOptions
from compute.pointfiles.values import (
    MAYBE_THOUSANDS,
    is_number,
    looks_like_number,
    split_loosely,
)

Sample = Sequence[tuple[int, str]]

DELIMITERS: tuple[str, ...] = ("\t", ";", ",", " ")
"""From the least to the most likely to stand inside a field; the first that fits wins a draw."""

DELIMITER_WORDS = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
SHOWN_ROWS = 3


def find_layout(sample: Sample, name: str, options: ReadOptions) -> Layout:
    """The layout of a file from its first lines that hold something.

    Raises DelimiterUnclear, ColumnsUnknown, BadValues (a header that contradicts the declared unit).
    """
    delimiter = options.delimiter or find_delimiter(sample, name, options.columns)
    line, fields = sample[0][0], head_fields(sample[0][1], delimiter)
    remarks: tuple[str, ...] = ()
    if options.columns is not None:
        columns = options.columns
        has_header = headers.is_header_over(fields, columns)
        if has_header:
            remarks = (f"Line {line} was taken as a header; the declared column order was used.",)
    else:
        has_header = headers.is_header(fields)
        if not has_header or not headers.known_words(fields):
            raise _no_columns(sample, name, has_header)
        columns, remarks = headers.columns_of_header(fields, line, name)
    labels = _labels(columns, fields if has_header else ())
    if has_header:
        headers.check_header_units(fields, columns, options.unit, line, name)
    data = [split_loosely(text, delimiter) for _, text in sample[1 if has_header else 0 :]]
    decimal = options.decimal or find_decimal(data, delimiter, name, columns)
    layout = Layout(delimiter, decimal, columns, labels, line if has_header else 0, remarks)
    _check_counts(data, layout, name)
    return layout


def head_fields(line: str, delimiter: str) -> list[str]:
    """The fields of a line that may be a header."""
    return split_loosely(headers.join_brackets(line) if delimiter == " " else line, delimiter)


def _labels(columns: tuple[str, ...], fields: Sequence[str]) -> tuple[str, ...]:
    words = list(fields[: len(columns)]) + [""] * (len(columns) - len(fields))
    return tuple(word or role for word, role in zip(words, columns, strict=True))


def _no_columns(sample: Sample, name: str, has_header: bool) -> ColumnsUnknown:
    rows = "; ".join(f"line {line}: {text.strip()[:100]}" for line, text in sample[:SHOWN_ROWS])
    what = (
        "none of the words of its header is known" if has_header else "no header and no declared column order"
    )
    return ColumnsUnknown(
        f"{name}: {what}. Northing and easting could be either way round. The file begins with {rows}. "
        "Nothing was imported.",
        where=f"{name} line {sample[0][0]}",
    )


# --- delimiter -----------------------------------------------------------------------------------


def find_delimiter(sample: Sample, name: str, columns: tuple[str, ...] | None) -> str:
    """The one delimiter that fits. Raises DelimiterUnclear."""
    by_header = _delimiter_of_header(sample[0][1])
    if by_header:
        return by_header
    rows = [text for _, text in sample]
    if len(rows) > 1 and not any(sign.isdigit() for sign in rows[0]):
        rows = rows[1:]
    best = _best_delimiter(rows, columns) if columns else ""
    if best:
        return best
    best = _best_delimiter(rows, None)
    if not best:
        raise _unclear(sample, name, "no delimiter gives lines with three numbers or more")
    if best == "," and not _has_decimal_dots(rows):
        raise _unclear(
            sample, name, "its commas could divide fields or be decimal commas, and there is no decimal dot"
        )
    return best


def _unclear(sample: Sample, name: str, why: str) -> DelimiterUnclear:
    line, text = sample[0]
    return DelimiterUnclear(
        f"{name}: {why} (line {line}: {text.strip()[:100]}). Nothing was imported.",
        where=f"{name} line {line}",
    )


def _delimiter_of_header(line: str) -> str:
    """The delimiter under which the first line shows most header words, at least two; `""` if none does.

    A line that shows a number under any delimiter is no header: its note may say "north of N E H".
    """
    split = {delimiter: head_fields(line, delimiter) for delimiter in DELIMITERS}
    if any(looks_like_number(field) for fields in split.values() for field in fields):
        return ""
    best, most = "", 1
    for delimiter, fields in split.items():
        known = headers.known_words(fields)
        if known > most:
            best, most = delimiter, known
    return best


def _best_delimiter(rows: Sequence[str], columns: tuple[str, ...] | None) -> str:
    """The delimiter under which most lines make sense, at least half of them; `""` if none does."""
    fits = _fits_columns(columns) if columns else _fits_numbers
    best, most = "", 0.0
    for delimiter in DELIMITERS:
        score = sum(fits(split_loosely(row, delimiter), delimiter) for row in rows) / len(rows)
        if score > most:
            best, most = delimiter, score
    return best if most >= 0.5 else ""


def _fits_numbers(fields: Sequence[str], delimiter: str) -> float:
    """1 for a line with three numbers or more, a half for two (a point without a height)."""
    numbers = sum(looks_like_number(field) and not _blank_inside(field, delimiter) for field in fields)
    return 1.0 if numbers >= 3 else 0.5 if numbers == 2 else 0.0


def _blank_inside(field: str, delimiter: str) -> bool:
    # "5,100 200,300 4" is three decimal commas; do not take "100 200" for a number with a thousands mark
    return delimiter == "," and " " in field


def _fits_columns(columns: tuple[str, ...]) -> Callable[[Sequence[str], str], float]:
    places = [columns.index(role) for role in COORDINATES]
    layouts = {delimiter: Layout(delimiter, ".", columns, columns) for delimiter in DELIMITERS}

    def fits(fields: Sequence[str], delimiter: str) -> float:
        if not count_fits(fields, layouts[delimiter]):
            return 0.0
        return float(all(looks_like_number(fields[place]) for place in places))

    return fits


def count_fits(fields: Sequence[str], layout: Layout) -> bool:
    """True if a line has as many fields as the layout has columns.

    Empty fields at the end of a line are tolerated. In text divided by blanks, code and note at the
    end may be missing, and take the rest of the line.
    """
    wanted = len(layout.columns)
    if layout.tail:
        return len(fields) >= wanted - layout.tail
    return len(fields) >= wanted and not any(fields[wanted:])


def _has_decimal_dots(rows: Sequence[str]) -> bool:
    return any("." in field and is_number(field, ".") for row in rows for field in split_loosely(row, ","))


def _check_counts(data: Sequence[Sequence[str]], layout: Layout, name: str) -> None:
    """Refuse the file as a whole if no line has as many fields as there are columns."""
    if not data or any(count_fits(fields, layout) for fields in data):
        return
    counts = {len(fields) for fields in data}
    found, wanted = min(counts), len(layout.columns)
    if layout.delimiter == "," and found > wanted and all(part.lstrip("+-").isdigit() for part in data[0]):
        raise DelimiterUnclear(
            f"{name}: lines have {found} whole numbers between commas, but there are {wanted} columns. "
            "The commas seem to divide fields and to be decimal commas as well. Nothing was imported.",
            where=name,
            remedy="Export the file with a semicolon or tab as delimiter, or with decimal dots.",
        )
    if len(counts) > 1:
        return
    raise ColumnsUnknown(
        f"{name}: every line has {found} fields, but there are {wanted} columns "
        f"({', '.join(label or 'skip' for label in layout.labels)}). Nothing was imported.",
        where=name,
        remedy="Declare all columns in order; use skip for a column to ignore.",
    )


# --- decimal mark --------------------------------------------------------------------------------


def find_decimal(
    data: Sequence[Sequence[str]], delimiter: str, name: str, columns: tuple[str, ...] | None
) -> str:
    """The decimal mark of the coordinates; the dot where all are whole numbers. Raises DelimiterUnclear."""
    places = [columns.index(role) for role in COORDINATES] if columns else None
    fields = [
        field
        for row in data
        for field in (row if places is None else [row[p] for p in places if p < len(row)])
    ]
    dots = sum("." in field and is_number(field, ".") for field in fields)
    with_comma = [field for field in fields if "," in field and is_number(field, ",")]
    if dots == len(with_comma) and dots:
        raise DelimiterUnclear(
            f"{name}: as many numbers have a decimal dot as a comma ({dots} each in the first lines). "
            "Nothing was imported.",
            where=name,
            remedy="Declare the decimal mark.",
        )
    if dots >= len(with_comma):
        return "."
    # Semicolons divide fields where the comma is the decimal mark; elsewhere 1,234 may be 1234.
    if not dots and delimiter != ";" and all(MAYBE_THOUSANDS.fullmatch(field) for field in with_comma):
        raise DelimiterUnclear(
            f'{name}: "{with_comma[0]}" could hold a decimal comma or a thousands mark, and no number '
            "in the first lines settles it. Nothing was imported.",
            where=name,
            remedy="Declare the decimal mark, or export the file without thousands marks.",
        )
    return ","
