"""The shots of a solved book for the calculator, in metres, each with its set-up and its recorded pole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from compute.blunders.records import SetupHeights, SetupShots
from compute.case import Case
from compute.coding import Rules, role_of
from compute.errors import NothingToMeasure
from compute.records import Shots, SourceFile, read_only
from compute.roles import ROLE_INDEX
from compute.traverse.corrections import apply_corrections
from compute.traverse.detail import Shot
from compute.traverse.solve import TraverseResult
from compute.units import LENGTH_IN_M


@dataclass(frozen=True)
class BookShots:
    """`shots` in the site frame, in the order of the book; their `line` is the line of the sight in the book.

    of             : set-up and recorded target height of each
    without_height : points that were left out since they have no elevation
    """

    shots: Shots
    of: SetupShots
    without_height: tuple[Shot, ...]

    def for_case(self, case: Case) -> SetupShots:
        """The same for the shots of a case made of them, in the case's order."""
        by_line = {int(line): i for i, line in enumerate(self.shots.line)}
        index = np.array([by_line.get(int(line), -1) for line in case.shots.line], dtype=np.int64)
        known = index >= 0
        setup = np.where(known, self.of.setup[index], -1).astype(np.int16)
        height = np.where(known, self.of.target_height_m[index], np.nan)
        return SetupShots(read_only(setup), read_only(height), self.of.setups)


def shots_of_book(
    result: TraverseResult, rules: Rules, file: SourceFile, moved: tuple[Shot, ...] | None = None
) -> BookShots:
    """All shots with an elevation. `moved` takes the place of the solved shots (stored coordinates, moved
    with their stations). Raises `NothingToMeasure` where a misclosure stopped the adjustment or nothing is
    left."""
    unit_m = float(LENGTH_IN_M[result.request.unit])
    rows = result.shots if moved is None else moved
    kept = [s for s in rows if s.place[2] is not None]
    if not kept:
        raise NothingToMeasure(
            f"{file.name} gives no shot with an elevation."
            if result.stations is not None
            else f"{file.name} does not close: its shots have no coordinates.",
            where=file.name,
            remedy="Settle the misclosure, or enter the missing heights.",
        )
    codes = tuple(sorted({s.code for s in kept}))
    roles = {code: ROLE_INDEX[role_of(code, rules)] for code in codes}
    setups = setups_of_book(result)
    number = {s.name: i for i, s in enumerate(setups)}
    used = apply_corrections(result.file, result.request.corrections)
    pole = {s.line: s.target_height for s in used.sights}
    shots = Shots(
        x_m=read_only(np.array([s.place[1] * unit_m for s in kept])),
        y_m=read_only(np.array([s.place[0] * unit_m for s in kept])),
        z_m=read_only(np.array([(s.place[2] or 0.0) * unit_m for s in kept])),
        role=read_only(np.array([roles[s.code] for s in kept], dtype=np.int8)),
        code_index=read_only(np.array([codes.index(s.code) for s in kept], dtype=np.int32)),
        codes=codes,
        line=read_only(np.array([s.line for s in kept], dtype=np.int32)),
        file_index=read_only(np.zeros(len(kept), np.int16)),
        files=(file,),
        names=[s.point for s in kept],
        notes=None,
    )
    heights = [pole.get(s.line) for s in kept]
    of = SetupShots(
        read_only(np.array([number[s.setup] for s in kept], dtype=np.int16)),
        read_only(np.array([np.nan if h is None else h * unit_m for h in heights])),
        setups,
    )
    return BookShots(shots, of, tuple(s for s in rows if s.place[2] is None))


def setups_of_book(result: TraverseResult) -> tuple[SetupHeights, ...]:
    """The set-ups in metres, at their adjusted stations; those whose station is not known are left out."""
    if result.book is None or result.stations is None:
        return ()
    unit_m = float(LENGTH_IN_M[result.request.unit])
    at = dict(result.request.control.stations) | result.stations
    used = apply_corrections(result.file, result.request.corrections)
    found = []
    for setup in result.book.setups:
        if setup.at not in at:
            continue
        north, east, up = at[setup.at]
        poles = sorted(
            {s.target_height for s in used.sights if s.setup == setup.name and s.target_height is not None}
        )
        found.append(
            SetupHeights(
                setup.name, setup.at, north * unit_m, east * unit_m,
                None if up is None else up * unit_m,
                None if setup.instrument_height is None else setup.instrument_height * unit_m,
                tuple(p * unit_m for p in poles),
            )
        )  # fmt: skip
    return tuple(found)
