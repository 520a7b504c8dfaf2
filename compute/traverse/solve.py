"""The whole way from a traverse file to a record: read, close, adjust or stop, and radiate the shots."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from compute.errors import BadOption
from compute.records import Finding, FloatArray
from compute.traverse import remarks
from compute.traverse.adjust import Precision, places, spread, spread_heights
from compute.traverse.angles import azimuth_between
from compute.traverse.book import TraverseFile, read_traverse
from compute.traverse.chain import Control, Traverse, traverse_of_angles, traverse_of_courses
from compute.traverse.closure import Limits, Run, beyond, lay_out, settle_control
from compute.traverse.corrections import SetupCorrection, apply_corrections
from compute.traverse.detail import Place, Shot, check_sights, shots_of, side_marks
from compute.traverse.edm import REFRACTION_K, Edm, Reducing
from compute.traverse.free_stations import about_free, known_sights, resect_known
from compute.traverse.least_squares import Adjusted
from compute.traverse.resection import FreeStation, resect
from compute.traverse.setups import FieldBook, read_setups, reduce_book
from compute.units import LENGTH_IN_M

SEVERITIES = ("stop", "warn", "note")


@dataclass(frozen=True)
class TraverseRequest:
    """`accept_reason`: adjust in spite of a misclosure beyond a limit. Lengths of `control` and of prism
    constants in `unit`; `angle_unit` is what a bare number among the angles means."""

    data: bytes
    name: str
    control: Control = field(default_factory=Control)
    rule: str = "compass"
    limits: Limits = field(default_factory=Limits)
    accept_reason: str = ""
    unit: str = "metre"
    precision: Precision = field(default_factory=Precision)
    angle_unit: str = "degree"
    edm: Edm = field(default_factory=Edm)
    edm_by_setup: Mapping[str, Edm] = field(default_factory=dict)
    refraction_k: float = REFRACTION_K
    corrections: tuple[SetupCorrection, ...] = ()

    @property
    def reducing(self) -> Reducing:
        unit_m = float(LENGTH_IN_M[self.unit])
        return Reducing(unit_m, self.edm, self.edm_by_setup, self.refraction_k)


@dataclass(frozen=True)
class TraverseResult:
    """`record` is what programs read, in the file's unit. `adjusted` is there after least squares.

    `file` holds the observations as read; `book` what was made of them with the request's corrections.
    `stations` is None where a misclosure stopped the adjustment, and `shots` is empty then.
    """

    record: dict[str, Any]
    run: Run
    adjusted: Adjusted | None
    form: str
    request: TraverseRequest
    file: TraverseFile
    book: FieldBook | None = None
    stations: dict[str, Place] | None = None
    shots: tuple[Shot, ...] = ()
    free_stations: tuple[FreeStation, ...] = ()


@dataclass(frozen=True)
class _Read:
    """A file on its way: `request` as `asked`, with the free stations that known points alone place."""

    asked: TraverseRequest
    request: TraverseRequest
    file: TraverseFile
    traverse: Traverse
    book: FieldBook | None
    free: tuple[FreeStation, ...] = ()
    free_of: Mapping[str, FreeStation] = field(default_factory=dict)


def solve_traverse(request: TraverseRequest) -> TraverseResult:
    unit_m = float(LENGTH_IN_M[request.unit])
    read = _read(request, unit_m)
    book, traverse = read.book, read.traverse
    _all_stations_used(traverse, book, request.control)
    control = settle_control(traverse, read.request.control)
    run, over = _closed(traverse, control, request, unit_m)
    findings = _assumptions(read.request.control, control)
    if not {s.name for s in read.free} >= set(traverse.stations):
        findings += remarks.about_closure(run, unit_m)
    findings += remarks.about_corrections(request.corrections)
    if book is not None:
        findings += [*book.findings, remarks.about_reduction(request.reducing, read.file.sights)]
        findings += [remarks.about_marks()] if book.mark_to_mark else []
    if over and not request.accept_reason:
        findings += remarks.stops(
            run, request.limits, unit_m, request.precision, book.findings if book else ()
        )
        findings += _about_free(read.free, book, read.request.control.stations, request, unit_m)
        return TraverseResult(
            _record(run, None, None, findings, book), run, None, read.file.form, request, read.file, book,
            free_stations=read.free,
        )  # fmt: skip
    if over:
        findings.append(remarks.accepted(run, request.limits, request.accept_reason))
    return _adjusted(run, read, unit_m, findings)


def _read(request: TraverseRequest, unit_m: float) -> _Read:
    file = read_traverse(request.data, request.name, request.angle_unit)
    used = apply_corrections(file, request.corrections)
    if file.form == "courses":
        return _Read(request, request, file, traverse_of_courses(used), None)
    if file.form == "angles":
        return _Read(request, request, file, traverse_of_angles(used, request.control), None)
    setups = reduce_book(used, request.reducing)
    control, free, names = resect_known(setups, request.control, unit_m, request.precision)
    book = read_setups(used, control, request.reducing, tuple(s.name for s in free))
    free_of = dict(zip(names, free, strict=True))
    return _Read(request, replace(request, control=control), file, book.traverse, book, free, free_of)


def _closed(
    traverse: Traverse, control: Control, request: TraverseRequest, unit_m: float
) -> tuple[Run, list[str]]:
    """Angles are balanced unless that would hide a misclosure, or nothing is to be spread."""
    raw = lay_out(traverse, control, request.limits, unit_m, balance=False)
    hidden = "angular" in beyond(raw.closure, request.limits) and not request.accept_reason
    run = raw
    if not hidden and request.rule != "none":
        run = lay_out(traverse, control, request.limits, unit_m, balance=True)
    return run, beyond(run.closure, request.limits)


def _adjusted(run: Run, read: _Read, unit_m: float, findings: list[Finding]) -> TraverseResult:
    request, book = read.request, read.book
    latitude, departure, adjusted = spread(run, request.rule, unit_m, request.precision)
    at = places(run, latitude, departure, spread_heights(run, request.rule))
    findings += remarks.beside_least_squares(run, request.rule, at, adjusted, unit_m, request.precision)
    if request.rule == "none":
        findings.append(
            Finding("not-adjusted", "note", "No misclosure was spread, as asked: figures are raw.", "closure")
        )
    stations = _stations(run, at)
    shots: list[Shot] = []
    free = read.free
    everywhere = dict(run.control.stations) | stations
    if book is not None:
        of_setup = dict(read.free_of)
        for setup in book.free:
            sights = known_sights(setup, everywhere)
            of_setup[setup.name] = resect(setup.at, sights, unit_m, request.precision)
        free = tuple(of_setup.values())
        everywhere |= {s.name: s.place for s in free}
        stations |= {s.name: s.place for s in free}
        turned = {name: s.orientation_deg for name, s in of_setup.items()}
        marks, open_legs = side_marks(book.setups, everywhere, run.control, turned)
        shots = shots_of(book.setups, everywhere, run.control, turned)
        findings += open_legs + check_sights(book.setups, everywhere, run.control, unit_m, turned)
        stations |= marks
    findings += _about_free(free, book, everywhere, request, unit_m)
    steps = np.column_stack([latitude, departure])
    return TraverseResult(
        _record(run, steps, stations, findings, book, shots), run, adjusted, read.file.form, read.asked,
        read.file, book, stations, tuple(shots), free,
    )  # fmt: skip


def _about_free(
    free: tuple[FreeStation, ...], book: FieldBook | None, places: Mapping[str, Place],
    request: TraverseRequest, unit_m: float,
) -> list[Finding]:  # fmt: skip
    names = {s.name for s in free}
    setups = () if book is None else tuple(s for s in book.setups if s.at in names)
    sights = {s.at: known_sights(s, places) for s in setups}
    return about_free(free, sights, unit_m, request.precision)


def _stations(run: Run, at: FloatArray) -> dict[str, Place]:
    """By name, the first time it is come to; a known station keeps what is known of it."""
    stations: dict[str, Place] = {}
    for name, (north, east, up) in zip(run.traverse.stations, at.tolist(), strict=True):
        known = run.control.stations.get(name)
        height = None if math.isnan(up) else up
        if known is not None:
            height = known[2] if known[2] is not None else height
            north, east = known[:2]
        stations.setdefault(name, (north, east, height))
    return stations


def _all_stations_used(traverse: Traverse, book: FieldBook | None, control: Control) -> None:
    names = set(traverse.stations) | {traverse.start_sight, traverse.end_sight}
    if book is not None:
        names |= {t.to for s in book.setups for t in s.targets} | {s.at for s in book.setups}
    strangers = [name for name in control.stations if name not in names]
    if strangers:
        raise BadOption(
            f"The file does not sight the known station {', '.join(strangers)}.",
            where="--station",
            remedy="Correct the name; for a mark outside the traverse give --azimuth as well.",
        )


def _assumptions(given: Control, settled: Control) -> list[Finding]:
    found = [
        Finding("start-assumed", "note", f"{name} is put at {place[0]:g}, {place[1]:g}, {place[2]:g}: none "
                "is known.", f"station {name}", "Give --station to have site coordinates.")
        for name, place in settled.stations.items() if name not in given.stations
    ]  # fmt: skip
    found += [
        Finding("direction-assumed", "note", f"The direction {a}–{b or 'back-sight'} is put at 0°.",
                f"station {a}", "Give --azimuth to have site directions.")
        for a, b in settled.azimuths if (a, b) not in given.azimuths
    ]  # fmt: skip
    return found


def _record(
    run: Run, steps: FloatArray | None, stations: dict[str, Place] | None, findings: list[Finding],
    book: FieldBook | None, shots: list[Shot] | None = None,
) -> dict[str, Any]:  # fmt: skip
    closure = run.closure
    keys = ("angular_seconds", "angular_allowed_seconds", "latitude", "departure", "linear", "perimeter",
            "ratio", "height")  # fmt: skip
    nowhere: tuple[None, None, None] = (None, None, None)
    names = list(dict.fromkeys(run.traverse.stations))
    placed: list[tuple[str, tuple[float | None, float | None, float | None]]] = (
        [(name, nowhere) for name in names] if stations is None else list(stations.items())
    )
    record: dict[str, Any] = {
        "closure": {key: getattr(closure, key) for key in keys},
        "courses": [_course(run, i, steps) for i in range(len(run.traverse.distance))],
        "stations": [
            dict(zip(("name", "northing", "easting", "elevation"), (n, *p), strict=True)) for n, p in placed
        ],
    }
    if book is not None:
        rows = [(s.point, s.place, s.code, s.setup) for s in shots or []] if stations is not None else [
            (t.to, nowhere, t.code, s.name) for s in book.setups for t in s.targets if t.kind == "shot"
        ]  # fmt: skip
        record["shots"] = [
            {"point": point, "northing": place[0], "easting": place[1], "elevation": place[2], "code": code,
             "setup": setup}
            for point, place, code, setup in rows
        ]  # fmt: skip
    ordered = sorted(findings, key=lambda f: (SEVERITIES.index(f.severity), f.code))
    record["findings"] = [finding.as_dict() for finding in ordered]
    return record


def _course(run: Run, i: int, steps: FloatArray | None) -> dict[str, Any]:
    names = run.traverse.stations
    course: dict[str, Any] = {
        "from": names[i],
        "to": names[i + 1],
        "azimuth_deg": float(run.azimuth_deg[i]),
        "distance": float(run.traverse.distance[i]),
        "latitude": float(run.latitude[i]),
        "departure": float(run.departure[i]),
    }
    keys = ("adjusted_latitude", "adjusted_departure", "adjusted_distance", "adjusted_azimuth_deg")
    if steps is None:
        return course | dict.fromkeys(keys)
    north, east = steps[i].tolist()
    values = (north, east, math.hypot(north, east), azimuth_between(north, east))
    return course | dict(zip(keys, values, strict=True))
