"""Corrections to a set-up, laid over observations that are never edited.

Each correction is data: which set-up, which field, the right value, and why. Applied to a file as read it
gives another file, from which a new solution is made; the bytes of the book stay what they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from compute.errors import BadOption
from compute.traverse.book import Sight, TraverseFile

FIELDS = ("instrument_height", "target_height", "orientation", "station", "backsight")
NUMBERS = FIELDS[:3]


@dataclass(frozen=True)
class SetupCorrection:
    """One correction.

    field : `instrument_height` and `target_height` in the book's unit; `orientation` degrees, added clockwise
            to every direction of the set-up but its back-sight's; `station` the station it really stood on;
            `backsight` the mark it really sighted
    first_shot, last_shot : points as named in the book, in its order, both included; for `target_height`
            only. Empty: all sights of kind shot
    """

    setup: str
    field: str
    value: float | str
    reason: str
    first_shot: str = ""
    last_shot: str = ""

    def as_dict(self) -> dict[str, Any]:
        return {
            "setup": self.setup,
            "field": self.field,
            "value": self.value,
            "reason": self.reason,
            "first_shot": self.first_shot,
            "last_shot": self.last_shot,
        }


def apply_corrections(file: TraverseFile, corrections: tuple[SetupCorrection, ...]) -> TraverseFile:
    """The file with the corrections laid over its sights, in their order: a later one wins.

    Raises `BadOption` for an unknown set-up, field or shot, a value of the wrong kind, or no reason.
    """
    sights = file.sights
    for correction in corrections:
        _check(correction, file)
        chosen = _chosen(correction, sights)
        change = _CHANGES[correction.field]
        sights = tuple(
            change(sight, correction.value) if i in chosen else sight for i, sight in enumerate(sights)
        )
    return replace(file, sights=sights)


def _check(correction: SetupCorrection, file: TraverseFile) -> None:
    where = f"correction of set-up {correction.setup}"
    if correction.field not in FIELDS:
        raise BadOption(
            f"{correction.field!r} of a set-up cannot be corrected.",
            where=where,
            remedy=f"Correct one of {', '.join(FIELDS)}.",
        )
    if not correction.reason.strip():
        raise BadOption(
            "A correction without a reason is not applied.", where=where, remedy="Say what the evidence is."
        )
    names = list(dict.fromkeys(s.setup for s in file.sights))
    if correction.setup not in names:
        raise BadOption(
            f"{file.name} has no set-up {correction.setup}.",
            where=where,
            remedy=f"Name one of {', '.join(names) or 'a field book'}.",
        )
    value = correction.value
    number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if number != (correction.field in NUMBERS) or (isinstance(value, str) and not value.strip()):
        raise BadOption(
            f"{value!r} is no {correction.field}.",
            where=where,
            remedy="Give a number." if correction.field in NUMBERS else "Give the name of a station or mark.",
        )
    if (correction.first_shot or correction.last_shot) and correction.field != "target_height":
        raise BadOption(
            f"A correction of the {correction.field} holds for the whole set-up.",
            where=where,
            remedy="Leave out the shots.",
        )


def _chosen(correction: SetupCorrection, sights: tuple[Sight, ...]) -> set[int]:
    """Indices of the sights that a correction changes."""
    own = [i for i, s in enumerate(sights) if s.setup == correction.setup]
    if correction.field == "orientation":
        return {i for i in own if sights[i].kind != "backsight"}
    if correction.field == "backsight":
        return {i for i in own if sights[i].kind == "backsight"}
    if correction.field != "target_height":
        return set(own)
    if not correction.first_shot and not correction.last_shot:
        return {i for i in own if sights[i].kind == "shot"}
    first = _position(correction.first_shot, own, sights, correction.setup, last=False)
    last = _position(correction.last_shot, own, sights, correction.setup, last=True)
    if first > last:
        raise BadOption(
            f"{correction.first_shot} comes after {correction.last_shot} in set-up {correction.setup}.",
            where=f"correction of set-up {correction.setup}",
            remedy="Exchange the two.",
        )
    return {i for i in own if first <= i <= last}


def _position(name: str, own: list[int], sights: tuple[Sight, ...], setup: str, *, last: bool) -> int:
    if not name:
        return own[-1] if last else own[0]
    places = [i for i in own if sights[i].to == name]
    if not places:
        raise BadOption(
            f"Set-up {setup} has no sight to {name}.",
            where=f"correction of set-up {setup}",
            remedy="Name a point as the book names it.",
        )
    return places[-1] if last else places[0]


_CHANGES: dict[str, Callable[[Sight, Any], Sight]] = {
    "instrument_height": lambda sight, value: replace(sight, instrument_height=float(value)),
    "target_height": lambda sight, value: replace(sight, target_height=float(value)),
    "orientation": lambda sight, value: replace(sight, circle_deg=sight.circle_deg + float(value)),
    "station": lambda sight, value: replace(sight, at=str(value)),
    "backsight": lambda sight, value: replace(sight, to=str(value)),
}
