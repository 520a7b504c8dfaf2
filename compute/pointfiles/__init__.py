"""Point files: bytes → points in metres, or a refusal that names everything wrong.

Nothing is guessed silently and nothing of a refused file is imported. `preview` shows a person what
is clear and offers a guess for the rest; `read_points` reads only what the file or a declaration
says.

How to add a file format
------------------------
1. Add one module here with three functions:

   ``sniffs(data: bytes) -> bool``
       True if the first bytes are this format's. Look at the content, never at the file's name.
   ``read(data: bytes, name: str, options: ReadOptions) -> Points``
       All points in metres and file order, `line` 0 where the format has no lines. Collect problems
       in a `problems.ProblemList` and refuse all at once. A declaration in `options` that the format
       settles itself (LandXML is always northing, easting, elevation) is refused if it contradicts.
   ``preview(data: bytes, name: str) -> Preview``
       `unclear=False` for a format that says its columns itself.

2. Add it to `FORMATS` below, before `text`, which takes everything that no other format claims.
3. Add a sample for each of its refusals to the tests.
"""

from __future__ import annotations

from typing import Protocol

from compute.errors import BadOption
from compute.pointfiles import text
from compute.pointfiles.headers import declared_columns
from compute.pointfiles.records import Points, Preview, ReadAs, ReadOptions
from compute.units import LENGTH_IN_M

__all__ = ["FORMATS", "PointFormat", "Points", "Preview", "ReadAs", "ReadOptions", "preview", "read_points"]


class PointFormat(Protocol):
    """What a module that reads one file format has."""

    def sniffs(self, data: bytes) -> bool: ...

    def read(self, data: bytes, name: str, options: ReadOptions) -> Points: ...

    def preview(self, data: bytes, name: str) -> Preview: ...


FORMATS: tuple[PointFormat, ...] = (text,)
"""Asked in this order; `text` is last."""

DELIMITER_NAMES = {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "blank": " ",
    "blanks": " ",
    "whitespace": " ",
}
DECIMAL_NAMES = {"dot": ".", "point": ".", "comma": ","}


def read_points(
    data: bytes,
    name: str,
    *,
    columns: tuple[str, ...] | None = None,
    unit: str = "metre",
    delimiter: str | None = None,
    decimal: str | None = None,
) -> Points:
    """All points of a file, site frame, metres, or a refusal. Nothing is imported from a refused file.

    columns   : names in file order out of point, northing, easting, elevation, code, note; `-` or
                `skip` ignores a column. Without it the file must have a header.
    unit      : `metre`, `foot` or `us-survey-foot`, for all three coordinates
    delimiter : `,` `;` tab or blank, or comma, semicolon, tab, blank; without it the file must tell
    decimal   : `.` or `,`, or dot, comma; without it the file must tell

    Raises FileEmpty, FileNotText, ColumnsUnknown, DelimiterUnclear, BadValues (all FileRefused, with
    the first 50 problems and their total), BadOption for a declaration that is not allowed.
    """
    options = ReadOptions(
        columns=None if columns is None else declared_columns(columns),
        unit=_allowed(unit, "unit", dict.fromkeys(LENGTH_IN_M)),
        delimiter=None if delimiter is None else _allowed(delimiter, "delimiter", DELIMITER_NAMES),
        decimal=None if decimal is None else _allowed(decimal, "decimal mark", DECIMAL_NAMES),
    )
    return _format_of(data).read(data, name, options)


def preview(data: bytes, name: str) -> Preview:
    """The first look at a file: what is clear, and a guess to confirm for the rest.

    Raises FileEmpty, FileNotText; a file that `read_points` would refuse for another reason comes
    back with `unclear=True` and the reason.
    """
    return _format_of(data).preview(data, name)


def _format_of(data: bytes) -> PointFormat:
    return next(kind for kind in FORMATS if kind.sniffs(data))


def _allowed(value: str, what: str, names: dict[str, str] | dict[str, None]) -> str:
    """The sign for a name, or the value itself where it is one of the signs or names without a sign."""
    if value in names:
        return names[value] or value
    if value in names.values():
        return value
    raise BadOption(
        f'The {what} "{value}" is not known.', where=what, remedy=f"Use one of: {', '.join(names)}."
    )
