"""What is computed from the adjusted stations: shots, side marks and check sights."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from compute.errors import BadOption
from compute.records import Finding
from compute.traverse.angles import azimuth_between, turn
from compute.traverse.chain import Control
from compute.traverse.reduction import Reduced
from compute.traverse.setups import Setup

Place = tuple[float, float, float | None]
CHECK_M = 0.02
"""A check sight may differ this much in plan and in height. Common practice, no source."""


@dataclass(frozen=True)
class Shot:
    """A point radiated from a set-up, in the file's unit; elevation None where a height is missing."""

    point: str
    place: Place
    code: str
    setup: str
    line: int = 0


def radiate(
    setup: Setup, target: Reduced, at: dict[str, Place], control: Control, turned: Mapping[str, float]
) -> Place:
    """Coordinates of `target` by direction, distance and height difference from a set-up.

    `turned` : azimuth of the circle's zero of the set-ups (by name) that do not hang on their back-sight
    """
    assert target.distance is not None
    here = at[setup.at]
    zero = turned[setup.name] if setup.name in turned else _orientation(setup, at, control)
    azimuth = math.radians(zero + target.direction_deg)
    up = None if here[2] is None or target.height_difference is None else here[2] + target.height_difference
    return (
        here[0] + target.distance * math.cos(azimuth),
        here[1] + target.distance * math.sin(azimuth),
        up,
    )


def shots_of(
    setups: tuple[Setup, ...], at: dict[str, Place], control: Control, turned: Mapping[str, float]
) -> list[Shot]:
    return [
        Shot(target.to, radiate(setup, target, at, control, turned), target.code, setup.name, target.line)
        for setup in setups
        for target in setup.targets
        if target.kind == "shot"
    ]


def side_marks(
    setups: tuple[Setup, ...], at: dict[str, Place], control: Control, turned: Mapping[str, float]
) -> tuple[dict[str, Place], list[Finding]]:
    """Foresights that no set-up follows: radiated, and named as the open legs they are."""
    marks: dict[str, Place] = {}
    findings = []
    for setup in setups:
        for target in setup.targets:
            # A mark whose direction is known without coordinates closes angles; its distance places nothing.
            known = target.to in at or target.to in marks or control.azimuth(setup.at, target.to) is not None
            if target.kind == "foresight" and not known:
                marks[target.to] = radiate(setup, target, at, control, turned)
                findings.append(
                    Finding(
                        "open-leg",
                        "warn",
                        f"{target.to} hangs on one foresight from set-up {setup.name}: nothing checks it.",
                        f"course {setup.at}–{target.to}",
                        "Sight it from a second station.",
                    )
                )
    return marks, findings


def check_sights(
    setups: tuple[Setup, ...], at: dict[str, Place], control: Control, unit_m: float,
    turned: Mapping[str, float],
) -> list[Finding]:  # fmt: skip
    """Check sights to stations whose coordinates are known or adjusted, and distances to the back-sight."""
    findings = []
    for setup in setups:
        for target in setup.targets:
            if target.kind != "check" or target.to not in at or target.distance is None:
                continue
            seen, known = radiate(setup, target, at, control, turned), at[target.to]
            plan = math.hypot(seen[0] - known[0], seen[1] - known[1])
            up = None if seen[2] is None or known[2] is None else seen[2] - known[2]
            beyond = max(plan, abs(up or 0.0)) > CHECK_M / unit_m
            height = "no height" if up is None else f"{up:+.4f} in height"
            findings.append(
                Finding(
                    "check-sight-off" if beyond else "check-sight",
                    "warn" if beyond else "note",
                    f"The check to {target.to} from set-up {setup.name} differs by {plan:.4f} in plan, "
                    f"{height} ({CHECK_M / unit_m:.4f} accepted).",
                    f"set-up {setup.name}, {target.to}",
                    "Check the orientation, the target height and the mark; measure it again."
                    if beyond
                    else "",
                )
            )
    return findings


def _orientation(setup: Setup, at: dict[str, Place], control: Control) -> float:
    """Azimuth of the circle's zero: to the adjusted back-sight where it has coordinates, else as known, else
    to another station sighted."""
    back = setup.backsight
    known = control.azimuth(setup.at, back.to)
    if back.to not in at and known is None:
        others = (t for t in setup.targets if t.kind in ("foresight", "check") and t.to in at)
        back = next(others, back)
    if back.to in at:
        here, there = at[setup.at], at[back.to]
        azimuth = azimuth_between(there[0] - here[0], there[1] - here[1])
    else:
        if known is None:
            raise BadOption(
                f"Set-up {setup.name} hangs on {back.to}, whose direction from {setup.at} is not known.",
                where=f"set-up {setup.name}",
                remedy=f"Give --azimuth {setup.at},{back.to},DIRECTION or --station {back.to},…",
            )
        azimuth = known
    return turn(azimuth - back.direction_deg)
