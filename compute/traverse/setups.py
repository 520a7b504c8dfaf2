"""A field book: its set-ups, the traverse they make, and what the book itself shows to be wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from compute.errors import Problem
from compute.records import Finding
from compute.traverse.angles import turn
from compute.traverse.book import Sight, TraverseFile, refuse_if
from compute.traverse.book_findings import about_faces, missing_heights
from compute.traverse.chain import Control, Traverse
from compute.traverse.edm import LARGEST_CONSTANT_M, LARGEST_PPM, Reducing, check_reducing
from compute.traverse.reduction import Reduced, reduce_sights
from compute.units import FOOT_M

BOTH_WAYS_M = float(FOOT_M) / 100.0
"""Fore- and back-sight distances agree to a hundredth of a foot. Common practice, no source."""
BOTH_WAYS_HEIGHT_M = 0.02


@dataclass(frozen=True)
class Setup:
    """`name` as the book numbers it, on station `at`; targets in the order of the book."""

    name: str
    at: str
    targets: tuple[Reduced, ...]
    instrument_height: float | None

    def first(self, kind: str) -> Reduced | None:
        return next((t for t in self.targets if t.kind == kind), None)

    @property
    def backsight(self) -> Reduced:
        """Every set-up of a book that was read has one."""
        back = self.first("backsight")
        assert back is not None
        return back

    def angle_to(self, target: Reduced) -> float:
        return turn(target.direction_deg - self.backsight.direction_deg)


@dataclass(frozen=True)
class FieldBook:
    """`mark_to_mark`: its height differences count from mark to mark. `free`: set-ups on stations that no
    other set-up sights and that are not known; each sights two or more points that are, or will be."""

    setups: tuple[Setup, ...]
    traverse: Traverse
    findings: tuple[Finding, ...]
    mark_to_mark: bool
    free: tuple[Setup, ...] = ()


def reduce_book(file: TraverseFile, reducing: Reducing) -> tuple[Setup, ...]:
    """The set-ups of a book with their sights reduced, in the order of the book."""
    groups = grouped(file.sights)
    check_reducing(reducing, tuple(groups))
    problems = _wrong_constants(file.sights, reducing.unit_m)
    mark_to_mark = is_mark_to_mark(file.sights)
    setups = [_setup(name, sights, reducing, mark_to_mark, problems) for name, sights in groups.items()]
    refuse_if(problems, file.name)
    return tuple(setups)


def read_setups(
    file: TraverseFile, control: Control, reducing: Reducing, resected: tuple[str, ...] = ()
) -> FieldBook:
    """`resected`: stations of `control` that were themselves found from known points."""
    setups = list(reduce_book(file, reducing))
    free = free_setups(tuple(setups), control)
    run = _run([s for s in setups if s not in free] or setups, control)
    lone = len(run) == 1 and run[0].at in resected
    if lone:
        # Its sights to known points have placed it already; they are no courses to close on.
        run = [_without_closing(run[0], control)]
    occupied = {setup.at for setup in run} | {_fore(run, i, control) for i in range(len(run))}
    problems = [
        Problem(f"Set-up {s.name} stands on {s.at}, which no set-up before it leads to.",
                "Add the foresight to it, sight two known points from it, or give it with --station.",
                s.backsight.line, 0, "at", s.at)
        for s in setups if s not in free and s.at not in occupied | set(control.stations)
    ]  # fmt: skip
    refuse_if(problems, file.name)
    mark_to_mark = is_mark_to_mark(file.sights)
    reduced = [(s.name, s.targets) for s in setups]
    findings = [*missing_heights(file.sights, mark_to_mark), *about_faces(reduced)]
    traverse = _traverse(run, control, reducing.unit_m, findings)
    between_marks = mark_to_mark and any(s.height_difference is not None for s in file.sights)
    return FieldBook(tuple(setups), traverse, tuple(findings), between_marks, free)


def grouped(sights: tuple[Sight, ...]) -> dict[str, list[Sight]]:
    groups: dict[str, list[Sight]] = {}
    for sight in sights:
        groups.setdefault(sight.setup, []).append(sight)
    return groups


def is_mark_to_mark(sights: tuple[Sight, ...]) -> bool:
    return all(s.instrument_height is None and s.target_height is None for s in sights)


def free_setups(setups: tuple[Setup, ...], control: Control) -> tuple[Setup, ...]:
    """Set-ups on an unknown station that nobody sights, with two or more targets known or occupied."""
    sighted = {t.to for s in setups for t in s.targets if t.kind != "shot"}
    places = set(control.stations) | {s.at for s in setups} & sighted
    return tuple(
        s for s in setups
        if s.at not in sighted and s.at not in control.stations
        and len({t.to for t in s.targets if t.kind != "shot"} & places) >= 2
    )  # fmt: skip


def _without_closing(setup: Setup, control: Control) -> Setup:
    kept = tuple(t for t in setup.targets if t.kind != "foresight" or t.to not in control.stations)
    return Setup(setup.name, setup.at, kept, setup.instrument_height)


def _wrong_constants(sights: tuple[Sight, ...], unit_m: float) -> list[Problem]:
    return [
        Problem(f"{name} is {value}, more than any instrument has ({limit:g} {unit}).",
                "Correct it; a prism constant is in the unit of the book's lengths.", s.line, 0, name,
                str(value))
        for s in sights
        for name, value, size, limit, unit in (
            ("prism_constant", s.prism_constant, (s.prism_constant or 0.0) * unit_m, LARGEST_CONSTANT_M, "m"),
            ("ppm", s.ppm, s.ppm or 0.0, LARGEST_PPM, "ppm"),
        )
        if abs(size) > limit
    ]  # fmt: skip


def _setup(
    name: str, sights: list[Sight], reducing: Reducing, mark_to_mark: bool, problems: list[Problem]
) -> Setup:
    first = sights[0]
    problems += [
        Problem(f"Set-up {name} stands on {first.at} and on {sight.at}.",
                "Number a new set-up for each station.", sight.line, 0, "at", sight.at)
        for sight in sights if sight.at != first.at
    ]  # fmt: skip
    heights = sorted({s.instrument_height for s in sights if s.instrument_height is not None})
    if len(heights) > 1:
        problems.append(
            Problem(f"Set-up {name} has {len(heights)} instrument heights: {heights}.",
                    "Keep one, or number a new set-up.", first.line, 0, "instrument_height")
        )  # fmt: skip
    instrument_height = heights[0] if heights else None
    targets: dict[tuple[str, str], list[Sight]] = {}
    for sight in sights:
        targets.setdefault((sight.kind, sight.to), []).append(sight)
    backs = [key for key in targets if key[0] == "backsight"]
    if len(backs) != 1:
        problems.append(
            Problem(f"Set-up {name} has {len(backs)} back-sights; its circle needs one to hang on.",
                    "Give each set-up one backsight, and write checks as kind check.", first.line, 0, "kind")
        )  # fmt: skip
    reduced = tuple(reduce_sights(s, instrument_height, reducing, mark_to_mark) for s in targets.values())
    problems += [
        Problem(f"The {t.kind} to {t.to} has no distance.", "Fill in a slope or horizontal distance.", t.line)
        for t in reduced if t.distance is None and t.kind in ("foresight", "shot")
    ]  # fmt: skip
    return Setup(name, first.at, reduced, instrument_height)


def _run(setups: list[Setup], control: Control) -> list[Setup]:
    """The set-ups that lead on from one another: each on the station the one before had its foresight to."""
    run, left = [setups[0]], setups[1:]
    while True:
        ahead = [t.to for t in run[-1].targets if t.kind == "foresight"]
        following = next((s for s in left if s.at in ahead and s.backsight.to == run[-1].at), None)
        if following is None or (len(run) > 1 and run[-1].at == run[0].at):
            return run
        left = [s for s in left if s is not following]
        run.append(following)


def _fore(run: list[Setup], i: int, control: Control) -> str:
    """The station a set-up of the run leads to: the next set-up's, else one that closes, else the first."""
    ahead = [t.to for t in run[i].targets if t.kind == "foresight"]
    if i + 1 < len(run):
        return run[i + 1].at
    closing = [name for name in ahead if name == run[0].at or name in control.stations]
    return next(iter(closing or ahead), "")


