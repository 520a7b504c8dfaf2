"""Whether the shortest ring is the only reading of the toe shots, and the words when it is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely

from compute.errors import ToeRingAmbiguous, ToeRingCrossesItself
from compute.kernels import rivals
from compute.kernels.tour import signed_area, tour_length
from compute.records import FloatArray, IntArray
from compute.rings import crossing_edges, is_simple, linear_ring

SLACK = 0.4
"""Another ring is as good when it is longer by less than this part of the edges it does without."""

SPLIT_EXCESS = 0.15
"""Two rings are as good as one when their joints are longer than the lane between them by less than this."""

MATERIAL_AREA = 0.03
"""A difference in area that matters, as a part of the area."""

GAP_FACTOR = 4.0
GAP_WIDTHS = 1.5
"""A gap of so many times the usual spacing and the pile's width behind it leaves the toe unknown."""

ANOTHER_RING, TWO_RINGS, RING_IN_RING, OPEN_SIDE = (
    "another ring",
    "two rings",
    "a ring in a ring",
    "an open side",
)

Place = Callable[[int], str]


@dataclass(frozen=True)
class Rival:
    """Another reading of the same shots: one ring of another area, two rings, or an open side."""

    kind: str
    length_m: float
    area_m2: float
    shots: tuple[int, ...]
    gap_m: float


def find_doubt(x: FloatArray, y: FloatArray, tours: list[IntArray], near: IntArray) -> Rival | None:
    best = tours[0]
    convex = _is_convex(x, y, best)
    return (
        (None if convex else _two_rings(x, y, best, near))
        or _open_side(x, y, best)
        or _other_start(x, y, tours)
        or _other_ring(x, y, best, rivals.single_ring_changes(x, y, best, near, SLACK, MATERIAL_AREA))
        or _other_ring(x, y, best, rivals.two_neck_changes(x, y, best, near, SLACK, MATERIAL_AREA))
    )


def _is_convex(x: FloatArray, y: FloatArray, tour: IntArray) -> bool:
    """Whether the ring is its own hull, near enough: then no shot lies between two heaps."""
    polygon = shapely.polygons(linear_ring(x, y, tour))
    hull = shapely.convex_hull(polygon)
    return bool(hull.area - polygon.area <= MATERIAL_AREA * hull.area)


def _other_ring(
    x: FloatArray, y: FloatArray, best: IntArray, found: tuple[IntArray, FloatArray]
) -> Rival | None:
    changes, ranks = found
    for row in np.argsort(ranks, kind="stable"):
        (other,) = rivals.changed_tour(best, changes[row])
        if is_simple(x, y, other):
            return _rival(x, y, best, other)
    return None


def _other_start(x: FloatArray, y: FloatArray, tours: list[IntArray]) -> Rival | None:
    best = tours[0]
    for other in tours[1:]:
        put = _new_edges(best, other)
        longest = max(float(np.hypot(x[a] - x[b], y[a] - y[b])) for a, b in put)
        excess = tour_length(x, y, other) - tour_length(x, y, best)
        if excess <= SLACK * longest and differs(x, y, best, other):
            return _rival(x, y, best, other)
    return None


def _rival(x: FloatArray, y: FloatArray, best: IntArray, other: IntArray) -> Rival:
    put = sorted(_new_edges(best, other), key=lambda e: -np.hypot(x[e[0]] - x[e[1]], y[e[0]] - y[e[1]]))
    a, b = put[0]
    return Rival(
        kind=ANOTHER_RING,
        length_m=tour_length(x, y, other),
        area_m2=abs(signed_area(x, y, other)),
        shots=tuple(dict.fromkeys(shot for edge in put[:3] for shot in edge)),
        gap_m=float(np.hypot(x[a] - x[b], y[a] - y[b])),
    )


def _new_edges(old: IntArray, new: IntArray) -> list[tuple[int, int]]:
    had = _edges(old)
    return sorted(_edges(new) - had)


def _edges(tour: IntArray) -> set[tuple[int, int]]:
    return {(min(a, b), max(a, b)) for a, b in zip(tour.tolist(), np.roll(tour, -1).tolist(), strict=True)}


def differs(x: FloatArray, y: FloatArray, one: IntArray, other: IntArray) -> bool:
    area, other_area = abs(signed_area(x, y, one)), abs(signed_area(x, y, other))
    return abs(area - other_area) > MATERIAL_AREA * area


