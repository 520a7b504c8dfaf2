"""What the search for hidden blunders takes and gives. Metres, local frame of the case, up positive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from compute.records import Finding, FloatArray


@dataclass(frozen=True)
class SetupHeights:
    """One set-up as the book records it; place in the site frame, None where not known."""

    name: str
    station: str
    northing_m: float
    easting_m: float
    elevation_m: float | None = None
    instrument_height_m: float | None = None
    target_heights_m: tuple[float, ...] = ()


@dataclass(frozen=True)
class SetupShots:
    """Which set-up each shot of a case is from.

    setup           : (N,) int16    index into `setups`; −1 where not known
    target_height_m : (N,) float64  as recorded; NaN where not known
    """

    setup: NDArray[np.int16]
    target_height_m: FloatArray
    setups: tuple[SetupHeights, ...]


@dataclass(frozen=True)
class Group:
    """Shots that share one height error: those of a set-up, or those of it with one recorded target height.

    shots : (K,) indices into the case's shots
    """

    name: str
    setup: int
    shots: NDArray[np.int64]
    target_height_m: float | None


@dataclass(frozen=True)
class StripCheck:
    """Two groups where their shots overlap, compared as surfaces.

    step_m       : how far `second` stands over `first`, robust mean of both directions; what a chord across a
                   convex shape reads low cancels between them
    pairs        : shots of either that were compared with the other's surface
    spread_m     : robust standard deviation of a single pair
    standard_error_m : of the step
    tilt_m_per_m, tilt_azimuth_deg : slope of the difference and the direction in which it rises; 0 where the
                   strip is too narrow to tell
    tilt_significance : tilt over its standard error
    shift_m      : how far `second` lies beside `first`, east and north, from what slopes show and level
                   places do not; (0, 0) where the strip has one slope only
    shots        : indices of the shots compared
    """

    first: str
    second: str
    pairs: int
    step_m: float
    spread_m: float
    standard_error_m: float
    tilt_m_per_m: float
    tilt_azimuth_deg: float
    tilt_significance: float
    shift_m: tuple[float, float]
    shift_significance: float
    extent_m: float
    middle_m: tuple[float, float]
    shots: tuple[int, ...]


@dataclass(frozen=True)
class PadCheck:
    """Exposed-pad shots of a group over an independent base."""

    group: str
    count: int
    step_m: float
    spread_m: float
    standard_error_m: float
    shots: tuple[int, ...]


@dataclass(frozen=True)
class Fit:
    """A pole or unit that would close a step: `target_height_m` should have been entered instead of
    `recorded_m` (None: no height on record, and `from_m` to `target_height_m` is a common difference)."""

    words: str
    target_height_m: float
    recorded_m: float | None
    off_m: float


@dataclass(frozen=True)
class Step:
    """One height error that explains what was seen. `groups`: whose; `rivals`: groups that would explain it
    as well with the opposite sign. `step_m`: how far the group's shots stand too high. `effect_m3`: what it
    adds to the net volume."""

    groups: tuple[str, ...]
    rivals: tuple[str, ...]
    step_m: float
    standard_error_m: float
    fits: tuple[Fit, ...]
    effect_m3: float
    shots: tuple[int, ...]


@dataclass(frozen=True)
class BlunderReport:
    strips: tuple[StripCheck, ...]
    pads: tuple[PadCheck, ...]
    steps: tuple[Step, ...]
    findings: tuple[Finding, ...]
