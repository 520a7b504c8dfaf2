"""Findings that go with a measurement because its shots are from field books."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from compute.blunders import SetupHeights, SetupShots, find_blunders
from compute.case import Case
from compute.findings.said import Entry
from compute.records import Finding
from compute.traverse.to_shots import shots_of_book
from surveys.fieldbook_solving import SolvedBook

WITHOUT_HEIGHT = Entry(
    "shots-without-height", "warn", "Shots of a field book without a height; no surface has them."
)
GRAVE = ("stop", "warn")
"""Notes of a book stay with the book: they say how it was reduced, not what is wrong."""


def findings_of_books(books: Sequence[SolvedBook], rules: Any, case: Case) -> tuple[Finding, ...]:
    """What the books say of themselves, and what set-ups say of each other on the surface of the pile."""
    if not books:
        return ()
    told = [finding for book in books for finding in _of_book(book)]
    return (*told, *find_blunders(case, setups_in(books, rules, case)).findings)


def _of_book(book: SolvedBook) -> list[Finding]:
    name = book.source.name
    found = [
        Finding(
            code=one["code"],
            severity=one["severity"],
            message=f"{name}: {one['message']}",
            where=one["where"],
            remedy=one["remedy"],
        )
        for one in book.record["findings"]
        if one["severity"] in GRAVE
    ]
    if book.without_height:
        shown = ", ".join(book.without_height[:10]) + (" …" if len(book.without_height) > 10 else "")
        found.append(
            Finding(
                code=WITHOUT_HEIGHT.code,
                severity=WITHOUT_HEIGHT.severity,
                message=f"{name}: {len(book.without_height)} shots have no height, so no surface has them: "
                f"{shown}.",
                where=name,
                remedy="Give the missing instrument or target height as a correction with a reason.",
            )
        )
    return found


def setups_in(books: Sequence[SolvedBook], rules: Any, case: Case) -> SetupShots:
    """Set-up and recorded pole of each shot of the case, by the line of its book; −1 for shots of no book."""
    setups: list[SetupHeights] = []
    of_line: dict[tuple[str, int], tuple[int, float]] = {}
    for book in books:
        if not book.shots:
            continue
        parts = shots_of_book(book.result, rules, book.source, book.shots)
        lines = zip(
            parts.shots.line.tolist(), parts.of.setup.tolist(), parts.of.target_height_m.tolist(), strict=True
        )
        first = len(setups)
        of_line |= {(book.source.sha256, line): (first + setup, height) for line, setup, height in lines}
        of = f" of {book.source.name}" if len(books) > 1 else ""
        setups += [replace(one, name=f"{one.name}{of}") for one in parts.of.setups]
    hashes = [file.sha256 for file in case.shots.files]
    places = zip(case.shots.file_index.tolist(), case.shots.line.tolist(), strict=True)
    found = [of_line.get((hashes[file], line), (-1, float("nan"))) for file, line in places]
    setup, height = (np.array([pair[i] for pair in found]) for i in (0, 1))
    return SetupShots(setup.astype(np.int16), height.astype(np.float64), tuple(setups))
