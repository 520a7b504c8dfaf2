"""The limit and the structured hazards of the invented yard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from inventory import hazards, limits

if TYPE_CHECKING:
    from surveys.demo.book import Book

CHIPS = "KTV-02"
HAZARDS = {
    "DRV-01": ("traffic", "Loaders cross the pad between stacker and weighbridge"),
    "TUL-03": ("feeder", "Reclaim feeder under the west third"),
}
"""Pile → one danger beside its free text."""


def lay_limits(book: Book) -> None:
    """25 feet (7.62 m) for wood chips, as in the fire plan that the yard invented for itself."""
    pile = book.pile(CHIPS)
    if not pile.limits.exists():
        limit = limits.propose_limit(
            site=pile.site,
            pile=pile,
            quantity="height",
            operator="max",
            given="25",
            unit="foot",
            reference_surface="the planed pad",
            source="Fire plan of the yard",
            page="2",
            consequence="Tipping stops until the fire officer agrees to more.",
            reason="Fire plan accepted when the pile was opened",
            valid_from=pile.opened_on,
            by=book.cast.surveyor_of("KTV"),
        )
        limits.approve_limit(limit, book.cast.manager_of("KTV"))
    for code, (kind, words) in HAZARDS.items():
        known = book.pile(code)
        if not known.hazard_points.exists():
            hazards.record_hazard(known, kind, words, book.cast.manager_of(known.site.code))