def _traverse(run: list[Setup], control: Control, unit_m: float, findings: list[Finding]) -> Traverse:
    last = run[-1]
    closing = len(run) > 1 and last.at == run[0].at
    ends_on_mark = not closing and len(run) > 1 and _sights_outside(run, control)
    stations = [s.at for s in run]
    if not (closing or ends_on_mark) and _fore(run, len(run) - 1, control):
        stations.append(_fore(run, len(run) - 1, control))
    n = len(stations) - 1
    angles = np.full(n + 1, np.nan)
    end_sight = ""
    for i, setup in enumerate(run):
        fore = next(
            (t for t in setup.targets if t.kind == "foresight" and t.to == (_fore(run, i, control))), None
        )
        if fore is not None:
            angles[i] = setup.angle_to(fore)
            end_sight = fore.to if i == n else end_sight
    measured = [_course(run, i, stations, unit_m, findings) for i in range(n)]
    start_sight = run[0].backsight.to
    if closing and start_sight == stations[-2]:
        # Back on the first station: its angle was already read when setting out.
        angles[n], end_sight = np.nan, ""
    return Traverse(
        tuple(stations),
        np.array([d for d, _ in measured], dtype=float),
        np.array([np.nan if h is None else h for _, h in measured], dtype=float),
        np.full(n, np.nan),
        angles,
        start_sight,
        end_sight,
    )


