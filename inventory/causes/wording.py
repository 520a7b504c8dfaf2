"""Causes in words: what it looks like, the numbers behind it, and what would settle it."""

from __future__ import annotations

from collections.abc import Mapping

from inventory.causes.fits import Fit
from inventory.causes.history import Floats, Yard
from inventory.causes.suspects import CODES, Suspect

Way = tuple[float, Suspect, Fit]

RUNNING = ("belt-scale", "production-figures", "weighbridge", "unticketed-loads")

CHECKS: dict[str, str] = {
    "noise": "Nothing to post. A denser survey or a density test would narrow the ±.",
    "wrong-survey": "Compare strips between set-ups, the exposed pad and the pole heights in the field book; "
    "if the next month swings back, reverse what was posted.",
    "late-tickets": "Search the ticket series for gaps around the cut-off and post the missing loads in "
    "their own time.",
    "base": "Compare exposed-pad shots with the base; measure the emptied pile when it comes to that.",
    "density": "Back-calculate a density from weighed loads and the volume they left.",
    "base-changed": "Look at the bridge: the same top on the old and the new base.",
    "density-changed": "Look at the bridge: the same volume at the old and the new density.",
    "height-datum": "Check the back-sight height, the pole and the control of that visit; the same step "
    "stands on every pile of the day.",
    "material-density": "Back-calculate the density of the material; its piles are off by the same share.",
    "belt-scale": "Have the belt scale calibrated; compare its totaliser with the weighbridge over a day.",
    "production-figures": "Compare how production was counted with what was weighed out over a month.",
    "weighbridge": "Have the weighbridge checked, and tare the trucks again.",
    "unticketed-loads": "Compare gate records with tickets for this pile.",
    "neighbour": "Check the pile on the tickets of both piles, and the line between them.",
    "natural-loss": "Compare with the allowance; measure moisture before booking a loss beyond it.",
    "paper-receipts": "Ask for the weights of what was received on paper only.",
    "worked-during-count": "Take the tickets between start and end of the survey into account.",
}


def say(code: str, yard: Yard, name: str, best: Way | None) -> str:
    """One sentence with the size it would have; it says what it looks like, not what it is."""
    if best is None:
        return CODES[code] + "."
    _, suspect, found = best
    size = _size(found.size, suspect.unit)
    piles = f" on {len(suspect.shapes)} piles" if len(suspect.shapes) > 1 and code != "neighbour" else ""
    since = "" if suspect.since is None else f", {_when(code)} {yard.months[suspect.since]}"
    return f"{CODES[code]}: it would be {size}{piles}{since}."


def numbers_of(
    yard: Yard,
    name: str,
    level: Mapping[str, Floats],
    scatter: Mapping[str, float],
    best: Way | None,
) -> dict[str, str | float]:
    """The numbers a person would check by hand."""
    line = level[name]
    numbers: dict[str, str | float] = {
        "variance_t": round(float(line[-1]), 1),
        "usual_scatter_t": round(scatter[name], 1),
    }
    before = [float(v) for v in line[:-1] if v == v]
    if before:
        numbers["increment_t"] = round(float(line[-1]) - before[-1], 1)
    if best is None:
        return numbers
    gain, suspect, found = best
    numbers["log_odds"] = round(gain, 1)
    numbers["size"] = float(f"{found.size:.4g}")
    numbers["size_sd"] = float(f"{found.size_sd:.2g}")
    numbers["unit"] = suspect.unit
    pile = yard.piles[name]
    if suspect.code == "late-tickets" and pile.mean_load_t:
        numbers["loads"] = round(-found.size / pile.mean_load_t, 2)
        if suspect.since is not None and suspect.since < len(pile.missing_tickets):
            numbers["missing_tickets"] = pile.missing_tickets[suspect.since]
    if len(suspect.shapes) > 1:
        numbers["piles"] = ", ".join(sorted(suspect.shapes))
    return numbers


def _size(size: float, unit: str) -> str:
    if unit == "m":
        return f"{100.0 * size:+.1f} cm of height"
    if unit.startswith("of the"):
        return f"{100.0 * size:+.1f} % {unit}"
    if unit == "% a month":
        return f"{size:+.2f} % a month"
    return f"{size:+,.0f} {unit}"


def _when(code: str) -> str:
    return (
        "since" if code in ("belt-scale", "production-figures", "weighbridge", "unticketed-loads") else "in"
    )
