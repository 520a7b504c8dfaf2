"""Records of reading: what a file held, and how it was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from compute.records import FloatArray, IntArray, SourceFile

ROLES_OF_COLUMNS: tuple[str, ...] = ("point", "northing", "easting", "elevation", "code", "note")
COORDINATES: tuple[str, ...] = ("northing", "easting", "elevation")


@dataclass(frozen=True)
class ReadOptions:
    """What a person declared about a file. `None` means "not declared: the file must tell".

    columns   : column names in file order, `""` for a column to ignore
    unit      : `metre`, `foot` or `us-survey-foot`
    delimiter : `","`, `";"`, `"\\t"` or `" "` (runs of blanks and tabs)
    decimal   : `"."` or `","`
    """

    columns: tuple[str, ...] | None = None
    unit: str = "metre"
    delimiter: str | None = None
    decimal: str | None = None


@dataclass(frozen=True)
class ReadAs:
    """How a file was read, so that it can be read the same way again.

    columns     : role of each column in file order, `""` for an ignored one
    header_line : line of the header, from 1; 0 where there is none
    remarks     : what was decided while reading, in words for a person
    """

    columns: tuple[str, ...]
    unit: str
    delimiter: str
    decimal: str
    encoding: str
    header_line: int = 0
    remarks: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            "columns": list(self.columns),
            "unit": self.unit,
            "delimiter": self.delimiter,
            "decimal": self.decimal,
            "encoding": self.encoding,
            "header_line": self.header_line,
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True)
class Points:
    """All points of one file, in file order, site frame, metres. Arrays are read-only.

    northing_m, easting_m, elevation_m : (N,) float64, finite
    names      : pyarrow string array of N point names, or None where the file has none
    code_index : (N,) int32   index into `codes`
    codes      : distinct codes as written, sorted; `""` is the blank code
    notes      : pyarrow string array of N notes, or None where the file has none
    line       : (N,) int32   line in the file, from 1, counting comments and blank lines too
    """

    northing_m: FloatArray
    easting_m: FloatArray
    elevation_m: FloatArray
    names: Any
    code_index: IntArray
    codes: tuple[str, ...]
    notes: Any
    line: IntArray
    source: SourceFile
    read_as: ReadAs

    def __len__(self) -> int:
        return int(self.northing_m.shape[0])


@dataclass(frozen=True)
class Preview:
    """The first look at a file, for a page where a person confirms how to read it.

    delimiter, decimal : as found, `""` where unclear
    columns            : role of each column, `""` where there is no guess; a guess is never used
                         for reading until a person has declared it
    header             : the header's fields as written, or empty
    rows               : the first lines of data, split; one field a line where the delimiter is unclear
    lines              : the line number of each row
    unclear            : True if `read_points` would refuse without a declaration
    reason             : why it is unclear, in words; empty otherwise
    """

    name: str
    encoding: str
    delimiter: str
    decimal: str
    has_header: bool
    header: tuple[str, ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    unclear: bool
    reason: str
    remarks: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "encoding": self.encoding,
            "delimiter": self.delimiter,
            "decimal": self.decimal,
            "has_header": self.has_header,
            "header": list(self.header),
            "columns": list(self.columns),
            "rows": [list(row) for row in self.rows],
            "lines": list(self.lines),
            "unclear": self.unclear,
            "reason": self.reason,
            "remarks": list(self.remarks),
        }


@dataclass(frozen=True)
class Layout:
    """How the fields of one text file lie.

    columns : role of each column in file order, `""` for one to ignore
    labels  : what the file or the declaration calls each column; used in messages only
    """

    delimiter: str
    decimal: str
    columns: tuple[str, ...]
    labels: tuple[str, ...]
    header_line: int = 0
    remarks: tuple[str, ...] = ()

    @property
    def tail(self) -> int:
        """Number of columns that share the rest of a line in text divided by blanks: 0, 1 or 2."""
        if self.delimiter != " ":
            return 0
        if self.columns[-2:] == ("code", "note"):
            return 2
        return 1 if self.columns[-1:] in (("code",), ("note",)) else 0


@dataclass(frozen=True)
class Table:
    """Columns of a file before any unit is applied; what both reading paths must agree on."""

    northing: FloatArray
    easting: FloatArray
    elevation: FloatArray
    names: Any
    code_index: IntArray
    codes: tuple[str, ...]
    notes: Any
    line: NDArray[np.int32]
