"""Limits of closure as data, to start from. They are no law: each site states its own."""

from __future__ import annotations

from dataclasses import dataclass

from compute.errors import BadOption
from compute.traverse.closure import Limits


@dataclass(frozen=True)
class ClosurePreset:
    """Accepted: a relative misclosure of 1 : `smallest_ratio`, `angle_seconds` times the root of the number
    of angles, `height_mm_per_root_km` times the root of the length in kilometres."""

    code: str
    name: str
    smallest_ratio: float
    angle_seconds: float
    height_mm_per_root_km: float
    source: str

    def limits(self) -> Limits:
        return Limits(
            self.smallest_ratio, self.angle_seconds, height_m_per_root_km=self.height_mm_per_root_km / 1000.0
        )


FROM_MEMORY = "From memory of agency tables for third-order and construction surveys; not read again."

PRESETS: tuple[ClosurePreset, ...] = (
    ClosurePreset("third-order-1", "Third order, class I", 10_000.0, 10.0, 12.0, FROM_MEMORY),
    ClosurePreset("third-order-2", "Third order, class II", 5_000.0, 20.0, 12.0, FROM_MEMORY),
    ClosurePreset("construction", "Construction", 2_500.0, 60.0, 12.0, FROM_MEMORY),
)


def preset(code: str) -> ClosurePreset:
    for one in PRESETS:
        if one.code == code:
            return one
    raise BadOption(
        f"There is no preset {code!r} for limits of closure.",
        where="limits",
        remedy=f"Use one of {', '.join(p.code for p in PRESETS)}.",
    )
