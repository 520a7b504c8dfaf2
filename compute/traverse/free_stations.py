"""Set-ups of a book that stand on no known station and are placed from the known points they sight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from compute.records import Finding
from compute.traverse.adjust import Precision
from compute.traverse.chain import Control
from compute.traverse.resection import FreeStation, KnownSight, ResectionRefused, resect
from compute.traverse.setups import Setup, free_setups

Place = tuple[float, float, float | None]
FITS_M = 0.01
"""A free station is accepted where its points fit to a centimetre in plan and in height. Common practice, no
source."""


def known_sights(setup: Setup, places: Mapping[str, Place]) -> tuple[KnownSight, ...]:
    """Back-sights, foresights and checks of a set-up to points with coordinates."""
    return tuple(
        KnownSight(t.to, *places[t.to], t.direction_deg, t.distance, t.height_difference)
        for t in setup.targets
        if t.kind != "shot" and t.to in places
    )


def resect_known(
    setups: tuple[Setup, ...], control: Control, unit_m: float, precision: Precision
) -> tuple[Control, tuple[FreeStation, ...], tuple[str, ...]]:
    """Control with the free stations that hang on known points alone, those stations, and their set-ups."""
    stations, names = [], []
    for setup in free_setups(setups, control):
        sights = known_sights(setup, control.stations)
        if len({s.name for s in sights}) >= 2:
            stations.append(resect(setup.at, sights, unit_m, precision))
            names.append(setup.name)
    places = dict(control.stations) | {s.name: s.place for s in stations}
    return replace(control, stations=places), tuple(stations), tuple(names)


def most_likely_wrong(
    name: str, sights: tuple[KnownSight, ...], unit_m: float, precision: Precision
) -> str | None:
    """The point without which the others fit best. Residuals alone mislead, since one point that moved pulls
    the station. None where fewer than three would be left, and nothing could tell."""
    names = list(dict.fromkeys(s.name for s in sights))
    misfit: dict[str, float] = {}
    for out in names if len(names) >= 4 else ():
        try:
            left = resect(name, sights, unit_m, precision, drop=(out,))
        except ResectionRefused:
            continue
        if left.variance_factor is not None:
            misfit[out] = left.variance_factor
    return min(misfit, key=lambda out: misfit[out]) if misfit else None


def about_free(
    stations: tuple[FreeStation, ...], sights: Mapping[str, tuple[KnownSight, ...]], unit_m: float,
    precision: Precision,
) -> list[Finding]:  # fmt: skip
    """One finding a station: every point with its residual, and what is weak. `sights` by station."""
    return [
        _about(s, most_likely_wrong(s.name, sights.get(s.name, ()), unit_m, precision), unit_m)
        for s in stations
    ]


def _about(station: FreeStation, suspect: str | None, unit_m: float) -> Finding:
    limit = FITS_M / unit_m
    heights = [abs(r.height) for r in station.residuals if r.used and r.height is not None]
    off = station.worst_plan > limit or max(heights, default=0.0) > limit
    points = "; ".join(
        f"{r.point} {'across ' if r.plan is None else ''}{(abs(r.across) if r.plan is None else r.plan):.4f}"
        + ("" if r.height is None else f", height {r.height:+.4f}")
        + ("" if r.used else " (left out)")
        for r in station.residuals
    )
    doubt = f" Without {suspect} the others fit best." if off and suspect else ""
    cautions = "".join(f" {words}" for words in station.cautions)
    return Finding(
        "free-station-off" if off else "free-station",
        "warn" if off else "note",
        f"{station.name} was placed from {len([r for r in station.residuals if r.used])} known points "
        f"(one standard deviation {station.ellipse.semi_major:.4f}). Residuals: {points}; "
        f"{limit:.4f} is accepted.{doubt}{cautions}",
        f"station {station.name}",
        "Compare the points with the book and their marks: one may have moved. Sight them again."
        if off
        else "",
    )
