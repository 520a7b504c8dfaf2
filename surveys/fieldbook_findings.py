"""Findings that go with a measurement because its shots are from field books."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from compute.case import Case
from compute.records import Finding
from surveys.fieldbook_solving import SolvedBook

GRAVE = ("stop", "warn")
"""Notes of a book stay with the book: they say how it was reduced, not what is wrong."""


def findings_of_books(books: Sequence[SolvedBook], rules: Any, case: Case) -> tuple[Finding, ...]:
    """What the books say of themselves, and what set-ups say of each other on the surface of the pile."""
    if not books:
        return ()
    return tuple(finding for book in books for finding in _of_book(book))


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
                code="shots-without-height",
                severity="warn",
                message=f"{name}: {len(book.without_height)} shots have no height, so no surface has them: "
                f"{shown}.",
                where=name,
                remedy="Give the missing instrument or target height as a correction with a reason.",
            )
        )
    return found
