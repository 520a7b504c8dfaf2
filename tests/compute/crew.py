"""Piles with exact shapes, shot by a crew: toe, crest and spots with codes, names and noise.

A pile rises from its outline at one slope up to a flat top (or a ridge, where the top is out of reach):
height = min(distance from the outline × tan slope, height limit), over a pad of any shape.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from compute.building import BaseChoice
from compute.case import Case
from compute.measure import MeasureRequest, measure
from compute.records import Finding, Shots
from tests.compute.shots_of import shots_of

Pad = Callable[[np.ndarray, np.ndarray], np.ndarray]
Row = tuple[float, float, float, str]


def level_pad(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.full(np.shape(x), 100.0)


def sloping_pad(fall: float) -> Pad:
    return lambda x, y: 100.0 + fall * np.asarray(x)


@dataclass(frozen=True)
class Pile:
    """outline (K, 2) metres; slope in degrees; height limit; the pad it lies on."""

    outline: np.ndarray
    slope_deg: float = 36.0
    height_m: float = 8.0
    pad: Pad = field(default=level_pad)

    @property
    def polygon(self) -> shapely.Polygon:
        return shapely.Polygon(self.outline)

    def heights(self, xy: np.ndarray) -> np.ndarray:
        inside = shapely.contains_xy(self.polygon, xy[:, 0], xy[:, 1])
        away = shapely.distance(self.polygon.exterior, shapely.points(xy))
        rise = np.minimum(away * np.tan(np.radians(self.slope_deg)), self.height_m)
        return self.pad(xy[:, 0], xy[:, 1]) + np.where(inside, rise, 0.0)


def along(line: shapely.Geometry, spacing_m: float, phase: float) -> np.ndarray:
    count = max(int(np.ceil(line.length / spacing_m)), 4)
    at = (np.arange(count) + phase) * line.length / count
    return shapely.get_coordinates(shapely.line_interpolate_point(line, at))


def crew_shots(
    pile: Pile,
    spacing_m: float = 4.0,
    seed: int = 0,
    *,
    noise_m: float = 0.02,
    crest: bool = True,
    spots: bool = True,
    top_m: float | None = None,
) -> list[Row]:
    """Rows (x, y, z, code). `top_m`: no shot higher than this above the pad."""
    rng = np.random.default_rng(seed)
    toe = along(pile.polygon.exterior, spacing_m, rng.uniform())
    rows: list[Row] = [(x, y, float(z), "TOE") for (x, y), z in zip(toe, pile.pad(*toe.T), strict=True)]
    reach = pile.height_m / np.tan(np.radians(pile.slope_deg))
    tops = [part for part in shapely.get_parts(pile.polygon.buffer(-reach)) if part.area > 4.0]
    crests = []
    for number, top in enumerate(tops if crest else [], start=1):
        xy = along(top.exterior, spacing_m, rng.uniform())
        crests.append(top.exterior)
        z = pile.pad(*xy.T) + pile.height_m
        rows += [(x, y, float(h), f"CRS {number}") for (x, y), h in zip(xy, z, strict=True)]
        code = f"CRS {number} CLOSE"
        rows[-1] = (*rows[-1][:3], code)
    if spots:
        rows += _spots(pile, spacing_m, rng, crests)
    if top_m is not None:
        rows = [row for row in rows if row[2] - float(pile.pad(row[0], row[1])) <= top_m]
    noisy = rng.normal(0, noise_m, (len(rows), 3))
    return [(x + dx, y + dy, z + dz, c) for (x, y, z, c), (dx, dy, dz) in zip(rows, noisy, strict=True)]


def _spots(pile: Pile, spacing_m: float, rng: np.random.Generator, crests: list) -> list[Row]:
    west, south, east, north = pile.polygon.bounds
    grid = np.stack(
        np.meshgrid(np.arange(west, east, spacing_m), np.arange(south, north, spacing_m)), axis=-1
    ).reshape(-1, 2)
    grid = grid + rng.uniform(-0.3, 0.3, grid.shape) * spacing_m
    clear = shapely.contains_xy(pile.polygon.buffer(-spacing_m / 3), grid[:, 0], grid[:, 1])
    for line in crests:
        clear &= shapely.distance(line, shapely.points(grid)) > spacing_m / 3
    xy = grid[clear]
    return [(x, y, float(z), "SPT") for (x, y), z in zip(xy, pile.heights(xy), strict=True)]


EASTING_M, NORTHING_M = 2_000.0, 4_000.0


def at_site(shots: Shots, easting_m: float = EASTING_M, northing_m: float = NORTHING_M) -> Shots:
    """The shots somewhere on a site, so that northing and easting differ."""
    return replace(shots, x_m=shots.x_m + easting_m, y_m=shots.y_m + northing_m)


def moved(rows: list[Row], dx: float = 0.0, dy: float = 0.0, dz: float = 0.0) -> list[Row]:
    return [(x + dx, y + dy, z + dz, *rest) for x, y, z, *rest in rows]


def scaled(rows: list[Row], plan: float = 1.0, height: float = 1.0) -> list[Row]:
    """Plan scaled about the site's zero, heights about the pad, as a wrong unit does up to a shift."""
    return [
        (
            (x + EASTING_M) * plan - EASTING_M,
            (y + NORTHING_M) * plan - NORTHING_M,
            100 + (z - 100) * height,
            *rest,
        )
        for x, y, z, *rest in rows
    ]


def shot_named(case: Case, name: str) -> int:
    """Index of a shot; cases keep shots in canonical order, not in that of the rows."""
    return next(i for i in range(len(case.shots)) if case.shots.name(i) == name)


def told(findings: Sequence[Finding]) -> list[tuple[str, str]]:
    return [(finding.code, finding.severity) for finding in findings]


def case_of(rows: list[tuple], base: BaseChoice | None = None, **request) -> Case:
    """The finished case of these rows, at easting 2000, northing 4000; names 1, 2, 3 … in row order."""
    named = [(*row[:4], row[4] if len(row) > 4 else str(k)) for k, row in enumerate(rows, start=1)]
    return measure(
        MeasureRequest(top=at_site(shots_of(named)), base=base or BaseChoice("toe"), **request)
    ).case
