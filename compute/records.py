"""Plain frozen records that the rooms hand each other. Arrays in them are read-only.

Frame: `x_m` east, `y_m` north, `z_m` up. "Local" means shifted in plan by a whole-metre `Origin`
near the pile, because at national-grid magnitudes a triangulator may drop points without a word;
heights are never shifted. Sign: above base positive, `net = above − below`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from compute.quantities import Quantity, put_in_words

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]


def read_only(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array


@dataclass(frozen=True)
class SourceFile:
    """One file as received: its name, its size and the SHA-256 of its bytes."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Finding:
    """Something a last look should settle. `severity` is `stop`, `warn` or `note`.

    `message` is told in metres; `quantities` say where in it a length, an area or a volume stands, so that
    it can be told in other units. It is given with them marked, by `compute.quantities`.

    `stop` does not stop the calculation; it stops the approval until somebody accepts it with a reason.
    `shots` are indices into `Shots`; `effect_m3` is the effect on the net volume where it is known.
    """

    code: str
    severity: str
    message: str
    where: str = ""
    remedy: str = ""
    effect_m3: float | None = None
    shots: tuple[int, ...] = ()
    quantities: tuple[Quantity, ...] = ()

    def __post_init__(self) -> None:
        if not self.quantities:
            message, quantities = put_in_words(self.message)
            object.__setattr__(self, "message", message)
            object.__setattr__(self, "quantities", quantities)

    def as_dict(self) -> dict[str, Any]:
        return {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "where": self.where,
            "remedy": self.remedy,
            "effect_m3": self.effect_m3,
            "quantities": [quantity.as_list() for quantity in self.quantities],
        }


@dataclass(frozen=True)
class Origin:
    """The plan position of a local frame's zero, in whole metres, kept exact."""

    easting_m: Decimal
    northing_m: Decimal


@dataclass(frozen=True)
class Shots:
    """Measured points with roles, metres.

    x_m, y_m, z_m : (N,) float64    easting, northing, elevation
    role          : (N,) int8       index into `compute.roles.ROLES`
    code_index    : (N,) int32      index into `codes`
    line          : (N,) int32      line in its file, from 1; 0 where there is none
    file_index    : (N,) int16      index into `files`
    names         : sequence of N point names, or None; read single ones with `name(i)`
    notes         : sequence of N free notes, or None
    """

    x_m: FloatArray
    y_m: FloatArray
    z_m: FloatArray
    role: NDArray[np.int8]
    code_index: IntArray
    codes: tuple[str, ...]
    line: IntArray
    file_index: NDArray[np.int16]
    files: tuple[SourceFile, ...]
    names: Any = None
    notes: Any = None

    def __len__(self) -> int:
        return int(self.x_m.shape[0])

    def name(self, index: int) -> str:
        """The point name as read, or `""`."""
        if self.names is None:
            return ""
        value = self.names[index]
        value = value.as_py() if hasattr(value, "as_py") else value
        return "" if value is None else str(value)

    def code(self, index: int) -> str:
        return self.codes[int(self.code_index[index])]

    def place(self, index: int) -> str:
        """Words that lead a person to the shot: `shot 31, yard.csv line 33`."""
        name = self.name(index)
        shot = f"shot {name}" if name else "shot"
        if not self.files or int(self.line[index]) <= 0:
            return shot
        return f"{shot}, {self.files[int(self.file_index[index])].name} line {int(self.line[index])}"


@dataclass(frozen=True, eq=False)
class Surface:
    """A triangulated height field in the local frame. Two are equal only if they are the same object.

    vertices_m : (V, 3) float64   x east, y north, z up
    triangles  : (T, 3) int32     counter-clockwise in plan, none of zero area
    shot_index : (V,) int32       index into the `Shots` it was made from; −1 for a derived vertex
    lines      : (L, 2) int32     vertex pairs honoured as edges (toe ring, crest, breaklines)
    """

    vertices_m: FloatArray
    triangles: IntArray
    shot_index: IntArray
    lines: IntArray

    @cached_property
    def corners_m(self) -> FloatArray:
        """(T, 3, 3) corner coordinates."""
        return read_only(self.vertices_m[self.triangles])


@dataclass(frozen=True)
class Edge:
    """The closed line that limits the calculation, local frame, counter-clockwise, first point not repeated.

    kind       : `toe`, `drawn` or `hull`
    ring_m     : (M, 2) float64
    shot_index : (M,) int32   the toe or hull shot at each corner; −1 where drawn
    """

    kind: str
    ring_m: FloatArray
    shot_index: IntArray
    area_m2: float
    perimeter_m: float


@dataclass(frozen=True)
class Volume:
    """Volume between a top and a base inside an edge. `above` and `below` are never netted silently.

    `greatest_*` are the largest height differences of either sign. The band is the no-change band: `band_*`
    is the part where the surfaces differ by less than `band_m`. `uncovered` is the part of the edge's area
    that the top or the base does not reach; it counts as nothing.
    """

    above_m3: float
    below_m3: float
    net_m3: float
    plan_area_m2: float
    above_area_m2: float
    below_area_m2: float
    band_m: float = 0.0
    band_above_m3: float = 0.0
    band_below_m3: float = 0.0
    band_area_m2: float = 0.0
    greatest_above_m: float = 0.0
    greatest_below_m: float = 0.0
    top_uncovered_m2: float = 0.0
    base_uncovered_m2: float = 0.0


@dataclass(frozen=True)
class KnownPoint:
    """A control station or mark of the site, site frame, metres."""

    name: str
    northing_m: float
    easting_m: float
    elevation_m: float


@dataclass(frozen=True)
class Density:
    """Tonnes per cubic metre with its standard uncertainty (1 σ), and where it is from."""

    t_per_m3: float
    standard_uncertainty_t_per_m3: float
    label: str = ""


@dataclass(frozen=True)
class UncertaintyModel:
    """Standard uncertainties (1 σ) that the data cannot tell, by survey method; see `compute.uncertainty`."""

    shot_noise_m: float
    height_bias_top_m: float
    height_bias_base_m: float
    toe_position_m: float
    correlation_length_m: float
    correlated_noise_m: float
    moved_during_survey_m3: float = 0.0
    method: str = "total-station"


@dataclass(frozen=True)
class FindingLimits:
    """Where findings begin. Overridable by site and survey."""

    control_plan_m: float = 0.05
    duplicate_plan_m: float = 0.02
    duplicate_height_m: float = 0.03
    spike_sigmas: float = 8.0
    long_edge_factor: float = 3.0
    slope_limit_deg: float = 50.0
    toe_shots_wanted: int = 8
    toe_gap_m: float = 10.0
    level_base_toe_spread_m: float = 0.5
    wrong_place_m: float = 25.0
    line_height_tolerance_m: float = 0.05
    extra: dict[str, float] = field(default_factory=dict)
