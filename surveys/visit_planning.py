"""A plan for the next visit of a pile, from its last measured surface.

About a second and a half of work from inputs that are write-once, so it is done once for each surface and
question and then kept; losing what was kept costs the work again, nothing else.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from decimal import Decimal
from typing import Any

import numpy as np
from django.core.cache import cache

from compute import ALGORITHM
from compute.case import Case
from compute.leave_out import leave_out
from compute.uncertainty import budget
from compute.visit_plan import VisitPlan, VisitRequest, plan_visit
from compute.visit_shots import ShotPlan, shots_for
from surveys import computing
from surveys.models import Measurement

KEPT_FOR_S = 40 * 24 * 3600
"""Until the next visit of a monthly round is over."""


@dataclass(frozen=True)
class Wanted:
    """permitted_height_m: over the pad, None as it stands; expanded_m3: ± (k = 2) wanted on the volume."""

    permitted_height_m: float | None
    expanded_m3: float


@dataclass(frozen=True)
class PlannedVisit:
    """`plan` has its places in the site frame."""

    plan: VisitPlan
    shots: ShotPlan


def wanted_by_default(measurement: Measurement) -> Decimal:
    """As sure as the last survey, m³."""
    return measurement.u95_m3 or Decimal(1)


def kept_plan(measurement: Measurement, wanted: Wanted) -> PlannedVisit | None:
    found: PlannedVisit | None = cache.get(_key(measurement, wanted))
    return found


def planned_visit(measurement: Measurement, wanted: Wanted) -> PlannedVisit:
    """Raises what the calculator refuses: `BadOption` for values without sense, `NothingToMeasure`."""
    found = kept_plan(measurement, wanted)
    if found is None:
        found = _worked_out(measurement, wanted)
        cache.set(_key(measurement, wanted), found, KEPT_FOR_S)
    return found


def _worked_out(measurement: Measurement, wanted: Wanted) -> PlannedVisit:
    case = computing.measured_from(measurement, lambda stage, share: None).case
    asked = VisitRequest(
        top=case.top,
        ring_m=case.edge.ring_m,
        base=case.base.surface,
        permitted_height_m=wanted.permitted_height_m,
        no_go_m=tuple(case.other_outlines.values()),
    )
    plan = plan_visit(asked)
    left = leave_out(case)
    return PlannedVisit(_at_site(plan, case), shots_for(case, left, budget(case, left), wanted.expanded_m3))


def _at_site(plan: VisitPlan, case: Case) -> VisitPlan:
    east, north = float(case.origin.easting_m), float(case.origin.northing_m)
    stations = tuple(replace(one, x_m=one.x_m + east, y_m=one.y_m + north) for one in plan.stations)
    return replace(plan, stations=stations, hidden_at_m=plan.hidden_at_m + np.array([east, north]))


def _key(measurement: Measurement, wanted: Wanted) -> str:
    """The surface by its hash, what it was made from by its digest, and the question."""
    said: dict[str, Any] = asdict(wanted)
    told = [ALGORITHM, measurement.geometry_sha256, measurement.digest, said]
    return f"visit-plan-{hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()}"
