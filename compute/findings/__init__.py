"""What a last look at a measurement should settle: each finding is one small function."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from compute.records import Finding

if TYPE_CHECKING:
    from compute.case import Case

SEVERITIES = ("stop", "warn", "note")

FINDERS: tuple[Callable[[Case], list[Finding]], ...] = ()


def find_all(case: Case) -> tuple[Finding, ...]:
    """Every finding of a case, those of the building first seen among them, the weightiest first."""
    found = [*case.early_findings, *(finding for finder in FINDERS for finding in finder(case))]
    return tuple(sorted(found, key=lambda f: (SEVERITIES.index(f.severity), f.code, f.message)))