def _two_rings(x: FloatArray, y: FloatArray, best: IntArray, near: IntArray) -> Rival | None:
    """Two rings whose joints are hardly longer than the lane the single ring bridges twice."""
    changes, ranks = rivals.split_changes(x, y, best, near, SPLIT_EXCESS, MATERIAL_AREA)
    for row in np.argsort(ranks, kind="stable"):
        parts = rivals.changed_tour(best, changes[row])
        if any(not is_simple(x, y, part) for part in parts):
            continue
        polygons = [shapely.polygons(linear_ring(x, y, part)) for part in parts]
        if polygons[0].boundary.intersects(polygons[1].boundary):
            continue
        lane = _bridge(x, y, best, int(changes[row][1]), int(changes[row][2]))
        return Rival(
            kind=TWO_RINGS if polygons[0].disjoint(polygons[1]) else RING_IN_RING,
            length_m=sum(tour_length(x, y, part) for part in parts),
            area_m2=sum(polygon.area for polygon in polygons),
            shots=lane,
            gap_m=float(np.hypot(x[lane[0]] - x[lane[1]], y[lane[0]] - y[lane[1]])),
        )
    return None


def _bridge(x: FloatArray, y: FloatArray, tour: IntArray, i: int, j: int) -> tuple[int, ...]:
    n = len(tour)
    return tuple(int(tour[place % n]) for place in (i, i + 1, j, j + 1))


def _open_side(x: FloatArray, y: FloatArray, best: IntArray) -> Rival | None:
    """One edge longer than the pile is across behind it: nobody has seen where the toe runs there."""
    plan = np.column_stack([x[best], y[best]])
    edge = np.roll(plan, -1, axis=0) - plan
    length = np.hypot(*edge.T)
    k = int(np.argmax(length))
    usual = float(np.quantile(np.delete(length, k), 0.75))
    if length[k] <= GAP_FACTOR * usual:
        return None
    polygon = shapely.polygons(plan)
    middle = plan[k] + edge[k] / 2
    inward = np.array([-edge[k, 1], edge[k, 0]]) / length[k]
    inside = shapely.linestrings([middle + 1e-9 * length[k] * inward, middle + inward * 2 * length.sum()])
    across = shapely.length(shapely.get_parts(shapely.intersection(inside, polygon)))
    if len(across) == 0 or length[k] <= GAP_WIDTHS * across[0]:
        return None
    a, b = int(best[k]), int(best[(k + 1) % len(best)])
    return Rival(OPEN_SIDE, float(length.sum()), float(polygon.area), (a, b), float(length[k]))


# --- refusals ----------------------------------------------------------------------------------------


def crosses_itself(
    x: FloatArray, y: FloatArray, numbered: IntArray, kept: IntArray, place: Place
) -> ToeRingCrossesItself:
    n = len(numbered)
    crossings = crossing_edges(x, y, numbered)
    words = [
        f"the line from {place(int(kept[numbered[i]]))} to {place(int(kept[numbered[(i + 1) % n]]))} crosses "
        f"the line from {place(int(kept[numbered[j]]))} to {place(int(kept[numbered[(j + 1) % n]]))}"
        for i, j in crossings[:3]
    ]
    more = f", and {len(crossings) - 3} more crossings" if len(crossings) > 3 else ""
    return ToeRingCrossesItself(
        f"The {n} toe shots can be joined in more than one way, and joined by their numbers they cross: "
        + "; ".join(words)
        + more
        + ". The area, and with it the volume, depends on the order. Nothing was measured.",
        where=place(int(kept[numbered[crossings[0][0]]])) if len(crossings) else "toe shots",
    )


def ambiguous(
    x: FloatArray, y: FloatArray, best: IntArray, doubt: Rival, kept: IntArray, place: Place
) -> ToeRingAmbiguous:
    length, area = tour_length(x, y, best), abs(signed_area(x, y, best))
    places = [place(int(kept[shot])) for shot in doubt.shots]
    one_ring = (
        f"The {len(best)} toe shots do not tell one ring. The shortest is {length:.1f} m around {area:.1f} m²"
    )
    if doubt.kind == ANOTHER_RING:
        change = 100 * (doubt.area_m2 - area) / area
        words = (
            f"{one_ring}; another is only {doubt.length_m - length:.1f} m longer and encloses "
            f"{doubt.area_m2:.1f} m² ({change:+.0f} %). They part near {'; '.join(places)}, "
            f"where shots {doubt.gap_m:.1f} m apart may or may not be neighbours. "
            "The volume would change with the choice."
        )
    elif doubt.kind == OPEN_SIDE:
        words = (
            f"{one_ring}, but its gap of {doubt.gap_m:.1f} m between {places[0]} and {places[1]} is much "
            "wider than the pile is across. Where the toe runs there is not known, and the volume depends "
            "on it."
        )
    else:
        looks = "two separate heaps" if doubt.kind == TWO_RINGS else "a heap with a hole inside"
        words = (
            f"The {len(best)} toe shots look like {looks}: two rings of together {doubt.length_m:.1f} m "
            f"fit as well as one ring of {length:.1f} m, which has to jump {doubt.gap_m:.1f} m between "
            f"{places[0]} and {places[1]}, and again between {places[2]} and {places[3]}. "
            "One ring would measure the lane between as material."
        )
    return ToeRingAmbiguous(
        f"{words} Nothing was measured.",
        where="; ".join(places),
        remedy=f"{ToeRingAmbiguous.remedy} If shots on the pile carry the toe code, correct their code.",
    )