def _sights_outside(run: list[Setup], control: Control) -> bool:
    """The last set-up, on a known station, only turns to a known mark: the run ends where it stands."""
    last = run[-1]
    mark = _fore(run, len(run) - 1, control)
    return last.at in control.stations and mark != run[0].at and control.azimuth(last.at, mark) is not None


def _course(
    run: list[Setup], i: int, stations: list[str], unit_m: float, findings: list[Finding]
) -> tuple[float, float | None]:
    """Mean of a course measured from both ends, where both were; the disagreement is a finding."""
    ahead = next(t for t in run[i].targets if t.kind == "foresight" and t.to == stations[i + 1])
    behind: Reduced | None = None
    if i + 1 < len(run):
        behind = run[i + 1].backsight
    elif stations[-1] == stations[0] and run[0].backsight.to == run[i].at:
        behind = run[0].backsight
    assert ahead.distance is not None
    distance, height = ahead.distance, ahead.height_difference
    if behind is not None and behind.distance is not None:
        _disagree(stations[i], stations[i + 1], distance - behind.distance, "distances", BOTH_WAYS_M / unit_m,
                  findings)  # fmt: skip
        distance = (distance + behind.distance) / 2.0
    if behind is not None and behind.height_difference is not None:
        back_height = -behind.height_difference
        if height is not None:
            _disagree(stations[i], stations[i + 1], height - back_height, "height differences",
                      BOTH_WAYS_HEIGHT_M / unit_m, findings)  # fmt: skip
        height = back_height if height is None else (height + back_height) / 2.0
    return distance, height


def _disagree(start: str, end: str, apart: float, what: str, allowed: float, findings: list[Finding]) -> None:
    if abs(apart) > allowed * (1.0 + 1e-9):
        code = "distance-both-ways" if what == "distances" else "height-both-ways"
        findings.append(
            Finding(
                code,
                "warn",
                f"The two {what} of course {start}–{end} differ by {apart:+.4f}, more than {allowed:.4f}.",
                f"course {start}–{end}",
                "Check the target and instrument heights and the readings of both set-ups; measure it again.",
            )
        )
