"""What can be refused, as one tree.

A number is right or refused with a reason. Every error has a stable `code`, says what was found and
where, why it matters, what to do, and what was done meanwhile. Errors survive pickling, so that a
worker's refusal reaches the page unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file. `line` and `column` count from 1; 0 means "the file as a whole"."""

    message: str
    remedy: str
    line: int = 0
    column: int = 0
    field: str = ""
    value: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {
            "message": self.message,
            "remedy": self.remedy,
            "line": self.line,
            "column": self.column,
            "field": self.field,
            "value": self.value,
        }


class Refused(Exception):
    """Base of everything the calculator refuses. Subclasses set `code` and usually `remedy`."""

    code = "refused"
    remedy = ""

    def __init__(
        self,
        message: str,
        *,
        where: str = "",
        remedy: str | None = None,
        problems: tuple[Problem, ...] = (),
        total_problems: int | None = None,
    ) -> None:
        self.message = message
        self.where = where
        if remedy is not None:
            self.remedy = remedy
        self.problems = problems
        self.total_problems = len(problems) if total_problems is None else total_problems
        super().__init__(message)

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (
            type(self),
            self.message,
            self.where,
            self.remedy,
            self.problems,
            self.total_problems,
        )

    def as_dict(self) -> dict[str, Any]:
        body: dict[str, Any] = {
            "code": self.code,
            "message": self.message,
            "where": self.where,
            "remedy": self.remedy,
        }
        if self.problems:
            body["problems"] = [problem.as_dict() for problem in self.problems]
            body["total_problems"] = self.total_problems
        return body


def _rebuild(
    kind: type[Refused],
    message: str,
    where: str,
    remedy: str,
    problems: tuple[Problem, ...],
    total_problems: int,
) -> Refused:
    return kind(message, where=where, remedy=remedy, problems=problems, total_problems=total_problems)


# --- files ---------------------------------------------------------------------------------------


class FileRefused(Refused):
    """A point file cannot be read without guessing. Nothing of it was imported."""

    code = "file-refused"


class FileEmpty(FileRefused):
    code = "file-empty"
    remedy = "Check the export or the copy, then send the file again."


class FileNotText(FileRefused):
    code = "file-not-text"
    remedy = "Export the points as text (CSV or columns divided by blanks)."


class ColumnsUnknown(FileRefused):
    code = "columns-unknown"
    remedy = "Declare the column order, for example point,northing,easting,elevation,code."


class DelimiterUnclear(FileRefused):
    code = "delimiter-unclear"
    remedy = "Declare the delimiter and the decimal mark."


class BadValues(FileRefused):
    code = "bad-values"
    remedy = "Correct the lines named, or export the file again."


class BadOption(Refused):
    """An option or a parameter has a value outside what is allowed."""

    code = "bad-option"


class BadEdge(Refused):
    code = "bad-edge"
    remedy = "Give one GeoJSON polygon in local easting, northing that does not cross itself."


# --- geometry ------------------------------------------------------------------------------------


class TooFewShots(Refused):
    code = "too-few-shots"
    remedy = "Give at least three shots that do not lie on one line."


class ToeRingAmbiguous(Refused):
    code = "toe-ring-ambiguous"
    remedy = "Add toe shots at the places named, number them in order, or draw the outer edge."


class ToeRingCrossesItself(Refused):
    code = "toe-ring-crosses-itself"
    remedy = "Correct the order of the shots named, or draw the outer edge."


class TooFewToeShots(Refused):
    code = "too-few-toe-shots"
    remedy = "Shoot at least three toe shots (eight or more for a stock figure), or draw the outer edge."


class OuterEdgeNotCovered(Refused):
    code = "outer-edge-not-covered"
    remedy = "Survey the missing part, or draw the outer edge inside what was measured."


class BaseNotCovering(Refused):
    code = "base-not-covering"
    remedy = "Survey the missing ground, choose another base, or draw the outer edge inside the base."


class BaseNotPossible(Refused):
    code = "base-not-possible"
    remedy = "Choose another base: a surveyed ground, a fixed level, or one through the toe shots."


class NothingToMeasure(Refused):
    code = "nothing-to-measure"
    remedy = "Check the roles of the codes: at least three shots must belong to the top surface."


class NumberNotFinite(Refused):
    code = "number-not-finite"
    remedy = "Correct the values named."
