"""What each survey saw of the control: kept as rows, so that a history tells a mark on the move.

Measured minus known, metres. From a field book: the back-sight's distance and height against the coordinates,
marks sighted again, the closing shot. From a file of coordinates: its check shots.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from compute.coding import assign_roles, merge_rules
from compute.pointfiles import Points
from compute.roles import ROLE_INDEX
from compute.traverse.detail import Place, radiate
from compute.traverse.reduction import Reduced
from compute.traverse.setups import Setup
from surveys.fieldbook_request import in_unit
from surveys.fieldbook_solving import SolvedBook
from surveys.models import BookReduction, CheckMeasurement, ControlPoint, SurveyFile

SAME_MARK_M = 0.5
"""A check shot without a mark's name belongs to the mark within this distance."""
CHECK_U_M = 0.010
POINTING_SECONDS = 5.0
RANGING_M, CENTRING_M, HEIGHTS_M = 0.003, 0.002, 0.003
"""Standard uncertainties of one sight to a mark: direction and zenith angle, distance, centring, the two
heights. Common practice, no source."""
GREATEST_M = Decimal("99999")


@dataclass(frozen=True)
class Seen:
    """One sight to a known mark, in metres: from which mark, oriented on which, and how far it is off."""

    mark: str
    from_mark: str
    backsight: str
    kind: str
    north_m: float | None
    east_m: float | None
    up_m: float | None
    distance_m: float | None
    sight_m: float


def keep_checks_of_book(reduction: BookReduction, solved: SolvedBook) -> None:
    """One row for each sight of the book to a mark of the site's control."""
    if not solved.closes:
        return
    pins = reduction.request
    known = {one["name"]: one for one in [*pins["control"], *pins["beside"]] if one["id"] is not None}
    places = {name: in_unit(one, solved.unit) for name, one in known.items()}
    survey = reduction.file.survey
    CheckMeasurement.objects.bulk_create(
        _row(
            seen,
            survey=survey,
            reduction=reduction,
            file=reduction.file,
            control_point_id=known[seen.mark]["id"],
            measured_on=survey.surveyed_on,
        )
        for seen in checks_in_book(solved, places)
    )


def checks_in_book(solved: SolvedBook, known: Mapping[str, Place]) -> Iterator[Seen]:
    """Sights to `known` marks, in the order of the book; the last one from the last set-up closes it."""
    result = solved.result
    assert result.book is not None
    assert result.stations is not None
    at = dict(result.run.control.stations) | result.stations
    turned = {
        setup.name: free.orientation_deg
        for setup in result.book.setups
        for free in result.free_stations
        if free.name == setup.at
    }
    setups = result.book.setups
    for setup in setups:
        again = [t for t in setup.targets if t.kind in ("check", "foresight") and _placed(t, known)]
        for target in setup.targets:
            if target.kind == "backsight" and _placed(target, known) and setup.at in known:
                yield _backsight(setup, target, at, known, solved.unit_m)
        for target in again:
            closing = setup is setups[-1] and target is again[-1]
            seen = radiate(setup, target, at, result.run.control, turned)
            yield _again(setup, target, seen, known[target.to], solved.unit_m, closing)


def _placed(target: Reduced, known: Mapping[str, Place]) -> bool:
    return target.to in known and target.distance is not None


def _backsight(
    setup: Setup, target: Reduced, at: Mapping[str, Place], known: Mapping[str, Place], unit_m: float
) -> Seen:
    here, there = at[setup.at], known[target.to]
    assert target.distance is not None
    by_coordinates = math.hypot(there[0] - here[0], there[1] - here[1])
    up = None
    if target.height_difference is not None and here[2] is not None and there[2] is not None:
        up = (here[2] + target.height_difference - there[2]) * unit_m
    off = (target.distance - by_coordinates) * unit_m
    kind = CheckMeasurement.Kind.BACKSIGHT
    return Seen(target.to, setup.at, target.to, kind, None, None, up, off, target.distance * unit_m)


def _again(setup: Setup, target: Reduced, seen: Place, known: Place, unit_m: float, closing: bool) -> Seen:
    assert target.distance is not None
    up = None if seen[2] is None or known[2] is None else (seen[2] - known[2]) * unit_m
    north, east = ((seen[i] - known[i]) * unit_m for i in (0, 1))  # type: ignore[operator]
    kind = CheckMeasurement.Kind.CLOSING if closing else CheckMeasurement.Kind.RE_SHOT
    sight_m = target.distance * unit_m
    return Seen(target.to, setup.at, setup.backsight.to, kind, north, east, up, None, sight_m)


def keep_checks_of_points(file: SurveyFile, points: Points) -> None:
    """The check shots of a file of coordinates, each by the mark it names or stands on."""
    survey = file.survey
    CheckMeasurement.objects.filter(file=file, reduction=None).delete()
    shots = assign_roles([points], merge_rules(survey.site.code_rules))
    checks = np.flatnonzero(shots.role == ROLE_INDEX["check"]).tolist()
    if not checks:
        return
    control = list(ControlPoint.objects.filter(site=survey.site_id).in_force_on(survey.surveyed_on))
    rows = []
    for shot in checks:
        here = float(shots.y_m[shot]), float(shots.x_m[shot]), float(shots.z_m[shot])
        point = _mark_at(here, shots.name(shot), control)
        if point is not None:
            north, east, up = (
                value - float(known)
                for value, known in zip(
                    here, (point.northing_m, point.easting_m, point.elevation_m), strict=True
                )
            )
            kind = CheckMeasurement.Kind.RE_SHOT
            seen = Seen(point.name, "", "", kind, north, east, up, None, 0.0)
            more = {"survey": survey, "file": file, "control_point": point}
            rows.append(_row(seen, measured_on=survey.surveyed_on, **more))
    CheckMeasurement.objects.bulk_create(rows)


def _mark_at(here: tuple[float, float, float], name: str, control: list[ControlPoint]) -> ControlPoint | None:
    def away(point: ControlPoint) -> float:
        return math.hypot(float(point.northing_m) - here[0], float(point.easting_m) - here[1])

    named = [point for point in control if name and point.name.upper() == name.strip().upper()]
    near = [point for point in control if away(point) <= SAME_MARK_M]
    return named[0] if named else min(near, key=away, default=None)


def _row(seen: Seen, **more: Any) -> CheckMeasurement:
    return CheckMeasurement(
        from_mark=seen.from_mark,
        backsight=seen.backsight,
        kind=seen.kind,
        north_m=_decimal(seen.north_m),
        east_m=_decimal(seen.east_m),
        up_m=_decimal(seen.up_m),
        distance_m=_decimal(seen.distance_m),
        plan_u_m=_decimal(_plan_u_m(seen)),
        height_u_m=_decimal(_height_u_m(seen)),
        **more,
    )


def _plan_u_m(seen: Seen) -> float:
    if not seen.from_mark:
        return CHECK_U_M
    across = math.radians(POINTING_SECONDS / 3600.0) * seen.sight_m * math.sqrt(2.0)
    return math.sqrt(RANGING_M**2 + across**2 + 2.0 * CENTRING_M**2)


def _height_u_m(seen: Seen) -> float:
    if not seen.from_mark:
        return CHECK_U_M
    return math.hypot(math.radians(POINTING_SECONDS / 3600.0) * seen.sight_m, HEIGHTS_M)


def _decimal(value: float | None) -> Decimal | None:
    """To a tenth of a millimetre; a mark that is kilometres off is a wrong name, and is kept as far off."""
    if value is None:
        return None
    return max(-GREATEST_M, min(GREATEST_M, Decimal(f"{value:.4f}")))
