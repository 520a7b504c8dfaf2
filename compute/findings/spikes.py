"""Shots that stand out of the surface: what their neighbours say, and what the typing error may be.

A shot is judged by the triangles across its own: each, carried on as a plane, says a height for it. On a
crest or at the top of a cone at least some of them say the right one; at a spike all are wrong the same
way.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from compute.case import Case
from compute.findings.mesh import inner_edges
from compute.findings.said import Entry, tells
from compute.kernels.carried import above_planes, tallied
from compute.quantities import cubic_metres, metres
from compute.records import Finding, FindingLimits, FloatArray, IntArray, Surface
from compute.roles import ROLE_INDEX
from compute.units import LENGTH_IN_M

SPIKE = Entry("spike", "stop", "A shot stands alone, steeper than loose material holds on all sides.")
STANDS_OUT = Entry("stands-out", "note", "A shot stands out of its surroundings; it may be material.")

LEAST_SCATTER_M = 0.05
"""The usual scatter is never taken as less: a pole tip on loose material does not do better."""

QUARTER = 0.25
AGREED = 0.85
"""The part of the planes around that must be wrong the same way."""

PLANES_ENOUGH = 3
PLANES_SURE = 5
SPREAD_SURE = 3.0
ONE_PLANE = 0.25
"""So many planes that agree within so many times the scatter, and in slope within so much, are one face: a
shot above it need not be the highest around. Below it must be the lowest and steep: the shoulders of any
pile lie below its faces carried on, and the top of a cone above the chords of its sides."""

NEARLY = 0.85

THINNEST = 0.05
"""Triangles thinner than this (height over longest side) say nothing when carried on."""

SAMPLE = 20_000
MOST_ROUNDS = 12
MOST_A_ROUND = 30
MOST_TOLD = 10
CLOUD = 20_000
TYPED_WRONG = (100.0, 10.0, 1.0)


@dataclass(frozen=True)
class Spike:
    """vertex of the surface; height over what the neighbours say, m; the usual scatter, m."""

    vertex: int
    above_m: float
    scatter_m: float
    alone: bool


@dataclass(frozen=True)
class _Says:
    """What triangle `source` says about `vertex`: `above_m` is the vertex over the plane carried on."""

    vertex: NDArray[np.int64]
    source: NDArray[np.int64]
    above_m: FloatArray

    def pick(self, which: NDArray[np.bool_]) -> _Says:
        return _Says(self.vertex[which], self.source[which], self.above_m[which])


def find_spikes_in(surface: Surface, limits: FindingLimits) -> list[Spike]:
    """Vertices that stand out, the worst first.

    `alone` ones are above or below all their neighbours and mostly steeper than the limit.
    """
    says = _says_of(surface)
    scatter = scatter_of(surface)
    if scatter == 0.0:
        return []
    least = limits.spike_sigmas * scatter
    found: list[Spike] = []
    for _ in range(MOST_ROUNDS):
        told = _candidates(says, len(surface.vertices_m), least)
        told = told.pick(_worst_of_neighbours(surface, told))
        told = told.pick(np.argsort(-told.size_m, kind="stable")[:MOST_A_ROUND])
        if not len(told.vertex):
            break
        for vertex, middle, spread, number in zip(
            told.vertex.tolist(),
            told.middle_m.tolist(),
            told.spread_m.tolist(),
            told.number.tolist(),
            strict=True,
        ):
            beyond, slope = _beyond_neighbours(surface, vertex)
            alone = beyond > 0 and slope > limits.slope_limit_deg
            steep = beyond > least and slope > NEARLY * limits.slope_limit_deg and number >= PLANES_ENOUGH
            agreed = middle > 0 and number >= PLANES_SURE and spread <= SPREAD_SURE * scatter
            if alone or steep or (agreed and _one_plane(surface, says.source[says.vertex == vertex])):
                found.append(Spike(vertex, middle, scatter, alone))
        spikes = [spike.vertex for spike in found]
        spoilt = np.asarray(np.any(np.isin(surface.triangles, spikes), axis=1))
        says = says.pick(~spoilt[says.source] & ~np.isin(says.vertex, told.vertex))
    return sorted(found, key=lambda spike: (-abs(spike.above_m), spike.vertex))


_SAYS: WeakKeyDictionary[Surface, _Says] = WeakKeyDictionary()


def _says_of(surface: Surface) -> _Says:
    """What the planes say, worked out once for each surface."""
    found = _SAYS.get(surface)
    if found is None:
        found = _SAYS[surface] = _planes_carried_on(surface)
    return found


_SCATTER: WeakKeyDictionary[Surface, float] = WeakKeyDictionary()


def scatter_of(surface: Surface) -> float:
    """Usual distance of a vertex from what the triangles around say, m; 0 when there is too little to say."""
    found = _SCATTER.get(surface)
    if found is None:
        found = _SCATTER[surface] = _scatter(surface, _says_of(surface))
    return found


def _planes_carried_on(surface: Surface) -> _Says:
    """Every triangle's plane at the far corner of each neighbour."""
    edges = inner_edges(surface)
    vertex = edges.apexes.T.ravel()
    source = edges.triangles[:, ::-1].T.ravel()
    above = above_planes(surface.vertices_m, surface.triangles, source, vertex, THINNEST)
    return _Says(vertex, source, above).pick(np.isfinite(above))


