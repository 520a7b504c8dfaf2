"""One figure unfolded to what it came from: sheet, movements, count, measurement, files, shots, with hashes.

Nothing is worked out here; every part is read as it was kept, so that what an auditor sees is the evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Q

from compute.errors import Refused
from compute.roles import ROLES
from inventory.audit import name_of
from inventory.errors import BookRefused
from inventory.models import (
    Adjustment,
    AuditEvent,
    JournalLine,
    Movement,
    Period,
    PeriodLine,
    PeriodStep,
    PeriodValue,
    StockCount,
)
from surveys.computing import geometry_of
from surveys.models import Measurement

SHOTS_SHOWN = 200
MOVEMENTS_SHOWN = 500


@dataclass(frozen=True)
class Shot:
    """A shot as it was read, site frame: metres, z up; `line` of `file`."""

    file: str
    line: int
    easting_m: float
    northing_m: float
    elevation_m: float
    role: str


@dataclass(frozen=True)
class CountTrail:
    """From a count to its shots. `problem` says why the shots cannot be read, where that is so."""

    count: StockCount
    measurement: Measurement | None
    files: Sequence[dict[str, Any]]
    shots: Sequence[Shot]
    shots_n: int
    problem: str
    lines: Sequence[PeriodLine]
    events: Sequence[AuditEvent]


@dataclass(frozen=True)
class LineTrail:
    """From a pile's month to its movements, its count, its money and who signed."""

    line: PeriodLine
    movements: Sequence[Movement]
    movements_n: int
    sums: Sequence[tuple[str, int, Any]]
    adjustments: Sequence[Adjustment]
    journal: Sequence[JournalLine]
    worth: PeriodValue | None
    steps: Sequence[PeriodStep]
    events: Sequence[AuditEvent]


def trail_of_count(count: StockCount) -> CountTrail:
    """A constant number of queries, and one read of the geometry."""
    measurement = measurement_of(count)
    shots, shots_n, problem = _shots(measurement)
    subjects = [name_of(count)]
    if measurement is not None:
        subjects.append(name_of(measurement))
    lines = PeriodLine.objects.filter(count=count).select_related("period__site", "pile")
    return CountTrail(
        count=count,
        measurement=measurement,
        files=_files(measurement),
        shots=shots,
        shots_n=shots_n,
        problem=problem,
        lines=list(lines.order_by("period__starts_on")),
        events=events_about(count.pile.site.organization_id, subjects),
    )


def measurement_of(count: StockCount) -> Measurement | None:
    """The measurement that the count came from; `None` for evidence of another kind."""
    kind, _, uuid = count.evidence_ref.partition(":")
    if kind != "measurement":
        return None
    rows = Measurement.objects.filter(uuid=uuid, survey__site__organization=count.pile.site.organization_id)
    return rows.select_related(
        "survey__site", "pile", "base_version", "density", "prepared_by", "reviewed_by", "approved_by"
    ).first()


def _files(measurement: Measurement | None) -> list[dict[str, Any]]:
    """Every file that the measurement pins, with what it was for."""
    if measurement is None:
        return []
    pins = measurement.request
    named = [("shots", file) for file in pins.get("files", [])]
    named += [("drawn edge", pins["edge"])] if pins.get("edge") else []
    base = pins.get("base") or {}
    named += [("base surface", base)] if base.get("sha256") else []
    return [{"purpose": purpose, **file} for purpose, file in named]


def _shots(measurement: Measurement | None) -> tuple[list[Shot], int, str]:
    if measurement is None or not measurement.geometry_path:
        return [], 0, ""
    try:
        arrays = geometry_of(measurement)
    except (Refused, BookRefused) as refusal:
        return [], 0, refusal.message
    east, north = (float(value) for value in arrays["origin"])
    # Lines count within a file; where several were read, a shot is told by its place.
    files = measurement.request["files"]
    shots = []
    for index, (x, y, z) in enumerate(arrays["shots"][:SHOTS_SHOWN].tolist()):
        shots.append(
            Shot(
                file=files[0]["name"] if len(files) == 1 else "",
                line=int(arrays["shot_line"][index]),
                easting_m=x + east,
                northing_m=y + north,
                elevation_m=z,
                role=ROLES[int(arrays["role"][index])],
            )
        )
    return shots, len(arrays["shots"]), ""


def trail_of_line(line: PeriodLine) -> LineTrail:
    """A constant number of queries."""
    period: Period = line.period
    moved = Movement.objects.filter(
        pile=line.pile, book_on__gte=period.starts_on, book_on__lt=period.ends_on
    ).select_related("scale", "other_leg__pile", "from_import", "recorded_by", "belongs_to", "reverses")
    movements = list(moved.order_by("moved_at", "pk"))
    adjustments = list(
        Adjustment.objects.filter(period=period, pile=line.pile).select_related("proposed_by", "approved_by")
    )
    subjects = [name_of(period), *(name_of(each) for each in adjustments)]
    journal = JournalLine.objects.filter(entry__period=period, pile=line.pile).select_related("entry")
    steps = PeriodStep.objects.filter(period=period).select_related("by").order_by("pk")
    return LineTrail(
        line=line,
        movements=movements[:MOVEMENTS_SHOWN],
        movements_n=len(movements),
        sums=_sums(movements),
        adjustments=adjustments,
        journal=list(journal.order_by("entry__number", "line")),
        worth=PeriodValue.objects.filter(period=period, pile=line.pile).first(),
        steps=list(steps),
        events=events_about(period.site.organization_id, subjects),
    )


def _sums(movements: Iterable[Movement]) -> list[tuple[str, int, Any]]:
    """(kind in words, how many, tonnes) in the order of their first movement."""
    found: dict[str, list[Any]] = {}
    for movement in movements:
        entry = found.setdefault(movement.get_kind_display(), [0, 0])
        entry[0] += 1
        entry[1] += movement.tonnes
    return [(kind, number, tonnes) for kind, (number, tonnes) in found.items()]


def events_about(organization_id: int, subjects: Iterable[str]) -> list[AuditEvent]:
    """What people did to these rows, in order."""
    about = Q(subject__in=list(subjects))
    rows = AuditEvent.objects.filter(about, organization=organization_id).select_related("by")
    return list(rows.order_by("seq"))
