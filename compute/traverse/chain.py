"""The run of stations that a file describes, whatever its form, and the control it hangs on."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from compute.errors import BadOption, Problem
from compute.records import FloatArray
from compute.traverse.angles import azimuth_between, turn
from compute.traverse.book import AngleRow, CourseRow, TraverseFile, refuse_if

FIRST_STATION = (1000.0, 1000.0, 50.0)


@dataclass(frozen=True)
class Control:
    """Known stations `{name: (northing, easting, elevation | None)}` in the file's unit, and known azimuths
    `{(from, to): degrees}`."""

    stations: dict[str, tuple[float, float, float | None]] = field(default_factory=dict)
    azimuths: dict[tuple[str, str], float] = field(default_factory=dict)

    def azimuth(self, start: str, end: str) -> float | None:
        """Known azimuth from `start` to `end`: given, given the other way, or by coordinates."""
        if (start, end) in self.azimuths:
            return self.azimuths[start, end]
        if (end, start) in self.azimuths:
            return turn(self.azimuths[end, start] + 180.0)
        if start in self.stations and end in self.stations and start != end:
            a, b = self.stations[start], self.stations[end]
            return azimuth_between(b[0] - a[0], b[1] - a[1])
        return None


@dataclass(frozen=True)
class Traverse:
    """n courses through n + 1 places; a loop names its first station again at the end.

    distance, height, direction_deg : (n,) float64, horizontal, in the file's unit, NaN where not observed;
    angle_deg : (n + 1,) float64, clockwise at each place from the one before to the one after, NaN where not
    observed. At place 0 it is counted from `start_sight`, at place n to `end_sight`.
    """

    stations: tuple[str, ...]
    distance: FloatArray
    height: FloatArray
    direction_deg: FloatArray
    angle_deg: FloatArray
    start_sight: str = ""
    end_sight: str = ""

    @property
    def is_loop(self) -> bool:
        return len(self.stations) > 1 and self.stations[0] == self.stations[-1]

    @property
    def is_polygon(self) -> bool:
        """A loop whose angle at the first station is between its last and its first course."""
        n = len(self.distance)
        return (
            self.is_loop
            and self.start_sight == self.stations[-2]
            and bool(np.isfinite(self.angle_deg[:n]).all())
        )

    def course(self, i: int) -> str:
        return f"{self.stations[i]}–{self.stations[i + 1]}"


def traverse_of_courses(file: TraverseFile) -> Traverse:
    rows = file.courses
    problems = [
        Problem(f"The course starts at {row.start}, but the one before ends at {before.end}.",
                "Put the courses in the order of the traverse.", row.line, 0, "from", row.start)
        for before, row in pairwise(rows) if row.start != before.end
    ]  # fmt: skip
    names = [rows[0].start, *(row.end for row in rows)]
    problems += _visited_twice(names, rows)
    refuse_if(problems, file.name)
    return Traverse(
        tuple(names),
        np.array([row.distance for row in rows]),
        _heights(rows),
        np.array([row.azimuth_deg for row in rows]),
        np.full(len(rows) + 1, np.nan),
    )


def traverse_of_angles(file: TraverseFile, control: Control) -> Traverse:
    """Every row with a distance: a loop back to the first station. A last row without one is the end."""
    rows = list(file.angles)
    ends = rows[-1].distance is None
    problems = [
        Problem("The distance to the next station is missing.", "Fill it in.", row.line, 0, "distance")
        for row in rows[:-1] if row.distance is None
    ]  # fmt: skip
    problems += [
        Problem(f"The angle at {row.at} is missing.", "Fill in the angle.", row.line, 0, "angle")
        for row in (rows[1:-1] if ends else rows[1:]) if row.angle_deg is None
    ]  # fmt: skip
    if len(rows) == 1:
        problems.append(Problem("One station is no traverse.", "Add a course.", rows[0].line))
    names = [row.at for row in rows]
    problems += _visited_twice(names if ends else [*names, names[0]], rows)
    refuse_if(problems, file.name)
    legs = rows[:-1] if ends else rows
    angles = [np.nan if row.angle_deg is None else row.angle_deg for row in rows]
    names, angles = (names, angles) if ends else ([*names, names[0]], [*angles, np.nan])
    loop = names[0] == names[-1]
    polygon = loop and not np.isfinite(angles[-1]) and np.isfinite(angles[0])
    if loop and not polygon and not np.isfinite(angles[0]):
        # The angle at the first station was read when closing: it is the same angle.
        angles[0], angles[-1], polygon = angles[-1], np.nan, bool(np.isfinite(angles[-1]))
    return Traverse(
        tuple(names),
        np.array([row.distance for row in legs], dtype=float),
        _heights(legs),
        np.full(len(legs), np.nan),
        np.array(angles),
        names[-2] if polygon else _outside_sight(names[0], names, control),
        "" if polygon else _outside_sight(names[-1], names, control),
    )


def _outside_sight(station: str, names: list[str], control: Control) -> str:
    """The known mark outside the traverse that was sighted from `station`: the one a known azimuth names."""
    ends = [b if a == station else a for a, b in control.azimuths if station in (a, b)]
    outside = [name for name in ends if name not in names]
    if len(outside) > 1:
        raise BadOption(
            f"{station} has {len(outside)} known azimuths to outside marks: {', '.join(outside)}.",
            where="--azimuth",
            remedy="Give the one the angle was counted from.",
        )
    return outside[0] if outside else ""


def _heights(rows: list[AngleRow] | tuple[CourseRow, ...]) -> FloatArray:
    return np.array([np.nan if r.height_difference is None else r.height_difference for r in rows])


def _visited_twice(names: list[str], rows: list[AngleRow] | tuple[CourseRow, ...]) -> list[Problem]:
    inner = names[:-1] if names[0] == names[-1] else names
    return [
        Problem(f"The traverse comes to {name} twice.", "Give one loop or one line of courses in a file.",
                rows[min(i, len(rows) - 1)].line)
        for i, name in enumerate(inner) if name in inner[:i]
    ]  # fmt: skip
