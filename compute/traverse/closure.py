"""Azimuths by angle, latitudes and departures, and what does not close."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from compute.errors import BadOption
from compute.records import FloatArray
from compute.traverse.angles import SECONDS, half_turn, turn
from compute.traverse.chain import FIRST_STATION, Control, Traverse

NOTHING = 1e-9
"""Below this a linear misclosure, in the file's unit, is rounding, and 1 : ratio has no meaning."""


@dataclass(frozen=True)
class Limits:
    """Presets are data: the contract's defaults. `height_m` times the root of the number of courses is common
    practice, no source."""

    smallest_ratio: float = 5000.0
    angle_seconds: float = 20.0
    height_m: float = 0.02
    height_m_per_root_km: float | None = None
    """Where given, heights may miss this times the root of the length in km, instead of `height_m`."""

    def height_allowed(self, courses: int, length_m: float) -> float:
        """Metres."""
        if self.height_m_per_root_km is not None:
            return self.height_m_per_root_km * math.sqrt(length_m / 1000.0)
        return self.height_m * math.sqrt(max(courses, 1))


@dataclass(frozen=True)
class Closure:
    """Misclosures are computed minus known: seconds of arc and the file's unit; None where nothing closes.

    `kind` is loop, link or open; `sum_kind` interior, exterior or "" (no angular sum).
    """

    kind: str
    angular_seconds: float | None
    angular_allowed_seconds: float | None
    latitude: float | None
    departure: float | None
    linear: float | None
    perimeter: float
    ratio: float | None
    height: float | None
    height_allowed: float
    sum_kind: str
    angles: int


@dataclass(frozen=True)
class Run:
    """A traverse laid out. azimuth_deg, latitude, departure : (n,); angles_closed : (n + 1,) bool, the angles
    that share the angular misclosure."""

    traverse: Traverse
    control: Control
    azimuth_deg: FloatArray
    latitude: FloatArray
    departure: FloatArray
    closure: Closure
    angles_closed: FloatArray


def settle_control(traverse: Traverse, control: Control) -> Control:
    """`control` with the defaults written out: the first station, and the direction to its back-sight."""
    stations, azimuths = dict(control.stations), dict(control.azimuths)
    for a, b in azimuths:
        sights = {*traverse.stations, traverse.start_sight, traverse.end_sight}
        if not {a, b} & set(traverse.stations) or not {a, b} <= sights:
            raise BadOption(
                f"The known azimuth {a}–{b} meets no sight of the traverse.",
                where="--azimuth",
                remedy="Name a station of the file and the station or mark sighted from it.",
            )
    if not set(stations) & set(traverse.stations):
        if stations:
            raise BadOption(
                f"No known station is part of the traverse: {', '.join(stations)}.",
                where="--station",
                remedy=f"Name one of {', '.join(dict.fromkeys(traverse.stations))}.",
            )
        stations[traverse.stations[0]] = FIRST_STATION
    settled = Control(stations, azimuths)
    lone = len(traverse.distance) == 0
    if (lone or np.isnan(traverse.direction_deg).any()) and _known_course(traverse, settled) is None:
        start, sight = traverse.stations[0], traverse.start_sight
        if settled.azimuth(start, sight) is None:
            last = traverse.stations[-1]
            link = start != last and {start, last} <= set(stations)
            if not lone and (np.isnan(traverse.angle_deg[0]) or link):
                raise BadOption(
                    "The traverse has no known direction to start from.",
                    where="--azimuth",
                    remedy=f"Give --azimuth {start},{sight or 'MARK'},DIRECTION.",
                )
            azimuths[start, sight] = 0.0
    return settled


def _known_course(traverse: Traverse, control: Control) -> tuple[int, float] | None:
    """The first course whose azimuth is known by itself; the closing course of a polygon too."""
    for i, (start, end) in enumerate(zip(traverse.stations, traverse.stations[1:], strict=False)):
        azimuth = control.azimuth(start, end)
        if azimuth is not None:
            return i, azimuth
    return None


