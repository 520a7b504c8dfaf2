"""What is dangerous about a pile, one entry a danger: recorded, and ended with a reason; never deleted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.errors import BadEntry
from inventory.models import Pile, PileHazard, User
from inventory.rights import require
from inventory.validity import required_text

CAUTIONS: dict[str, str] = {
    "feeder": "Nobody stands or drives above it: material bridges and opens without warning.",
    "draw-point": "Nobody goes where material is being drawn, nor below the face above it.",
    "void": "Stay off the crust: compaction, frost or idle time can hide a hole.",
    "undercut": "Keep away from the toe and the crest until it has been trimmed.",
    "traffic": "Agree with the drivers first, wear what the site asks for, stay in their sight.",
    "power-line": "Keep poles and machines away by the distance that the owner of the line gives.",
    "other": "",
}
"""The usual cautions, common practice; local rules and a competent person come first."""

FOLLOWS_RULES = (
    "The rules of the site, the local code and the inspection by a competent person come first. This card "
    "holds what somebody recorded; it does not say that there is nothing else. A pile that is not safe to "
    "walk is not walked: say so in the survey, and the certificate will."
)


@dataclass(frozen=True)
class HazardCard:
    """What to read before going onto a pile. `words` is the free text, `entries` the known dangers."""

    pile: Pile
    words: str
    entries: tuple[tuple[PileHazard, str], ...]

    @property
    def is_empty(self) -> bool:
        return not self.words and not self.entries


def cards_of(piles: Sequence[Pile]) -> list[HazardCard]:
    """One card a pile, in the order given. One query."""
    standing: dict[int, list[PileHazard]] = {}
    for hazard in PileHazard.objects.filter(pile__in=piles, ended_at__isnull=True).order_by("kind", "pk"):
        standing.setdefault(hazard.pile_id, []).append(hazard)
    return [HazardCard(pile, pile.hazards.strip(), _entries(standing.get(pile.pk, ()))) for pile in piles]


@transaction.atomic
def record_hazard(pile: Pile, kind: str, words: str, by: User) -> PileHazard:
    """Raises `NotAllowed`, `BadEntry`."""
    require(by, pile.site.organization, "record_hazards")
    if kind not in PileHazard.Kind.values:
        raise BadEntry(
            f"kind: “{kind}” is unknown. Nothing was changed.",
            where="kind",
            remedy=f"Choose one of: {', '.join(PileHazard.Kind.values)}.",
        )
    hazard = PileHazard.objects.create(
        pile=pile, kind=kind, words=required_text(words, "words"), recorded_by=by
    )
    _record(hazard, by, "record_hazard", hazard.words)
    return hazard


@transaction.atomic
def end_hazard(hazard: PileHazard, by: User, reason: str) -> PileHazard:
    """The danger is gone, and why that is so. Raises `NotAllowed`, `BadEntry`."""
    hazard = (
        PileHazard.objects.select_for_update(of=("self",))
        .select_related("pile__site__organization")
        .get(pk=hazard.pk)
    )
    require(by, hazard.pile.site.organization, "record_hazards")
    if hazard.ended_at is not None:
        raise BadEntry("This hazard was ended already. Nothing was changed.", where="hazard")
    hazard.ended_by, hazard.ended_at = by, timezone.now()
    hazard.ended_reason = required_text(reason, "reason")
    hazard.save(update_fields=["ended_by", "ended_at", "ended_reason"])
    _record(hazard, by, "end_hazard", hazard.ended_reason)
    return hazard


def _entries(hazards: Iterable[PileHazard]) -> tuple[tuple[PileHazard, str], ...]:
    return tuple((hazard, CAUTIONS[hazard.kind]) for hazard in hazards)


def _record(hazard: PileHazard, by: User, verb: str, words: str) -> None:
    detail = {"pile": hazard.pile.code, "kind": hazard.kind, "words": words}
    record_event(hazard.pile.site.organization, by=by, verb=verb, subject=hazard, detail=detail)
