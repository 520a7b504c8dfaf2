"""One measurement while it is being judged: what findings, budgets and cross-checks may look at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from compute.bases import Base
from compute.lines import Line
from compute.records import (
    Density,
    Edge,
    Finding,
    FindingLimits,
    FloatArray,
    IntArray,
    KnownPoint,
    Origin,
    Shots,
    Surface,
    UncertaintyModel,
    Volume,
)

if TYPE_CHECKING:
    from compute.partition import SplitFacts
    from compute.wall_closing import WallFacts

LEFT_OUT: tuple[str, ...] = (
    "in_top",
    "control",
    "check",
    "coincides_with_control",
    "instrument_over_control",
    "structure",
    "rejected",
    "unknown_code",
    "floor",
    "ground",
    "outside_edge",
    "inside_other_pile",
    "outside_outline",
)
"""Reasons, by the value in `Case.left_out`; 0 means that the shot is in the top surface."""

LEFT_OUT_INDEX: dict[str, int] = {name: index for index, name in enumerate(LEFT_OUT)}


def lies_under_all(base: Base, edge: Edge) -> bool:
    """Whether a base ends where the edge does: one through the toe, unless a partition divides the heap."""
    return base.kind == "toe" and edge.kind != "partition"


@dataclass(frozen=True)
class Case:
    """Local frame, metres.

    left_out           : (N,) int8      index into `LEFT_OUT`
    vertex_of_shot     : (N,) int32     vertex of `top` that the shot belongs to, −1 where it is in none.
                                        Shots at exactly one plan position share a vertex (mean height)
    toe_ring           : (M,) int32     shot indices of the toe ring, counter-clockwise; None without one
    derivative_by_shot : (N,) float64   exact change of the NET volume for 1 m of each shot's height, m²;
                                        a shot that is in top and base has both effects
    control            : known points in the local frame
    outline            : (K, 2) the pile's expected outline, or None
    other_outlines     : outlines of the neighbours on that date
    gap_m              : (G,) top minus base along the edge, sampled evenly
    walls              : what is known of each wall that was given; `off_wall` shots of a contact on none
    split_facts        : of the partition, where the pile is one side of a heap
    split              : whether the file serves a whole yard, so that shots of other piles are expected
    """

    shots: Shots
    left_out: NDArray[np.int8]
    vertex_of_shot: IntArray
    origin: Origin
    edge: Edge
    top: Surface
    base: Base
    second_base: Base
    volume: Volume
    second_net_m3: float
    toe_ring: IntArray | None
    lines: tuple[Line, ...]
    derivative_by_shot: FloatArray
    control: tuple[KnownPoint, ...]
    outline: FloatArray | None
    other_outlines: Mapping[str, FloatArray]
    limits: FindingLimits
    model: UncertaintyModel
    density: Density | None
    gap_m: FloatArray
    declared_unit: str = "metre"
    split: bool = False
    early_findings: tuple[Finding, ...] = ()
    walls: tuple[WallFacts, ...] = ()
    off_wall: tuple[int, ...] = ()
    split_facts: SplitFacts | None = None

    @property
    def in_top(self) -> NDArray[np.bool_]:
        """(N,) which shots shape the top surface."""
        return self.left_out == 0

    @property
    def has_own_base(self) -> bool:
        """Whether the base is made of this survey's own shots, so that a common height error cancels."""
        return self.base.weights is not None
