"""A traverse file in its three forms, told apart by the columns. All problems of a file at once.

Lengths stay in the file's unit: nothing here converts, so nothing here loses a digit.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, field

from compute.errors import BadOption, BadValues, ColumnsUnknown, FileEmpty, FileNotText, Problem
from compute.traverse.angles import ANGLE_UNITS, parse_angle, parse_direction

KINDS = ("backsight", "foresight", "check", "shot")
FACES = {
    "": 0, "1": 1, "2": 2, "i": 1, "ii": 2, "l": 1, "r": 2, "left": 1, "right": 2, "direct": 1, "reverse": 2,
}  # fmt: skip
FORMS: dict[str, tuple[str, ...]] = {
    "courses": ("from", "to", "direction", "distance"),
    "angles": ("at", "angle", "distance"),
    "field book": ("setup", "at", "to", "kind", "circle"),
}
OPTIONAL: dict[str, tuple[str, ...]] = {
    "courses": ("height_difference",),
    "angles": ("height_difference",),
    "field book": (
        "face", "zenith", "slope_distance", "horizontal_distance", "height_difference", "instrument_height",
        "target_height", "code", "note", "prism_constant", "ppm", "northing", "easting", "elevation",
    ),
}  # fmt: skip
KEPT_PROBLEMS = 50


@dataclass(frozen=True)
class CourseRow:
    start: str
    end: str
    azimuth_deg: float
    distance: float
    height_difference: float | None
    line: int


@dataclass(frozen=True)
class AngleRow:
    """`angle_deg` clockwise from the station before to the one after; `distance` to the one after."""

    at: str
    angle_deg: float | None
    distance: float | None
    height_difference: float | None
    line: int


@dataclass(frozen=True)
class Sight:
    """One pointing. `height_difference` is from the instrument's axis to the target; face 0: not noted.

    `prism_constant` and `ppm` as written for this sight; `northing`, `easting`, `elevation` as the instrument
    itself stored the target.
    """

    setup: str
    at: str
    to: str
    kind: str
    face: int
    circle_deg: float
    zenith_deg: float | None
    slope_distance: float | None
    horizontal_distance: float | None
    height_difference: float | None
    instrument_height: float | None
    target_height: float | None
    code: str
    note: str
    line: int
    prism_constant: float | None = None
    ppm: float | None = None
    northing: float | None = None
    easting: float | None = None
    elevation: float | None = None


@dataclass(frozen=True)
class TraverseFile:
    """One of the three row tuples is filled, as `form` says."""

    name: str
    form: str
    courses: tuple[CourseRow, ...] = ()
    angles: tuple[AngleRow, ...] = ()
    sights: tuple[Sight, ...] = ()


@dataclass
class _Reader:
    """Cells of one line, with every fault noted where it stands."""

    columns: dict[str, int]
    angle_unit: str = "degree"
    problems: list[Problem] = field(default_factory=list)
    cells: list[str] = field(default_factory=list)
    line: int = 0

    def text(self, name: str, needed: bool = False) -> str:
        place = self.columns.get(name)
        value = self.cells[place].strip() if place is not None and place < len(self.cells) else ""
        if needed and not value:
            self.fault(name, "", f"{name} is empty", f"Fill in {name}.")
        return value

    def fault(self, name: str, value: str, message: str, remedy: str) -> None:
        column = self.columns.get(name, -1) + 1
        self.problems.append(Problem(f"{message}.", remedy, self.line, column, name, value))

    def angle(self, name: str, parse: Callable[[str, str], float], needed: bool = False) -> float | None:
        value = self.text(name, needed)
        if not value:
            return None
        try:
            return parse(value, self.angle_unit)
        except ValueError as error:
            self.fault(name, value, str(error), "Write 226-54-23, 226°54′23″ or decimal degrees.")
            return None

    def length(self, name: str, needed: bool = False, positive: bool = False) -> float | None:
        value = self.text(name, needed)
        if not value:
            return None
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            self.fault(name, value, f"“{value}” is not a number", "Write a number with a decimal point.")
            return None
        if positive and number <= 0.0:
            self.fault(name, value, f"{name} has to be greater than 0", "Correct the distance.")
            return None
        return number


def read_traverse(data: bytes, name: str, angle_unit: str = "degree") -> TraverseFile:
    """The file's rows; `BadValues` lists every fault with its place, `ColumnsUnknown` names the forms.

    `angle_unit` (of `ANGLE_UNITS`) is what a bare number among the angles means.
    """
    if angle_unit not in ANGLE_UNITS:
        raise BadOption(
            f"{angle_unit!r} is no unit of angles.",
            where="angle unit",
            remedy=f"Use {', '.join(ANGLE_UNITS)}.",
        )
    rows = _rows(data, name)
    form, columns = _form([cell.strip().lower() for cell in rows[0][1]], name)
    reader = _Reader(columns, angle_unit)
    parse = {"courses": _course, "angles": _angle, "field book": _sight}[form]
    parsed: list[CourseRow | AngleRow | Sight | None] = []
    for reader.line, reader.cells in rows[1:]:
        if any(cell.strip() for cell in reader.cells[len(columns) :]):
            reader.problems.append(
                Problem("The line has more cells than the header.", "Remove the extra cells.", reader.line)
            )
        parsed.append(parse(reader))
    if len(rows) == 1:
        raise FileEmpty(f"{name} has a header and no observations.", where=name)
    refuse_if(reader.problems, name)
    return TraverseFile(
        name,
        form,
        tuple(r for r in parsed if isinstance(r, CourseRow)),
        tuple(r for r in parsed if isinstance(r, AngleRow)),
        tuple(r for r in parsed if isinstance(r, Sight)),
    )


def refuse_if(problems: list[Problem], name: str) -> None:
    if problems:
        raise BadValues(
            f"{name} has {len(problems)} value{'s' if len(problems) > 1 else ''} that cannot be used. "
            "Nothing of it was computed.",
            where=name,
            problems=tuple(problems[:KEPT_PROBLEMS]),
            total_problems=len(problems),
        )


def _rows(data: bytes, name: str) -> list[tuple[int, list[str]]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileNotText(f"{name} is not UTF-8 text (byte {error.start}).", where=name) from error
    if "\x00" in text:
        raise FileNotText(f"{name} holds binary data.", where=name)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    # Seconds of arc are written with the quotation mark: it never quotes a cell here unless it opens one.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise FileNotText(f"{name} is no CSV file: {error}.", where=name) from error
    if not rows:
        raise FileEmpty(f"{name} is empty.", where=name)
    return rows


def _form(header: list[str], name: str) -> tuple[str, dict[str, int]]:
    fitting = [form for form, needed in FORMS.items() if set(needed) <= set(header)]
    if len(fitting) == 1:
        form = fitting[0]
        unknown = [c for c in header if c and c not in FORMS[form] + OPTIONAL[form]]
        twice = sorted({c for c in header if c and header.count(c) > 1})
        if not unknown and not twice:
            return form, {column: i for i, column in enumerate(header) if column}
        fault = f"columns it does not know: {', '.join(unknown)}" if unknown else f"twice: {', '.join(twice)}"
        raise ColumnsUnknown(
            f"{name} is a {form} file with {fault}.",
            where=name,
            remedy=f"Keep only {', '.join(FORMS[form] + OPTIONAL[form])}.",
        )
    forms = "; ".join(f"{form}: {','.join(needed)}" for form, needed in FORMS.items())
    raise ColumnsUnknown(
        f"The columns of {name} ({', '.join(header)}) fit "
        f"{'more than one' if fitting else 'none'} of the forms.",
        where=name,
        remedy=f"Give a header with the columns of one form ({forms}).",
    )


def _course(reader: _Reader) -> CourseRow | None:
    start, end = reader.text("from", True), reader.text("to", True)
    if start and start == end:
        reader.fault("to", end, f"A course from {start} to itself", "Correct the station's name.")
    azimuth = reader.angle("direction", parse_direction, True)
    distance = reader.length("distance", True, positive=True)
    height = reader.length("height_difference")
    if azimuth is None or distance is None:
        return None
    return CourseRow(start, end, azimuth, distance, height, reader.line)


def _angle(reader: _Reader) -> AngleRow | None:
    return AngleRow(
        reader.text("at", True),
        reader.angle("angle", parse_angle),
        reader.length("distance", positive=True),
        reader.length("height_difference"),
        reader.line,
    )


def _sight(reader: _Reader) -> Sight | None:
    setup, at, to = (reader.text(name, True) for name in ("setup", "at", "to"))
    kind = reader.text("kind", True).lower()
    if kind and kind not in KINDS:
        reader.fault("kind", kind, f"“{kind}” is not a kind of sight", f"Write {', '.join(KINDS)}.")
    if at and at == to:
        reader.fault("to", to, f"A sight from {at} to itself", "Correct the station's name.")
    face = reader.text("face").lower()
    if face not in FACES:
        reader.fault("face", face, f"“{face}” is not a face", "Write 1 or 2, or leave it empty.")
    circle = reader.angle("circle", parse_angle, True)
    zenith = reader.angle("zenith", parse_angle)
    lengths = {
        name: reader.length(name, positive=name.endswith("distance"))
        for name in ("slope_distance", "horizontal_distance", "height_difference", "instrument_height",
                     "target_height", "prism_constant", "ppm", "northing", "easting", "elevation")
    }  # fmt: skip
    if (lengths["northing"] is None) != (lengths["easting"] is None):
        missing = "northing" if lengths["northing"] is None else "easting"
        reader.fault(missing, "", f"A stored coordinate without its {missing}", "Fill in both, or neither.")
    if lengths["slope_distance"] is not None and not reader.text("zenith"):
        reader.fault("zenith", "", "A slope distance without its zenith angle", "Fill in the zenith angle.")
    if circle is None:
        return None
    return Sight(
        setup, at, to, kind, FACES.get(face, 0), circle, zenith, **lengths, code=reader.text("code"),
        note=reader.text("note"), line=reader.line,
    )  # fmt: skip
