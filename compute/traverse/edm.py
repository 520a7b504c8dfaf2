"""What is added to a measured slope distance before it is reduced, and how sights are reduced altogether."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from compute.errors import BadOption

EARTH_RADIUS_M = 6_371_000.0
REFRACTION_K = 0.13
LARGEST_CONSTANT_M = 0.2
LARGEST_PPM = 500.0
"""Beyond these a constant or a scale correction is a slip of the pen. Common practice, no source."""


@dataclass(frozen=True)
class Edm:
    """Prism constant in the book's unit, scale correction in parts per million (air and, where wanted, grid).

    Both are what has still to be added: zero where the instrument applied them itself.
    """

    prism_constant: float = 0.0
    ppm: float = 0.0

    def corrected(self, slope_distance: float) -> float:
        return slope_distance + self.prism_constant + slope_distance * self.ppm * 1e-6


@dataclass(frozen=True)
class Reducing:
    """How the sights of a book are reduced. `unit_m` metres in the book's unit; `by_setup` wins over `edm`,
    and what a sight itself says wins over both."""

    unit_m: float = 1.0
    edm: Edm = field(default_factory=Edm)
    by_setup: Mapping[str, Edm] = field(default_factory=dict)
    refraction_k: float = REFRACTION_K

    def edm_of(self, setup: str, prism_constant: float | None, ppm: float | None) -> Edm:
        given = self.by_setup.get(setup, self.edm)
        return Edm(
            given.prism_constant if prism_constant is None else prism_constant,
            given.ppm if ppm is None else ppm,
        )


def check_reducing(reducing: Reducing, setups: tuple[str, ...]) -> None:
    """`BadOption` for constants that no instrument has, or for a set-up that the book does not hold."""
    for name in reducing.by_setup:
        if name not in setups:
            raise BadOption(
                f"The book has no set-up {name}.",
                where=f"set-up {name}",
                remedy=f"Name one of {', '.join(setups)}.",
            )
    if not (math.isfinite(reducing.refraction_k) and -1.0 <= reducing.refraction_k <= 1.0):
        raise BadOption(
            f"{reducing.refraction_k} is no coefficient of refraction.",
            where="refraction",
            remedy="Give 0.13.",
        )
    for place, edm in (("book", reducing.edm), *((f"set-up {n}", e) for n, e in reducing.by_setup.items())):
        check_edm(edm, place, reducing.unit_m)


def check_edm(edm: Edm, where: str, unit_m: float) -> None:
    constant, ppm = edm.prism_constant * unit_m, edm.ppm
    if not (math.isfinite(constant) and abs(constant) <= LARGEST_CONSTANT_M):
        raise BadOption(
            f"A prism constant of {edm.prism_constant} is more than {LARGEST_CONSTANT_M} m.",
            where=where,
            remedy="Give it in the unit of the book's lengths; −30 mm is −0.030 m.",
        )
    if not (math.isfinite(ppm) and abs(ppm) <= LARGEST_PPM):
        raise BadOption(
            f"A scale correction of {ppm} ppm is more than {LARGEST_PPM:.0f}.",
            where=where,
            remedy="Give parts per million.",
        )
