"""What a shot is for. Roles come from codes by rules of the site; the defaults are the trade's.

Rules are data: role → patterns with shell wildcards, matched without regard to case against the
whole code and against its first word, so that `CRS 1` is the crest line number 1.
"""

from __future__ import annotations

ROLES: tuple[str, ...] = (
    "spot",
    "toe",
    "crest",
    "breakline",
    "wall",
    "floor",
    "ground",
    "control",
    "check",
    "structure",
    "rejected",
    "unknown",
)
"""Index in this tuple is the value in `Shots.role`."""

ROLE_INDEX: dict[str, int] = {name: index for index, name in enumerate(ROLES)}

TOP_ROLES: frozenset[str] = frozenset({"spot", "toe", "crest", "breakline", "wall"})
"""Roles that shape the top surface."""

BASE_ROLES: frozenset[str] = frozenset({"spot", "toe", "crest", "breakline", "wall", "floor", "ground"})
"""Roles that shape a surveyed ground: there, every shot on the ground counts."""

LINE_ROLES: frozenset[str] = frozenset({"crest", "breakline", "wall"})
"""Roles whose numbered strings are honoured as edges of the surface."""

DEFAULT_RULES: dict[str, tuple[str, ...]] = {
    "toe": ("TOE*",),
    "crest": ("CRS*",),
    "breakline": ("BRK*",),
    "spot": ("SPT*", ""),
    "wall": ("WAL*",),
    "floor": ("FLR*",),
    "ground": ("GND*",),
    "check": ("CHK*",),
    "control": ("CTL*",),
    "structure": ("STR*",),
    "rejected": ("XXX*",),
}
