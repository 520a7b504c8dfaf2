"""What a field book shows by itself: heights that are missing, and what two faces say of the instrument."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from compute.records import Finding
from compute.traverse.book import Sight
from compute.traverse.reduction import Reduced

FACES_SECONDS = 30.0
"""A half-difference of the faces beyond this asks for an adjustment of the instrument, or shows a misreading.
Common practice, no source."""


def missing_heights(sights: tuple[Sight, ...], mark_to_mark: bool) -> list[Finding]:
    """A height that is missing is never taken from the line before: the sight has no height, and says so."""
    if mark_to_mark:
        return []
    vertical = [s for s in sights if s.zenith_deg is not None or s.height_difference is not None]
    no_target = [s for s in vertical if s.target_height is None]
    findings = [_no_target_height(no_target, sights)] if no_target else []
    without = [
        name
        for name in dict.fromkeys(s.setup for s in vertical)
        if all(s.instrument_height is None for s in sights if s.setup == name)
    ]
    findings += [
        Finding("instrument-height-missing", "warn", f"Set-up {name} has no instrument height: it gives no "
                "elevations.", f"set-up {name}", "Write the instrument height of the set-up.")
        for name in without
    ]  # fmt: skip
    return findings


def _no_target_height(missing: list[Sight], sights: tuple[Sight, ...]) -> Finding:
    first = missing[0]
    before = [s for s in sights if s.line < first.line and s.target_height is not None]
    last = (
        f" The last value, {before[-1].target_height:g}, stands in line {before[-1].line}." if before else ""
    )
    lines = ", ".join(str(s.line) for s in missing[:10]) + (" …" if len(missing) > 10 else "")
    names = ", ".join(dict.fromkeys(s.to for s in missing[:10]))
    return Finding(
        "target-height-missing",
        "warn",
        f"{len(missing)} sight{'s have' if len(missing) > 1 else ' has'} no target height, from line "
        f"{first.line} on (lines {lines}).{last} None was carried over from another line: these sights give "
        "no elevation.",
        names,
        "Enter each sight's target height with its evidence, or leave the shots out.",
    )


def about_faces(setups: Sequence[tuple[str, tuple[Reduced, ...]]]) -> list[Finding]:
    """Collimation and index error of the book, and the sights whose faces disagree beyond the limit."""
    found, errors = [], {"collimation": [], "index": []}  # type: tuple[list[Finding], dict[str, list[float]]]
    for setup, targets in setups:
        for target in targets:
            for name, seconds in (
                ("collimation", target.collimation_seconds),
                ("index", target.index_seconds),
            ):
                if seconds is None:
                    continue
                errors[name].append(seconds)
                if abs(seconds) > FACES_SECONDS:
                    found.append(
                        Finding("faces-disagree", "warn",
                                f"The two faces to {target.to} from set-up {setup} give a {name} "
                                f"error of {seconds:+.0f}″, beyond {FACES_SECONDS:.0f}″.",
                                f"set-up {setup}, {target.to}",
                                "Read both faces again; have the instrument adjusted if all sights show it.")
                    )  # fmt: skip
    said = [_said(name, seconds) for name, seconds in errors.items() if seconds]
    if said:
        found.append(
            Finding(
                "instrument-errors",
                "note",
                f"Sights in both faces give a {' and a '.join(said)}. Both faces together are free of them; "
                "sights in one face alone are not.",
                "reduction",
            )
        )
    return found


def _said(name: str, seconds: list[float]) -> str:
    spread = f", spread {np.std(seconds, ddof=1):.1f}″" if len(seconds) > 1 else ""
    return f"{name} error of {np.mean(seconds):+.1f}″ ({len(seconds)} targets{spread})"
