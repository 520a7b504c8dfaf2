"""The files that leave the field: three crews, three habits of writing the same thing.

Dravenhoe writes plain CSV; Tulmarrow's office writes semicolons, decimal commas and a byte-order mark;
Kettlevarn writes columns divided by blanks in international feet, with codes and string numbers in one word.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from shapely import MultiPoint, Polygon

from surveys.demo.crew import HEIGHT_NOISE_M, PLAN_NOISE_M, Shot
from surveys.demo.ground import Pad
from surveys.demo.shapes import Heap
from surveys.demo.walks import toe_line
from surveys.demo.yard import FOOT_M, DemoPile

OUTLINE_MARGIN_M = 5.0
"""An outline in the book leaves room around the largest toe of the year, and for the floor shots."""
OUTLINE_TOLERANCE_M = 1.0
PAD_STEP_M = 6.0
PAD_MARGIN_M = 4.0


@dataclass(frozen=True)
class FieldFile:
    """One file as sent. `pile` is empty for a file of the whole yard."""

    name: str
    data: bytes
    pile: str = ""


def written(site: str, shots: Iterable[Shot]) -> bytes:
    """The bytes of a point file in the habit of `site`."""
    write = {"DRV": _comma_separated, "TUL": _semicolons, "KTV": _blanks_in_feet}[site]
    return write(tuple(shots))


def _comma_separated(shots: tuple[Shot, ...]) -> bytes:
    lines = (
        f"{s.point},{s.northing_m:.3f},{s.easting_m:.3f},{s.elevation_m:.3f},{s.code},{s.note}" for s in shots
    )
    return _text(["point,northing,easting,elevation,code,note", *lines])


def _semicolons(shots: tuple[Shot, ...]) -> bytes:
    lines = ["Point;Easting [m];Northing [m];Height [m];Code;Remark"]
    for s in shots:
        numbers = f"{s.easting_m:.3f};{s.northing_m:.3f};{s.elevation_m:.3f}".replace(".", ",")
        lines.append(f"{s.point};{numbers};{s.code};{s.note}")
    return b"\xef\xbb\xbf" + _text(lines, "\r\n")


def _blanks_in_feet(shots: tuple[Shot, ...]) -> bytes:
    lines = ["P N E Z Code"]
    for s in shots:
        northing, easting, height = (
            f"{metres / FOOT_M:.3f}" for metres in (s.northing_m, s.easting_m, s.elevation_m)
        )
        code = s.code.replace(" ", "")
        lines.append(f"{s.point:<6} {northing:>11} {easting:>11} {height:>9} {code}".rstrip())
    return _text(lines)


def _text(lines: list[str], end: str = "\n") -> bytes:
    return (end.join(lines) + end).encode("utf-8")


def without_codes(data: bytes) -> bytes:
    """A file of columns divided by blanks, exported without its last column."""
    return _text([" ".join(line.split()[:4]) for line in data.decode("utf-8").splitlines()])


def without_heading(data: bytes) -> bytes:
    """The same file without its first line, as some exports leave it: the columns are then a question."""
    return data.split(b"\n", 1)[1]


# --- pads and outlines -----------------------------------------------------------------------------


def pad_shots(pile: DemoPile, pad: Pad, outline: list[list[float]]) -> tuple[Shot, ...]:
    """A survey of the bare pad: a grid over the outline and a little beyond."""
    rng = np.random.default_rng([pile.seed, 7, round(1000.0 * pad.raised_m)])
    area = Polygon(outline).buffer(PAD_MARGIN_M)
    west, south, east, north = area.bounds
    e, n = np.meshgrid(
        np.arange(west, east + PAD_STEP_M, PAD_STEP_M), np.arange(south, north + PAD_STEP_M, PAD_STEP_M)
    )
    grid = np.stack([e.ravel(), n.ravel()], axis=1)
    grid += rng.uniform(-0.15, 0.15, grid.shape) * PAD_STEP_M
    height_m = pad.height_m(grid[:, 0], grid[:, 1]) + rng.normal(0.0, HEIGHT_NOISE_M, len(grid))
    plan = grid + rng.normal(0.0, PLAN_NOISE_M, grid.shape)
    return tuple(
        Shot(f"G{number}", float(n_m), float(e_m), float(z_m), "GND")
        for number, ((e_m, n_m), z_m) in enumerate(zip(plan, height_m, strict=True), start=1)
    )


def outline_around(heaps: Iterable[Heap]) -> list[list[float]]:
    """A simple ring [easting, northing] around all toes of the year, rounded to decimetres."""
    corners = []
    for heap in heaps:
        corners += [toe_line(heap)] if heap.walls_m is None else [toe_line(heap), heap.walls_m]
    hull = MultiPoint(np.concatenate(corners)).convex_hull
    ring = hull.buffer(OUTLINE_MARGIN_M, quad_segs=4).simplify(OUTLINE_TOLERANCE_M)
    return [[round(e, 1), round(n, 1)] for e, n in list(ring.exterior.coords)[:-1]]
