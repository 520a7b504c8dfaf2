"""Outlines of piles with known narrowest width, and crews that shoot their toes in any order."""

from __future__ import annotations

import numpy as np
import shapely

Ring = np.ndarray


def _polar(radius, n: int = 2000) -> Ring:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    r = radius(t)
    return np.column_stack([r * np.cos(t), r * np.sin(t)])


def circle() -> tuple[Ring, float]:
    return _polar(lambda t: 15 + 0 * t), 30.0


def ellipse() -> tuple[Ring, float]:
    t = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    return np.column_stack([30 * np.cos(t), 12 * np.sin(t)]), 24.0


def ridge() -> tuple[Ring, float]:
    box = shapely.box(-20, 0, 20, 0.001).buffer(16, quad_segs=200)
    return np.asarray(box.exterior.coords)[:-1], 32.0


def rectangle() -> tuple[Ring, float]:
    return np.array([[0, 0], [60, 0], [60, 20], [0, 20.0]]), 20.0


def l_shape() -> tuple[Ring, float]:
    return np.array([[0, 0], [60, 0], [60, 20], [20, 20], [20, 70], [0, 70.0]]), 20.0


def l_rounded() -> tuple[Ring, float]:
    line = shapely.LineString([(0, 0), (40, 0), (40, 45)]).buffer(10, quad_segs=60)
    return np.asarray(line.exterior.coords)[:-1], 20.0


def t_shape() -> tuple[Ring, float]:
    line = shapely.MultiLineString([[(-30, 0), (30, 0)], [(0, 0), (0, -40)]]).buffer(9, quad_segs=60)
    return np.asarray(line.exterior.coords)[:-1], 18.0


def kidney() -> tuple[Ring, float]:
    line = shapely.LineString([(25 * np.cos(t), 25 * np.sin(t)) for t in np.linspace(0.2, 3.0, 80)]).buffer(9)
    return np.asarray(line.exterior.coords)[:-1], 18.0


def horseshoe() -> tuple[Ring, float]:
    """Open by a mouth as wide as its arms."""
    line = shapely.LineString([(20 * np.cos(t), 20 * np.sin(t)) for t in np.linspace(-2.2, 2.2, 120)]).buffer(
        7
    )
    return np.asarray(line.exterior.coords)[:-1], 14.0


def peanut() -> tuple[Ring, float]:
    """Two lobes; the waist is the narrowest width."""
    both = shapely.union_all([shapely.Point(-14, 0).buffer(16, 100), shapely.Point(14, 0).buffer(16, 100)])
    return np.asarray(both.exterior.coords)[:-1], 2 * float(np.sqrt(16**2 - 14**2))


def bay_front() -> tuple[Ring, float]:
    """Against three walls, with a curved open front."""
    front = [(30 + 6 * np.sin(np.pi * y / 30), y) for y in np.linspace(0, 30, 40)]
    return np.array([(0, 0), *front, (0, 30.0)]), 30.0


def bitten() -> tuple[Ring, float]:
    """A heap with a loader's bite in one side."""
    heap = shapely.Point(0, 0).buffer(20, 100).difference(shapely.Point(21, 0).buffer(11, 100))
    return np.asarray(heap.exterior.coords)[:-1], 18.0


MAKERS = (circle, ellipse, ridge, rectangle, l_shape, l_rounded, t_shape, kidney, horseshoe, peanut)
OUTLINES = {maker.__name__: maker for maker in (*MAKERS, bay_front, bitten)}


def shoot(
    outline: Ring,
    n: int,
    rng: np.random.Generator,
    *,
    jitter: float = 0.2,
    noise_m: float = 0.05,
    set_ups: int = 1,
) -> np.ndarray:
    """(M, 2) toe shots walked round an outline, about `n`, in walking order.

    jitter  : how far a shot may lie from its even place, as a part of the spacing
    set_ups : more than one: each shoots its share and a fifth more, so that neighbours overlap
    """
    line = shapely.LinearRing(outline)
    length = line.length
    spacing = length / n
    places = []
    for k in range(set_ups):
        start = length * k / set_ups + rng.uniform(0, spacing)
        share = length / set_ups * (1.2 if set_ups > 1 else 1.0)
        count = max(round(share / spacing), 1)
        places.append(start + np.arange(count) * spacing + rng.uniform(-jitter, jitter, count) * spacing)
    along = np.concatenate(places) % length
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    points = points + rng.normal(0, noise_m, points.shape)
    return points[np.argsort(along, kind="stable")]