def lay_out(traverse: Traverse, control: Control, limits: Limits, unit_m: float, balance: bool) -> Run:
    """Azimuths, latitudes, departures and misclosures. `balance` spreads the angular misclosure evenly
    over the angles before the latitudes are formed, as is usual before the linear misclosure is looked at."""
    angles = traverse.angle_deg.copy()
    azimuth, first_used = _azimuths(traverse, control, angles)
    angular, used = _angular(traverse, control, azimuth, first_used)
    if balance and angular is not None:
        angles[used] -= angular / SECONDS / used.sum()
        azimuth, _ = _azimuths(traverse, control, angles)
    latitude = traverse.distance * np.cos(np.radians(azimuth))
    departure = traverse.distance * np.sin(np.radians(azimuth))
    closure = _closure(traverse, control, latitude, departure, limits, unit_m)
    count = int(used.sum())
    if angular is not None:
        total = float(traverse.angle_deg[used].sum())
        kind = "interior" if total < 180.0 * count else "exterior"
        closure = replace(
            closure, angular_seconds=angular, angular_allowed_seconds=limits.angle_seconds * math.sqrt(count),
            sum_kind=kind if traverse.is_polygon else "", angles=count,
        )  # fmt: skip
    return Run(traverse, control, azimuth, latitude, departure, closure, used)


def _azimuths(traverse: Traverse, control: Control, angles: FloatArray) -> tuple[FloatArray, int]:
    """(n,) azimuths by angle and the first angle that they hang on."""
    n = len(traverse.distance)
    if n == 0 or np.isfinite(traverse.direction_deg).all():
        return traverse.direction_deg, n + 1
    azimuth = np.full(n, np.nan)
    known = _known_course(traverse, control)
    if known is None:
        base = control.azimuth(traverse.stations[0], traverse.start_sight)
        assert base is not None  # settle_control has seen to it
        known, first_used = (0, turn(base + angles[0])), 0
    else:
        first_used = known[0] + 1
    azimuth[known[0]] = known[1]
    for i in range(known[0] + 1, n):
        azimuth[i] = turn(azimuth[i - 1] + 180.0 + angles[i])
    for i in range(known[0] - 1, -1, -1):
        azimuth[i] = turn(azimuth[i + 1] - angles[i + 1] - 180.0)
    return azimuth, first_used


def _angular(
    traverse: Traverse, control: Control, azimuth: FloatArray, first_used: int
) -> tuple[float | None, FloatArray]:
    """Misclosure in seconds, computed minus known, and which angles share it."""
    n = len(traverse.distance)
    used = np.zeros(n + 1, dtype=bool)
    if traverse.is_polygon:
        used[:n] = True
        return half_turn(float(traverse.angle_deg[:n].sum()) - 180.0 * n) * SECONDS, used
    known = control.azimuth(traverse.stations[-1], traverse.end_sight) if traverse.end_sight else None
    if n == 0 or known is None or np.isnan(traverse.angle_deg[n]):
        return None, used
    used[first_used:] = True
    reached = azimuth[-1] + 180.0 + traverse.angle_deg[n]
    return half_turn(float(reached) - known) * SECONDS, used


def _closure(
    traverse: Traverse, control: Control, latitude: FloatArray, departure: FloatArray, limits: Limits,
    unit_m: float,
) -> Closure:  # fmt: skip
    perimeter = float(traverse.distance.sum())
    start, end = (control.stations.get(traverse.stations[i]) for i in (0, -1))
    allowed = limits.height_allowed(len(traverse.distance), perimeter * unit_m) / unit_m
    if not traverse.is_loop and (start is None or end is None or len(traverse.stations) < 2):
        return Closure("open", None, None, None, None, None, perimeter, None, None, allowed, "", 0)
    north = east = up = 0.0
    up_known = True
    if not traverse.is_loop:
        assert start is not None
        assert end is not None
        north, east = end[0] - start[0], end[1] - start[1]
        up_known = start[2] is not None and end[2] is not None
        up = (end[2] or 0.0) - (start[2] or 0.0)
    off_north, off_east = float(latitude.sum()) - north, float(departure.sum()) - east
    linear = math.hypot(off_north, off_east)
    height = float(traverse.height.sum()) - up if up_known and np.isfinite(traverse.height).all() else None
    return Closure(
        "loop" if traverse.is_loop else "link", None, None, off_north, off_east, linear, perimeter,
        perimeter / linear if linear > NOTHING else None, height, allowed, "", 0,
    )  # fmt: skip


def beyond(closure: Closure, limits: Limits) -> list[str]:
    """Which misclosures are beyond their limit: of `angular`, `linear`, `height`."""
    found = []
    angular, allowed = closure.angular_seconds, closure.angular_allowed_seconds
    # A hair of rounding must not refuse what is exactly on the limit.
    if angular is not None and allowed is not None and abs(angular) > allowed + 1e-6:
        found.append("angular")
    if closure.ratio is not None and closure.ratio < limits.smallest_ratio:
        found.append("linear")
    if closure.height is not None and abs(closure.height) > closure.height_allowed:
        found.append("height")
    return found
