"""A measurement worked out once more from what was received, beside what is kept. Nothing is written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from compute import ALGORITHM
from inventory import rights
from surveys import computing
from surveys.errors import WrongState
from surveys.models import Measurement


@dataclass(frozen=True)
class Replay:
    """`is_same` where the recomputed digest is the kept one; else an algorithm may be another by now."""

    digest: str
    recomputed_digest: str
    algorithm: str
    recomputed_algorithm: str

    @property
    def is_same(self) -> bool:
        return self.digest == self.recomputed_digest


def replay(measurement: Measurement, by: Any) -> Replay:
    """Recompute in memory from the pinned inputs and compare digests.

    Raises `NotAllowed`, `WrongState` for what was never computed, `EvidenceMissing`, `EvidenceDamaged`.
    """
    rights.require(by, measurement.survey.site.organization, "recompute")
    if not measurement.digest:
        raise WrongState(
            f"{measurement} has not been computed; there is nothing to compare with.", where=str(measurement)
        )
    recomputed = computing.recompute(measurement)
    return Replay(measurement.digest, recomputed, measurement.request["algorithm"], ALGORITHM)
