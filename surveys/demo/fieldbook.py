"""The field book of Kettlevarn's crew: a loop of set-ups in international feet, from where the pole stood.

What the instrument shows is worked out from the true places, with the noise of its circle, its distance meter
and its centring, and rounded as the crew writes it: seconds, thousandths of a foot, heights to a hundredth.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from compute.traverse.angles import format_dms, turn
from surveys.demo.crew import Shot
from surveys.demo.yard import FOOT_M, SITE

HEADER = "setup,at,to,kind,face,circle,zenith,slope_distance,instrument_height,target_height,code,note"
POINTING_SECONDS = 2.5
RANGING_FT = 0.0007 / FOOT_M
COLLIMATION_SECONDS, INDEX_SECONDS = 4.0, -6.0
POLE_FT = 6.5
TAPE_FT = 0.005
"""Heights are read to a hundredth of a foot: what was read is off by at most half of that."""
REFRACTION_K, EARTH_RADIUS_FT = 0.13, 6_371_000.0 / FOOT_M

Place = tuple[float, float, float]
"""Northing, easting, elevation, feet."""


@dataclass(frozen=True)
class Mistake:
    """What the crew wrote wrongly at one set-up, counted from 1.

    misread_deg : added to the circle reading of the back-sight, in both faces; read rightly at the end
    pole_ft     : height written for the pole, for the shots and the back-sight sighted again
    """

    setup: int
    misread_deg: float = 0.0
    pole_ft: float = POLE_FT


@dataclass(frozen=True)
class _Setup:
    number: int
    at: str
    backsight: str
    foresight: str
    zero_deg: float
    instrument_ft: float
    shots: tuple[Shot, ...]


def field_book(
    site: str, shots: Iterable[Shot], seed: tuple[int, date], mistake: Mistake | None = None
) -> bytes:
    """The bytes of one day's book. `shots` as `crew.shoot` gives them: each station occupied is a set-up."""
    rng = np.random.default_rng([seed[0], seed[1].toordinal(), 11])
    marks = {name: _feet(place) for name, place in SITE[site].control_m.items()}
    lines = [HEADER]
    for setup in _setups(tuple(shots), rng):
        wrong = mistake if mistake is not None and mistake.setup == setup.number else Mistake(setup.number)
        lines += _Crew(setup, marks, rng, wrong).lines()
    return ("\n".join(lines) + "\n").encode("utf-8")


def _setups(shots: tuple[Shot, ...], rng: np.random.Generator) -> Iterator[_Setup]:
    starts = [i for i, shot in enumerate(shots) if shot.code == "CTL"]
    names = [shots[i].point for i in starts]
    for number, (start, end) in enumerate(zip(starts, [*starts[1:], len(shots)], strict=True)):
        yield _Setup(
            number + 1,
            names[number],
            names[number - 1],
            names[(number + 1) % len(names)],
            float(rng.uniform(0.0, 360.0)),
            round(float(rng.uniform(4.9, 5.4)), 2),
            tuple(shot for shot in shots[start:end] if shot.code not in ("CTL", "CHK")),
        )


@dataclass
class _Crew:
    """One set-up being written down."""

    setup: _Setup
    marks: dict[str, Place]
    rng: np.random.Generator
    wrong: Mistake

    def lines(self) -> Iterator[str]:
        setup = self.setup
        self.true_instrument_ft = setup.instrument_ft + self._tape()
        yield from self._mark(setup.backsight, "backsight", self.wrong.misread_deg)
        yield from self._mark(setup.foresight, "foresight")
        for shot in setup.shots:
            yield self._shot(shot)
        yield self._again(setup.backsight)

    def _mark(self, name: str, kind: str, misread_deg: float = 0.0) -> Iterator[str]:
        """A target on a tripod, in both faces."""
        written_ft = round(float(self.rng.uniform(4.6, 5.3)), 2)
        azimuth, zenith, slope = self._sight(self.marks[name], written_ft + self._tape())
        for face, side in ((1, 1.0), (2, -1.0)):
            circle = azimuth + misread_deg + self._seconds(side * COLLIMATION_SECONDS)
            seen = (zenith if face == 1 else 360.0 - zenith) + self._seconds(INDEX_SECONDS)
            circle += 0.0 if face == 1 else 180.0
            distance = slope + float(self.rng.normal(0.0, RANGING_FT))
            yield self._line(name, kind, face, circle, seen, distance, written_ft)

    def _shot(self, shot: Shot) -> str:
        place = _feet((shot.northing_m, shot.easting_m, shot.elevation_m))
        azimuth, zenith, slope = self._sight(place, POLE_FT)
        code = shot.code.replace(" ", "")
        return self._line(shot.point, "shot", 1, azimuth, zenith, slope, self.wrong.pole_ft, code)

    def _again(self, name: str) -> str:
        """The back-sight once more before the set-up ends, with the pole on the mark."""
        azimuth, zenith, slope = self._sight(self.marks[name], POLE_FT)
        circle, seen = azimuth + self._seconds(0.0), zenith + self._seconds(0.0)
        distance = slope + float(self.rng.normal(0.0, RANGING_FT))
        return self._line(name, "check", 1, circle, seen, distance, self.wrong.pole_ft)

    def _sight(self, place: Place, target_ft: float) -> tuple[float, float, float]:
        """Circle reading, zenith angle and slope distance without noise, degrees and feet."""
        here = self.marks[self.setup.at]
        north, east = place[0] - here[0], place[1] - here[1]
        flat = math.hypot(north, east)
        curved = (1.0 - REFRACTION_K) * flat**2 / (2.0 * EARTH_RADIUS_FT)
        up = place[2] - here[2] - self.true_instrument_ft + target_ft - curved
        azimuth = math.degrees(math.atan2(east, north))
        return azimuth - self.setup.zero_deg, math.degrees(math.atan2(flat, up)), math.hypot(flat, up)

    def _seconds(self, mean: float) -> float:
        return float(self.rng.normal(mean, POINTING_SECONDS)) / 3600.0

    def _tape(self) -> float:
        return float(self.rng.uniform(-TAPE_FT, TAPE_FT))

    def _line(
        self,
        to: str,
        kind: str,
        face: int,
        circle: float,
        zenith: float,
        slope: float,
        target_ft: float,
        code: str = "",
    ) -> str:
        setup = self.setup
        return (
            f"{setup.number},{setup.at},{to},{kind},{face},{format_dms(turn(circle))},{format_dms(zenith)},"
            f"{slope:.3f},{setup.instrument_ft:.2f},{target_ft:.2f},{code},"
        )


def _feet(place: Place) -> Place:
    north, east, up = (value / FOOT_M for value in place)
    return north, east, up
