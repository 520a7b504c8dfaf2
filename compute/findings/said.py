"""How findings are declared and worded."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from compute.records import Finding, Shots

if TYPE_CHECKING:
    from compute.case import Case

Finder = Callable[["Case"], list[Finding]]

SHOWN = 5


@dataclass(frozen=True)
class Entry:
    """One line of the catalogue: a code, how grave it can be, and what it says."""

    code: str
    severity: str
    line: str


def tells(*entries: Entry) -> Callable[[Finder], Finder]:
    """Mark a function as a finder that may tell these findings."""

    def mark(finder: Finder) -> Finder:
        finder.entries = entries  # type: ignore[attr-defined]
        return finder

    return mark


def places(shots: Shots, index: Iterable[int]) -> str:
    """The first few shots in words, and how many more."""
    listed = [int(i) for i in index]
    more = f" and {len(listed) - SHOWN} more" if len(listed) > SHOWN else ""
    return "; ".join(shots.place(i) for i in listed[:SHOWN]) + more


def counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def indices(values: Iterable[int]) -> tuple[int, ...]:
    return tuple(int(value) for value in values)


def listed(words: Sequence[str]) -> str:
    more = f" and {len(words) - SHOWN} more" if len(words) > SHOWN else ""
    return ", ".join(words[:SHOWN]) + more
