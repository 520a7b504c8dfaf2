"""What the spacing of the shots costs: drop every fifth shot, measure again, five times.

Straight sides cut across a convex shape, so a surface of few shots reads low, by an amount that falls
with the square of the spacing. What a thinned survey loses on top therefore tells what the full one lost:
loss = (V − V′) / (h′²/h² − 1). A share f dropped from shots that fell at random would make this
(V − V′)(1 − f)/f; but a crew spreads its shots evenly, and each shot dropped from an even spread leaves a
hole, so h² is not taken from the count of shots but measured on both triangulations, as the mean square of
the triangles' sides weighted by area: on a surface of even curvature that is exactly what the loss goes
with. The spread over the five folds gives the scatter as a delete-a-group jackknife (Tukey 1958; from
memory). Nothing is random: shots are dropped in the order of the toe ring, of each line, and of a
space-filling curve through the spots.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from compute.building import BaseChoice, Built, lay_base, rim_points
from compute.curve import along_curve
from compute.errors import Refused
from compute.kernels import spacing
from compute.line_graph import Chain, chains_of
from compute.records import IntArray, Surface, Volume, read_only
from compute.surface import make_edge
from compute.triangulate import hull_corners, triangulate
from compute.uncertainty import top_derivative_by_shot
from compute.volume import derivative_by_vertex, volume_between

if TYPE_CHECKING:
    from compute.case import Case

FOLDS = 5

MANY_SHOTS = 20_000
"""Beyond this, five more full surfaces cost more than they tell."""

THINNING = 16
"""A large set is looked at through two of its sixteenths: an eighth of the work."""

NEVER = -1

SHARE_WHEN_NOTHING_CAN_GO = 0.115
"""Loss of the sparsest survey simulated (10 m spots on a pile 8 m high): own arithmetic, used where a survey
has so few shots that none can be left out."""


@dataclass(frozen=True)
class LeaveOut:
    """The volume measured again with fewer shots.

    nets_m3         : net volume of each thinned survey
    spread_m3       : standard deviation of `nets_m3`
    expected_loss_m3: how much the full survey is expected to read low (negative: high); not corrected for
    scatter_m3      : standard uncertainty of the volume from where the shots happened to fall
    u_spacing_m3    : both together, 1 σ
    """

    kind: str
    nets_m3: tuple[float, ...]
    mean_net_m3: float
    spread_m3: float
    expected_loss_m3: float
    scatter_m3: float
    u_spacing_m3: float

    def as_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "nets_m3": list(self.nets_m3),
            "mean_net_m3": self.mean_net_m3,
            "spread_m3": self.spread_m3,
            "expected_loss_m3": self.expected_loss_m3,
            "u_spacing_m3": self.u_spacing_m3,
        }


def leave_out(case: Case) -> LeaveOut:
    """Thin the survey of a case and measure it again; deterministic."""
    if len(case.top.vertices_m) > MANY_SHOTS:
        return _sixteenths(case)
    try:
        nets, tops = _in_folds(case, _folds(case, thin_ring=True))
    except Refused:
        # A chord across a hollow of the toe may leave the surveyed ground: then only the rest is thinned.
        nets, tops = _in_folds(case, _folds(case, thin_ring=False))
    coarser = (
        math.fsum(_mean_square_side_m2(top) for top in tops) / len(tops) / _mean_square_side_m2(case.top)
    )
    return judged(case.volume, "every fifth shot left out, five times", nets, 1.0 - 1.0 / FOLDS, coarser)


def judged(full: Volume, kind: str, nets_m3: list[float], kept: float, coarser: float) -> LeaveOut:
    """Loss and scatter of the full survey.

    nets_m3 : net volumes of thinned surveys, each of which keeps the share `kept` of the shots
    coarser : h′²/h², by how much the mean square side grew
    """
    mean = math.fsum(nets_m3) / len(nets_m3)
    squares = math.fsum((net - mean) ** 2 for net in nets_m3)
    if coarser > 1.0 + 1e-6:
        loss = (full.net_m3 - mean) / (coarser - 1.0)
    else:
        kind = "too few shots to leave any out"
        loss = SHARE_WHEN_NOTHING_CAN_GO * (full.above_m3 + full.below_m3)
    # Overlapping folds: jackknife, (g − 1)/g · Σ(V′ − mean)². Disjoint samples: each varies 1/kept as much.
    scatter = math.sqrt(squares * (kept if kept >= 0.5 else kept / (len(nets_m3) - 1)))
    return LeaveOut(
        kind=kind,
        nets_m3=tuple(nets_m3),
        mean_net_m3=mean,
        spread_m3=math.sqrt(squares / (len(nets_m3) - 1)),
        expected_loss_m3=loss,
        scatter_m3=scatter,
        u_spacing_m3=math.hypot(loss, scatter),
    )


def _in_folds(case: Case, folds: NDArray[np.int8]) -> tuple[list[float], list[Surface]]:
    chains = chains_of(case.top.lines, _ring_vertices(case))
    built = [_thinned(case, folds == k, chains) for k in range(FOLDS)]
    return [_net_of(case, one) for one in built], [one.top for one in built]


def _mean_square_side_m2(surface: Surface) -> float:
    area, squares, _ = spacing.totals(surface.vertices_m, surface.triangles, 0.0)
    return float(squares / area)


# --- which vertices go ---------------------------------------------------------------------------


def _folds(case: Case, *, thin_ring: bool) -> NDArray[np.int8]:
    """(V,) fold in which each vertex of the top is dropped, `NEVER` for those that stay in all."""
    ring = _ring_vertices(case)
    fold = np.full(len(case.top.vertices_m), NEVER, np.int8)
    chains = chains_of(case.top.lines, ring)
    on_line = np.zeros(len(fold), bool)
    on_line[case.top.lines.ravel()] = True
    on_line[_hull_vertices(case)] = True
    count = 0
    for chain in chains:
        if chain.is_ring and not (thin_ring and len(chain.vertices) >= FOLDS):
            continue
        inner = _loose(case.top, chain, on_line)
        fold[inner] = (count + np.arange(len(inner))) % FOLDS
        count = 0 if chain.is_ring else count + len(inner)
    spots = np.flatnonzero(~on_line)
    fold[spots[along_curve(case.top.vertices_m[spots, :2])]] = np.arange(len(spots)) % FOLDS
    return fold


def _loose(top: Surface, chain: Chain, on_line: NDArray[np.bool_]) -> IntArray:
    """Vertices of a chain that may go: no end, and with no other line in the corner that is cut off."""
    inner = chain.inner(FOLDS)
    if not len(inner):
        return inner
    triangles = top.vertices_m[np.column_stack(chain.neighbours(inner))][:, :, :2]
    u, v = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    bent = np.flatnonzero(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] != 0.0)
    others = np.flatnonzero(on_line)
    tree = shapely.STRtree(shapely.points(top.vertices_m[others, :2]))
    which, hit = tree.query(shapely.polygons(triangles[bent]), predicate="intersects")
    own = np.column_stack(chain.neighbours(inner))[bent[which]]
    foreign = ~(own == others[hit][:, None]).any(axis=1)
    blocked = np.zeros(len(inner), bool)
    blocked[bent[which[foreign]]] = True
    return inner[~blocked]


def _ring_vertices(case: Case) -> IntArray:
    if case.toe_ring is None:
        return np.empty(0, np.int32)
    return case.vertex_of_shot[case.toe_ring]


def _hull_vertices(case: Case) -> IntArray:
    """Without a ring the surface reaches to its hull, and no corner of it may go or the edge lies bare."""
    if case.toe_ring is not None:
        return np.empty(0, np.int32)
    return hull_corners(case.top.vertices_m).astype(np.int32)


# --- measuring again -----------------------------------------------------------------------------


def _net_of(case: Case, built: Built) -> float:
    """Net volume of a thinned survey; a base of its own shots is made anew from what is left of them."""
    base = case.base
    if base.weights is not None:
        base = lay_base(BaseChoice(base.kind), built, rim_points(built), None)
    cut = None if built.edge.kind == "toe" else built.edge
    return volume_between(built.top, base.surface, edge=cut).net_m3


@dataclass(frozen=True)
class _Thin:
    """A thinned top: `vertex` (V,) is its vertex for each vertex of the full one, −1 for the dropped."""

    top: Surface
    vertex: IntArray


def _thinned_top(case: Case, drop: NDArray[np.bool_], chains: list[Chain]) -> _Thin:
    """The surface of what is left, lines and ring joined across the gaps."""
    keep = np.flatnonzero(~drop)
    place = np.full(len(drop), -1, np.int32)
    place[keep] = np.arange(len(keep), dtype=np.int32)
    segments = [chain.segments(drop) for chain in chains if not chain.is_ring]
    rings = [chain.vertices[~drop[chain.vertices]] for chain in chains if chain.is_ring]
    made = triangulate(
        case.top.vertices_m[keep],
        place[np.vstack(segments)] if segments else None,
        place[rings[0]] if rings else None,
    )
    vertex = np.full(len(drop), -1, np.int32)
    vertex[keep[made.shot_index]] = np.arange(len(keep), dtype=np.int32)
    shots = read_only(case.top.shot_index[keep[made.shot_index]])
    return _Thin(replace(made, shot_index=shots), vertex)


def _thinned(case: Case, drop: NDArray[np.bool_], chains: list[Chain]) -> Built:
    """Surface and edge of a survey without some vertices."""
    thin = _thinned_top(case, drop, chains)
    vertex = np.where(case.vertex_of_shot >= 0, thin.vertex[case.vertex_of_shot], -1).astype(np.int32)
    edge, ring = case.edge, case.toe_ring
    if ring is not None:
        ring = ring[~drop[case.vertex_of_shot[ring]]]
    if ring is not None and edge.kind != "partition":
        edge = make_edge("toe", np.column_stack([case.shots.x_m[ring], case.shots.y_m[ring]]), ring)
    return Built(
        shots=case.shots,
        left_out=case.left_out,
        vertex_of_shot=read_only(vertex),
        top=thin.top,
        edge=edge,
        ring=ring,
        lines=case.lines,
        findings=(),
    )


def _sixteenths(case: Case) -> LeaveOut:
    """Two even sixteenths of the spots, with every line shot. Edge and base stay, so only the volume under
    the top changes and the base need not be laid against it again."""
    top = case.top
    held = np.zeros(len(top.vertices_m), bool)
    held[top.lines.ravel()] = True
    held[_hull_vertices(case)] = True
    spots = np.flatnonzero(~held)
    order = spots[along_curve(top.vertices_m[spots, :2])]
    chains = chains_of(top.lines, _ring_vertices(case))
    tops = []
    for first in (0, THINNING // 2):
        drop = ~held
        drop[order[first::THINNING]] = False
        tops.append(_thinned_top(case, drop, chains).top)
    full = _volume_under_top(case)
    nets = [case.volume.net_m3 + _volume_under(case, thin) - full for thin in tops]
    coarser = sum(_mean_square_side_m2(thin) for thin in tops) / len(tops) / _mean_square_side_m2(top)
    return judged(case.volume, "two even sixteenths of the shots", nets, 1.0 / THINNING, coarser)


def _volume_under_top(case: Case) -> float:
    """As `_volume_under` of the full top, from derivatives already known where they hold all of it."""
    if case.edge.kind == "toe" or (case.top.shot_index < 0).any():
        return _volume_under(case, case.top)
    used = case.vertex_of_shot >= 0
    height = case.top.vertices_m[case.vertex_of_shot[used], 2] - _floor_m(case)
    return float(top_derivative_by_shot(case)[used] @ height)


def _volume_under(case: Case, top: Surface) -> float:
    """Volume under a top inside the edge, above the lowest vertex of the full surface."""
    if case.edge.kind == "toe":
        return float(spacing.totals(top.vertices_m, top.triangles, _floor_m(case))[2])
    return float(derivative_by_vertex(top, case.edge) @ (top.vertices_m[:, 2] - _floor_m(case)))


def _floor_m(case: Case) -> float:
    return float(case.top.vertices_m[:, 2].min())
