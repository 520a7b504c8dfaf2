"""A crew that shoots the standard pile from three or more set-ups, each its own sector and a strip of the
next.

Every shot has noise in height and plan; what a set-up gets wrong is planted. Seeded, nothing else random.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from compute.blunders import SetupHeights, SetupShots
from compute.building import BaseChoice
from compute.case import Case
from compute.measure import MeasureRequest, measure
from compute.records import FloatArray, Shots
from compute.roles import ROLE_INDEX
from tests.compute import standard_pile as pile
from tests.compute.cases import EAST, FLOOR, NORTH

CODES = {"spot": "SPT", "toe": "TOE", "crest": "CRS", "floor": "FLR"}
AWAY_M = 55.0
POLE_M = 2.0


def _places(rng: np.random.Generator, spacing: float) -> tuple[FloatArray, list[str]]:
    """A whole survey's worth of places with their roles; a set-up takes those it sees."""
    toe = pile.stadium(pile.TOE_RADIUS_M, spacing, rng.uniform())
    crest = pile.stadium(pile.CREST_RADIUS_M, spacing, rng.uniform())
    grid = np.stack(
        np.meshgrid(
            np.arange(-36 + rng.uniform(0, spacing), 36, spacing),
            np.arange(-16 + rng.uniform(0, spacing), 16, spacing),
        ),
        axis=-1,
    ).reshape(-1, 2)
    grid = grid + rng.uniform(-0.25, 0.25, grid.shape) * spacing
    away = np.hypot(np.maximum(np.abs(grid[:, 0]) - pile.HALF_STRAIGHT_M, 0.0), grid[:, 1])
    grid = grid[(away < pile.TOE_RADIUS_M - 0.8) & (np.abs(away - pile.CREST_RADIUS_M) > 0.6)]
    pad = pile.stadium(pile.TOE_RADIUS_M + 3.0, 15.0, rng.uniform())
    xy = np.vstack([toe, crest, grid, pad])
    roles = ["toe"] * len(toe) + ["crest"] * len(crest) + ["spot"] * len(grid) + ["floor"] * len(pad)
    return xy, roles


def stations(count: int) -> FloatArray:
    """(count, 2) places around the pile."""
    angle = np.arange(count) * 2 * math.pi / count + 0.3
    return np.column_stack([AWAY_M * np.cos(angle), AWAY_M * 0.7 * np.sin(angle)])


def shoot(
    seed: int,
    *,
    count: int = 3,
    spacing: float = 3.0,
    strip_m: float = 8.0,
    noise_m: float = 0.02,
    steps: Mapping[int, float] | None = None,
    index_seconds: Mapping[int, float] | None = None,
    pad: bool = True,
) -> tuple[Shots, SetupShots]:
    """Shots in the site frame. `steps` {set-up: metres its heights read too high}; `index_seconds` {set-up:
    index error}, which lifts each shot by its distance."""
    rng = np.random.default_rng(seed)
    at, rows = stations(count), []
    for s in range(count):
        xy, roles = _places(rng, spacing)
        middle = math.atan2(at[s, 1], at[s, 0])
        turn = (np.arctan2(xy[:, 1], xy[:, 0]) - middle + math.pi) % (2 * math.pi) - math.pi
        reach = np.maximum(np.hypot(xy[:, 0], xy[:, 1]), 1.0)
        seen = np.abs(turn) <= math.pi / count + strip_m / 2 / reach
        for (x, y), role in zip(xy[seen], np.array(roles)[seen], strict=True):
            if role == "floor" and not pad:
                continue
            z = float(pile.height_m(np.array([x]), np.array([y]))[0]) if role in ("spot",) else 0.0
            z = pile.HEIGHT_M if role == "crest" else z
            z += rng.normal(0, noise_m) + (steps or {}).get(s, 0.0)
            z += math.hypot(x - at[s, 0], y - at[s, 1]) * math.radians(
                (index_seconds or {}).get(s, 0.0) / 3600
            )
            dx, dy = rng.normal(0, 0.01, 2)
            rows.append((x + dx + EAST, y + dy + NORTH, z + FLOOR, role, s))
    n = len(rows)
    codes = tuple(sorted(set(CODES.values())))
    shots = Shots(
        x_m=np.array([r[0] for r in rows]),
        y_m=np.array([r[1] for r in rows]),
        z_m=np.array([r[2] for r in rows]),
        role=np.array([ROLE_INDEX[r[3]] for r in rows], np.int8),
        code_index=np.array([codes.index(CODES[r[3]]) for r in rows], np.int32),
        codes=codes,
        line=np.arange(2, n + 2, dtype=np.int32),
        file_index=np.zeros(n, np.int16),
        files=(),
        names=[f"P{i + 1}" for i in range(n)],
    )
    setups = tuple(
        SetupHeights(
            str(s + 1), f"CP{s + 1}", float(at[s, 1]) + NORTH, float(at[s, 0]) + EAST, FLOOR, 1.575, (POLE_M,)
        )
        for s in range(count)
    )
    of = SetupShots(np.array([r[4] for r in rows], np.int16), np.full(n, POLE_M), setups)
    return shots, of


def case_of(shots: Shots, of: SetupShots, base: str = "level") -> tuple[Case, SetupShots]:
    """The measured case, and the set-ups in its order."""
    choice = BaseChoice(base, level_m=FLOOR if base == "level" else None)
    case = measure(MeasureRequest(top=shots, base=choice)).case
    place = {int(line): i for i, line in enumerate(shots.line)}
    order = np.array([place[int(line)] for line in case.shots.line])
    return case, SetupShots(of.setup[order], of.target_height_m[order], of.setups)
