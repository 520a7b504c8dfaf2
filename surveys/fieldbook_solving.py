"""A pinned field book solved: the calculator's record, its digest, its shots as points like any others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from compute.digest import digest
from compute.findings.said import Entry
from compute.pointfiles import Points, read_points
from compute.pointfiles.records import ReadAs
from compute.records import Finding, SourceFile
from compute.traverse.book_record import book_record
from compute.traverse.detail import Shot
from compute.traverse.solve import TraverseResult, solve_traverse
from compute.traverse.stored import StoredPoint, compare_stored, move_with_stations, moves_of, stored_of
from compute.units import LENGTH_IN_M
from surveys import storage
from surveys.errors import BookNotClosed, EvidenceMissing, ReductionDiffers
from surveys.fieldbook_request import traverse_request
from surveys.models import StoredFile

STORED_OFF = Entry("stored-off", "note", "Stored coordinates that differ from what the book comes to.")
STORED_TOLERANCE_M = float(LENGTH_IN_M["foot"]) / 100.0
"""Stored coordinates beyond this are flagged: a hundredth of a foot. Common practice, no source."""


@dataclass(frozen=True)
class SolvedBook:
    """`shots` in the unit of the book, with their height; `without_height` names those that have none."""

    result: TraverseResult
    shots: tuple[Shot, ...]
    without_height: tuple[str, ...]
    record: dict[str, Any]
    digest: str
    unit: str
    source: SourceFile

    @property
    def closes(self) -> bool:
        """Whether there are coordinates: the book closes, or its misclosure was accepted with a reason."""
        return self.result.stations is not None

    @property
    def unit_m(self) -> float:
        return float(LENGTH_IN_M[self.unit])


def solve_book(pins: Mapping[str, Any], organization_id: int) -> SolvedBook:
    """The book of a pinned request. Raises what reader and calculator refuse, and `EvidenceMissing`."""
    result = solve_traverse(traverse_request(pins, bytes_named(pins["file"], organization_id)))
    stored = None if pins["stored"] is None else _stored(pins, result, organization_id)
    return solved_from(result, pins, stored)


def solved_from(
    result: TraverseResult, pins: Mapping[str, Any], stored: tuple[StoredPoint, ...] | None = None
) -> SolvedBook:
    """What was solved as it is kept; with `stored` coordinates beside it where the pins ask for them."""
    file, record, shots = pins["file"], book_record(result), result.shots
    hashed = record["digest"]
    if stored is not None:
        differences = _differences(result, stored)
        findings = [*record["findings"], *_beyond(differences, file["unit"])]
        record = {**record, "stored": differences, "findings": findings}
        if pins["stored"]["move"] and result.stations is not None:
            shots = move_with_stations(_as_stored(shots, stored), moves_of(result, stored))
            record["shots"] = [_row(shot) for shot in shots]
        hashed = digest({"book": hashed, "stored": record["stored"], "shots": record["shots"]})
    source = SourceFile(file["name"], file["bytes"], file["sha256"])
    placed = tuple(shot for shot in shots if shot.place[2] is not None)
    without = tuple(shot.point for shot in shots if shot.place[2] is None)
    return SolvedBook(result, placed, without, {**record, "digest": hashed}, hashed, file["unit"], source)


def solve_again(file_pin: Mapping[str, Any], organization_id: int) -> SolvedBook:
    """The book of a measurement's pin, held against the digest that was pinned with it.

    Raises `ReductionDiffers`, and `BookNotClosed` where it gives no shots.
    """
    pin = file_pin["reduction"]
    solved = solve_book(pin["request"], organization_id)
    if solved.digest != pin["digest"]:
        raise ReductionDiffers(
            f"{file_pin['name']} v{pin['version']} reduced again has the digest {solved.digest[:12]}…, on "
            f"record is {pin['digest'][:12]}…. Nothing was computed.",
            where=file_pin["name"],
        )
    if not solved.closes:
        raise BookNotClosed(
            f"{file_pin['name']} v{pin['version']} does not close: it gives no shots. Nothing was computed.",
            where=file_pin["name"],
        )
    return solved


def points_of(solved: SolvedBook) -> Points:
    """The shots that have a height, in the order of the book, metres; `line` is the line in the book."""
    shots, unit_m = solved.shots, solved.unit_m
    place = np.array([shot.place for shot in shots], dtype=np.float64).reshape(len(shots), 3) * unit_m
    codes = tuple(sorted({shot.code for shot in shots}))
    index = {code: i for i, code in enumerate(codes)}
    columns = (place[:, 0].copy(), place[:, 1].copy(), place[:, 2].copy())
    code_index = np.array([index[shot.code] for shot in shots], dtype=np.int32)
    line = np.array([shot.line for shot in shots], dtype=np.int32)
    for array in (*columns, code_index, line):
        array.setflags(write=False)
    return Points(
        *columns,
        pa.array([shot.point for shot in shots], pa.string()),
        code_index,
        codes,
        None,
        line,
        solved.source,
        ReadAs(("field book",), solved.unit, ",", ".", "utf-8"),
    )


def bytes_named(file: Mapping[str, Any], organization_id: int) -> bytes:
    """The bytes a pin names, found by their hash within the organization, and checked against it."""
    stored = StoredFile.objects.filter(organization=organization_id, sha256=file["sha256"]).first()
    if stored is None:
        raise EvidenceMissing(
            f"{file['name']} ({file['sha256'][:12]}…) was never received here. Nothing was computed.",
            where=file["name"],
            remedy="Send the file again: its bytes must have the same hash.",
        )
    return storage.read_bytes(stored)


# --- coordinates as the instrument stored them --------------------------------------------------------


def _stored(pins: Mapping[str, Any], result: TraverseResult, organization_id: int) -> tuple[StoredPoint, ...]:
    """The coordinates of a file beside the book, in the unit of the book; else those in the book itself."""
    file = pins["stored"]
    if file["sha256"] == pins["file"]["sha256"]:
        return tuple(stored_of(result.file))
    points = read_points(
        bytes_named(file, organization_id),
        file["name"],
        columns=file["columns"] and tuple(file["columns"]),
        unit=file["unit"],
        delimiter=file["delimiter"],
        decimal=file["decimal"],
    )
    unit_m = float(LENGTH_IN_M[pins["file"]["unit"]])
    names = [""] * len(points) if points.names is None else points.names.to_pylist()
    places = zip(
        points.northing_m / unit_m, points.easting_m / unit_m, points.elevation_m / unit_m, strict=True
    )
    return tuple(
        StoredPoint(name or "", float(n), float(e), float(z))
        for name, (n, e, z) in zip(names, places, strict=True)
    )


def _differences(result: TraverseResult, stored: tuple[StoredPoint, ...]) -> list[dict[str, Any]]:
    """Stored minus reduced, by point; empty while the book does not close."""
    if result.stations is None:
        return []
    return [
        {
            "point": one.point,
            "kind": one.kind,
            "northing": one.northing,
            "easting": one.easting,
            "plan": one.plan,
            "height": one.height,
            "beyond": one.beyond,
        }
        for one in compare_stored(result, stored, STORED_TOLERANCE_M)
    ]


def _beyond(differences: list[dict[str, Any]], unit: str) -> list[dict[str, Any]]:
    beyond = [one for one in differences if one["beyond"]]
    if not beyond:
        return []
    named = ", ".join(one["point"] for one in beyond[:10]) + (" …" if len(beyond) > 10 else "")
    finding = Finding(
        code=STORED_OFF.code,
        severity=STORED_OFF.severity,
        message=f"{len(beyond)} of {len(differences)} stored points differ from the book by more than "
        f"{STORED_TOLERANCE_M / float(LENGTH_IN_M[unit]):.3f}: {named}.",
        where="stored coordinates",
        remedy="Where stations were adjusted, move each set-up's shots with its station in a new version.",
    )
    return [finding.as_dict()]


def _as_stored(shots: tuple[Shot, ...], stored: tuple[StoredPoint, ...]) -> tuple[Shot, ...]:
    """The shots with the coordinates that the instrument stored, where it stored any."""
    known = {point.point: point for point in stored}
    return tuple(
        Shot(shot.point, _place(known[shot.point]), shot.code, shot.setup, shot.line)
        if shot.point in known
        else shot
        for shot in shots
    )


def _place(point: StoredPoint) -> tuple[float, float, float | None]:
    return point.northing, point.easting, point.elevation


def _row(shot: Shot) -> dict[str, Any]:
    north, east, up = shot.place
    return {
        "point": shot.point,
        "northing": north,
        "easting": east,
        "elevation": up,
        "code": shot.code,
        "setup": shot.setup,
    }
