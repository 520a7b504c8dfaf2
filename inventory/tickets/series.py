"""Ticket numbers run in series; a missing one is a load that left unseen, or a ticket made void."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

_NUMBERED = re.compile(r"^(.*?)(\d{1,15})$")
LONGEST = 1000
"""A jump longer than this begins another series; common practice, no source."""


@dataclass(frozen=True)
class Gap:
    """Numbers `first` to `last` of a series are missing, `n` of them."""

    first: str
    last: str
    n: int

    def numbers(self) -> list[str]:
        """Each missing number, as a ticket would bear it."""
        match = _NUMBERED.match(self.first)
        if match is None:
            return []
        start, width = int(match[2]), len(match[2])
        return [f"{match[1]}{number:0{width}d}" for number in range(start, start + self.n)]

    def __str__(self) -> str:
        return self.first if self.n == 1 else f"{self.first}–{self.last} ({self.n})"


def gaps_in(documents: Iterable[str], known: Iterable[str] = ()) -> list[Gap]:
    """Gaps between the numbers of `documents`, in order; numbers of `known` count as there.

    A series is what stands before the number; its numbers may have leading noughts.
    """
    series: dict[str, dict[int, int]] = {}
    for document in (*documents, *known):
        match = _NUMBERED.match(document)
        if match:
            series.setdefault(match[1], {})[int(match[2])] = len(match[2])
    gaps = []
    for prefix, numbers in sorted(series.items()):
        ordered = sorted(numbers)
        for before, after in pairwise(ordered):
            missing = after - before - 1
            if 0 < missing <= LONGEST:
                width = numbers[before]
                first, last = (f"{prefix}{number:0{width}d}" for number in (before + 1, after - 1))
                gaps.append(Gap(first, last, missing))
    return gaps
