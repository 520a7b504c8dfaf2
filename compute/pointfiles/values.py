"""Numbers and fields as they stand in a text file.

The grammar of a number is decimal digits with one decimal mark, an optional sign and an optional
exponent. Nothing else is a number: no thousands marks, no underscores, no NaN, no infinity.
"""

from __future__ import annotations

import csv
import re

TOO_LARGE = 1e9
"""A coordinate of a thousand million is a slipped column or a lost decimal mark in any unit."""

STRICT: dict[str, re.Pattern[str]] = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII),
}
NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#\w+)", re.IGNORECASE)
PLACEHOLDER = re.compile(r"n/?a|null|none|-+|\?+|\*+", re.IGNORECASE)
THOUSANDS = re.compile(
    r"[+-]?\d{1,3}(?:(?:,\d{3})+\.\d*|(?:\.\d{3})+,\d*|(?:,\d{3}){2,}|(?:\.\d{3}){2,}"
    r"|(?:[ '’\u00a0\u2009\u202f]\d{3})+(?:[.,]\d*)?)",
    re.ASCII,
)
MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_BLANKS = re.compile(r"[ \t]+")


def is_number(text: str, decimal: str) -> bool:
    return STRICT[decimal].fullmatch(text) is not None


def looks_like_number(text: str) -> bool:
    """True for a number with either decimal mark, with thousands marks, or not finite."""
    return (
        STRICT["."].fullmatch(text) is not None
        or STRICT[","].fullmatch(text) is not None
        or THOUSANDS.fullmatch(text) is not None
        or NOT_FINITE.fullmatch(text) is not None
    )


def to_float(text: str, decimal: str) -> float:
    """The nearest float64 of a number that `is_number` accepts."""
    return float(text.replace(",", ".") if decimal == "," else text)


def split_fields(line: str, delimiter: str) -> list[str]:
    """The fields of one line without the blanks around them; `csv.Error` for quotes that do not pair.

    Divided by blanks, a run of blanks and tabs is one delimiter and quotes have no meaning.
    """
    if delimiter == " ":
        return line.split() if line.isascii() else [part for part in _BLANKS.split(line) if part]
    if '"' not in line:
        return [part.strip(" \t") for part in line.split(delimiter)]
    row = next(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True))
    return [part.strip(" \t") for part in row]


def split_loosely(line: str, delimiter: str) -> list[str]:
    """Like `split_fields`, for a first look: quotes that do not pair are taken as text."""
    try:
        return split_fields(line, delimiter)
    except csv.Error:
        return [part.strip(" \t") for part in line.split(delimiter)]


def holds_something(line: str) -> bool:
    """False for comment lines (first sign `#`), blank lines and lines of delimiters only."""
    return bool(line.strip(" \t;,")) and not line.lstrip(" \t").startswith("#")


def split_tail(words: list[str], tail: int) -> list[str]:
    """The words at the end of a line divided by blanks, as `tail` columns.

    One column takes all words. Of `code, note`, the code is the first word, with the second if the
    first is letters only and the second a whole number (`CRS 1`); the note is the rest.
    """
    if tail == 1:
        return [" ".join(words)]
    numbered = len(words) > 1 and words[0].isalpha() and words[1].isascii() and words[1].isdigit()
    taken = 2 if numbered else 1
    return [" ".join(words[:taken]), " ".join(words[taken:])]