def _scatter(surface: Surface, says: _Says) -> float:
    """Usual distance of a vertex from the nearer of its planes, robust; 0 when there is too little to say."""
    count = len(surface.vertices_m)
    number = np.bincount(says.vertex, minlength=count)
    vertices = np.flatnonzero(number >= PLANES_ENOUGH)
    if len(vertices) < 3:
        return 0.0
    step = max(1, len(vertices) // SAMPLE)
    chosen = np.zeros(count, dtype=np.bool_)
    chosen[vertices[::step]] = True
    size = _told(says.pick(chosen[says.vertex]), count).size_m
    span = surface.vertices_m[:, :2].max(axis=0) - surface.vertices_m[:, :2].min(axis=0)
    usual_spacing = float(np.sqrt(span.prod() / count))
    return max(1.4826 * float(np.median(size)), min(LEAST_SCATTER_M, 0.02 * usual_spacing))


@dataclass(frozen=True)
class _Told:
    """Of each vertex: lower quartile of the sizes of what is said, the median, and how far it spreads."""

    vertex: NDArray[np.int64]
    size_m: FloatArray
    middle_m: FloatArray
    spread_m: FloatArray
    number: NDArray[np.int64]

    def pick(self, which: NDArray[Any]) -> _Told:
        return _Told(*(getattr(self, one.name)[which] for one in fields(self)))


def _told(says: _Says, count: int) -> _Told:
    number = np.bincount(says.vertex, minlength=count)
    vertex = np.flatnonzero(number)
    begin = (np.cumsum(number) - number)[vertex]
    number = number[vertex]
    size = np.abs(says.above_m)[np.lexsort((np.abs(says.above_m), says.vertex))]
    value = says.above_m[np.lexsort((says.above_m, says.vertex))]
    quarter = (QUARTER * (number - 1)).astype(np.int64)
    spread = value[begin + number - 1 - quarter] - value[begin + quarter]
    return _Told(vertex, size[begin + quarter], value[begin + (number - 1) // 2], spread, number)


def _candidates(says: _Says, count: int, least: float) -> _Told:
    """Vertices that nearly all planes around miss the same way, by more than `least`."""
    number, up, mean_size = tallied(says.vertex, says.above_m, count).T
    likely = (np.maximum(up, number - up) >= AGREED * number) & (mean_size > least)
    told = _told(says.pick(likely[says.vertex]), count)
    return told.pick(told.size_m > least)


def _worst_of_neighbours(surface: Surface, told: _Told) -> NDArray[np.bool_]:
    """Which have no worse one beside them: a spike makes its neighbours look wrong too."""
    size = np.zeros(len(surface.vertices_m))
    size[told.vertex] = told.size_m
    touched = surface.triangles[np.isin(surface.triangles, told.vertex).any(axis=1)]
    worst = np.zeros(len(size))
    for k in range(3):
        np.maximum.at(worst, touched[:, k], size[touched].max(axis=1, initial=0.0))
    return told.size_m >= worst[told.vertex]


def _touching(surface: Surface, vertex: int) -> IntArray:
    """(K, 3) triangles at a vertex."""
    touching: NDArray[np.bool_] = np.any(surface.triangles == vertex, axis=1)
    return surface.triangles[touching]


def _one_plane(surface: Surface, source: NDArray[np.int64]) -> bool:
    """Whether triangles slope the same way, as those of one face do and those round a cone do not."""
    corners = surface.vertices_m[surface.triangles[source]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    slope = normal[:, :2] / normal[:, 2:]
    apart = np.hypot(*(slope - np.median(slope, axis=0)).T)
    return bool(np.quantile(apart, 0.75) <= ONE_PLANE)


def _beyond_neighbours(surface: Surface, vertex: int) -> tuple[float, float]:
    """How far a vertex is above its highest or below its lowest neighbour, m (0 between), and the median
    slope to them, degrees."""
    around = np.setdiff1d(_touching(surface, vertex), [vertex])
    apart = surface.vertices_m[vertex] - surface.vertices_m[around]
    beyond = max(float(apart[:, 2].min()), float(-apart[:, 2].max()), 0.0)
    slope = np.degrees(np.arctan2(np.abs(apart[:, 2]), np.hypot(apart[:, 0], apart[:, 1])))
    return beyond, float(np.median(slope))


def typed_wrong(above: float, scatter: float) -> float | None:
    """The single digit of 100, 10 or 1 that explains a spike, with its sign; None where none does.

    All in the unit of the file: a digit is typed in feet where feet are written.
    """
    for step in TYPED_WRONG:
        close = max(0.1 * step, min(3 * scatter, 0.35 * step))
        if abs(abs(above) - step) <= close:
            return float(np.copysign(step, above))
    return None


@tells(SPIKE, STANDS_OUT)
def find_spikes(case: Case) -> list[Finding]:
    """Shots that stand alone, one finding each; shots that only stand out, together. Walls are not judged."""
    if _one_shot_weighs_nothing(case):
        return []
    found: list[Finding] = []
    standing: list[tuple[int, Spike]] = []
    for spike in find_spikes_in(case.top, case.limits):
        members = np.flatnonzero(case.vertex_of_shot == spike.vertex)
        if not len(members) or (case.shots.role[members] == ROLE_INDEX["wall"]).any():
            continue
        if spike.alone and len(found) < MOST_TOLD:
            found.append(_spike_finding(case, int(members[0]), spike))
        else:
            standing.append((int(members[0]), spike))
    return [*found, *([_stands_out_finding(case, standing)] if standing else [])]


def _one_shot_weighs_nothing(case: Case) -> bool:
    """A cloud: ten metres on a shot of usual share make less than a cubic metre."""
    share_m2 = case.volume.plan_area_m2 / max(1, len(case.top.vertices_m))
    return len(case.top.vertices_m) > CLOUD and 10.0 * share_m2 < 1.0


def _effect_m3(case: Case, shot: int, spike: Spike) -> float:
    """What the shot adds to the net volume beside what its neighbours say."""
    return spike.above_m * float(case.derivative_by_shot[shot])


def _spike_finding(case: Case, shot: int, spike: Spike) -> Finding:
    effect = _effect_m3(case, shot, spike)
    return Finding(
        code=SPIKE.code,
        severity=SPIKE.severity,
        message=f"{_described(case, shot, spike)} It stands steeper than loose material holds on all "
        f"sides. It changes the volume by {cubic_metres(effect, '+.0f')} and is still in it.",
        where=case.shots.place(shot),
        remedy="Look up the height in the field book and send a corrected file; "
        "if the shot is no material, give it a code that leaves it out.",
        effect_m3=effect,
        shots=(shot,),
    )


def _described(case: Case, shot: int, spike: Spike) -> str:
    side = "above" if spike.above_m > 0 else "below"
    times = abs(spike.above_m) / spike.scatter_m
    words = (
        f"Shot {case.shots.place(shot).removeprefix('shot').strip()} stands {metres(abs(spike.above_m))} "
        f"{side} what the shots around it say ({times:.0f} times the usual scatter)."
    )
    unit_m = float(LENGTH_IN_M[case.declared_unit])
    typed = typed_wrong(spike.above_m / unit_m, spike.scatter_m / unit_m)
    if typed is not None:
        z = float(case.shots.z_m[shot]) / unit_m
        words += f" Likely {z:.2f} typed for {z - typed:.2f}."
    return words


def _stands_out_finding(case: Case, found: list[tuple[int, Spike]]) -> Finding:
    effect = sum(_effect_m3(case, shot, spike) for shot, spike in found)
    words = [_described(case, shot, spike) for shot, spike in found[:3]]
    more = f" So do {len(found) - 3} more." if len(found) > 3 else ""
    return Finding(
        code=STANDS_OUT.code,
        severity=STANDS_OUT.severity,
        message=f"{' '.join(words)}{more} Vegetation, a stone or a small heap looks like this. "
        f"Kept; worth {cubic_metres(effect, '+.1f')}.",
        where=case.shots.place(found[0][0]),
        remedy="If it is no material, give it a code that leaves it out, with the reason in the note.",
        effect_m3=effect,
        shots=tuple(shot for shot, _ in found),
    )
