"""All that is wrong with a file, and what is remarkable about it, in one report."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from inventory.errors import TicketsRefused

KEPT = 1000
"""Problems that are kept one by one; the rest are counted."""


@dataclass(frozen=True)
class TicketProblem:
    """One thing wrong. `line` and `column` count from 1; 0 means the file, or the line, as a whole."""

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


@dataclass
class Report:
    """Problems and remarks of one file, gathered while its lines are read."""

    name: str
    lines_n: int = 0
    total: int = 0
    problems: list[TicketProblem] = field(default_factory=list)
    remarks: list[dict[str, Any]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, problem: TicketProblem) -> None:
        self.total += 1
        if len(self.problems) < KEPT:
            self.problems.append(problem)

    def remark(self, code: str, message: str, **detail: Any) -> None:
        self.remarks.append({"code": code, "message": message, **detail})

    def refusal(self) -> dict[str, Any]:
        """As it is kept with the import and shown: the first problems in words, all that are kept below."""
        problems = sorted(self.problems, key=lambda each: (each.line, each.column))
        first = "; ".join((f"line {each.line} " if each.line else "") + each.message for each in problems[:3])
        more = f"; and {self.total - 3} more" if self.total > 3 else ""
        return {
            "code": "tickets-refused",
            "message": f"{self.name}: {first}{more}. 0 of {self.lines_n:,} posted.",
            "remedy": TicketsRefused.remedy,
            "problems": [each.as_dict() for each in problems],
            "total_problems": self.total,
        }
