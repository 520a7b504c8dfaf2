"""What a last look at a measurement should settle: each finding is one small function of the case.

`stop` stops the approval until somebody accepts it with a reason; nothing here stops a calculation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from compute.findings.said import Entry, Finder
from compute.findings.spikes import SPIKE
from compute.records import Finding

if TYPE_CHECKING:
    from compute.case import Case

FINDERS: tuple[Finder, ...] = ()

GRAVITY = {"stop": 0, "warn": 1, "note": 2}


def find_all(case: Case) -> tuple[Finding, ...]:
    """All findings of a case and those of its building, the gravest first, then by code and place."""
    found = [*case.early_findings, *(finding for finder in FINDERS for finding in finder(case))]
    return tuple(sorted(found, key=lambda f: (GRAVITY[f.severity], f.code, f.where, f.message)))


def catalogue() -> tuple[Entry, ...]:
    """Every finding that can be told, by code."""
    entries = {SPIKE, *(entry for finder in FINDERS for entry in finder.entries)}  # type: ignore[attr-defined]
    return tuple(sorted(entries, key=lambda entry: (entry.code, GRAVITY[entry.severity])))
