"""What happened to a pile besides being measured: opened, merged, split, moved, another base or wall."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from string import ascii_uppercase
from typing import Any

from django.db.models import Q
from django.http import HttpRequest
from django.urls import reverse

from inventory.models import BaseVersion, PartitionLine, Pile, PileLineage, Status, Wall

IN_FORCE = (Status.APPROVED, Status.SUPERSEDED)


@dataclass(frozen=True)
class Event:
    """One line of a pile's story. `letter` marks it in the chart; `link` leads to another pile, if any."""

    on: dt.date
    letter: str
    what: str
    reason: str
    link: str = ""
    name: str = ""


def events_of(
    pile: Pile,
    lineage: Iterable[PileLineage],
    bases: Iterable[BaseVersion],
    walls: Iterable[Wall],
    partitions: Iterable[PartitionLine],
) -> list[Event]:
    """All that changed what the figures mean, by day, lettered from the first."""
    found: list[tuple[dt.date, int, str, str, str, str]] = [(pile.opened_on, 0, "Opened", "", "", "")]
    for link in lineage:
        came = link.to_pile_id == pile.pk
        other = link.from_pile if came else link.to_pile
        what = _came(link) if came else _went(link)
        place = reverse("pile", args=[pile.site.code, other.code])
        found.append((link.effective_on, 1, what, link.reason, place, other.code))
    found += [
        (base.valid_from, 2, f"Base v{base.version}", base.reason, "", "")
        for base in bases
        if base.status in IN_FORCE
    ]
    found += [
        (wall.valid_from, 3, f"Wall {wall.code}", wall.reason, "", "")
        for wall in walls
        if wall.status in IN_FORCE
    ]
    for line in partitions:
        if line.status in IN_FORCE:
            other = line.right if line.left_id == pile.pk else line.left
            place = reverse("pile", args=[pile.site.code, other.code])
            found.append((line.valid_from, 4, "Divided by a line from", line.reason, place, other.code))
    if pile.closed_on:
        found.append((pile.closed_on, 5, "Closed", "", "", ""))
    ordered = sorted(found, key=lambda row: (row[0], row[1], row[5]))
    return [
        Event(on, _letter(number), what, reason, link, name)
        for number, (on, _, what, reason, link, name) in enumerate(ordered)
    ]


def _came(link: PileLineage) -> str:
    return str(link.get_kind_display()).capitalize()


def _went(link: PileLineage) -> str:
    words = {"merged": "Merged into", "split": "A part split off to", "moved": "Moved to"}
    return words.get(link.kind, "Became")


def _letter(number: int) -> str:
    """A to Z, then AA."""
    ahead, last = divmod(number, len(ascii_uppercase))
    return (ascii_uppercase[ahead - 1] if ahead else "") + ascii_uppercase[last]


def for_chart(events: list[Event]) -> list[dict[str, Any]]:
    return [{"on": e.on.isoformat(), "letter": e.letter} for e in events]


def walls_of(request: HttpRequest, pile: Pile) -> list[Wall]:
    rows = Wall.objects.for_user(request.user).filter(pile=pile).exclude(status=Status.WITHDRAWN)
    return list(rows.select_related("pile", "proposed_by", "approved_by"))


def partitions_of(request: HttpRequest, pile: Pile) -> list[PartitionLine]:
    rows = PartitionLine.objects.for_user(request.user).filter(Q(left=pile) | Q(right=pile))
    rows = rows.exclude(status=Status.WITHDRAWN)
    return list(rows.select_related("left", "right", "proposed_by", "approved_by"))
