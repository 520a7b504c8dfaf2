"""How many shots at which spacing bring a volume within a chosen ±, from what the last survey measured of
itself.

Leaving shots out of a survey tells what its spacing costs (`compute.leave_out`): the loss of chords on a
curved shape goes with the square of the spacing. That measured part is scaled; everything else in the budget
stays, since more shots do not change it. Nothing is assumed about the shape of the pile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from compute.case import Case
from compute.errors import BadOption
from compute.leave_out import LeaveOut
from compute.uncertainty import SAID, Budget, K

COARSEST, FINEST = 4.0, 0.25
"""The square law is not stretched further than to four times, and a quarter of, the spacing it was measured
at."""
SMALL_SHARE = 1.0 / 3.0
"""Where other parts keep the wanted figure out of reach, the spacing is asked for at which it is a third of
them: there it adds a twentieth to the uncertainty (√(1 + 1/9) = 1.054), and closer shots are wasted."""
SPACING_OF_HEIGHT = 0.25
"""On faces no more than a quarter of the pile's height apart. Common practice, no source."""


@dataclass(frozen=True)
class ShotPlan:
    """spacing_m, shots: for the next visit; `spacing_now_m`, `shots_now` those of the last survey.

    reached_expanded_m3 : expanded uncertainty (k = 2) expected with them
    limited_by   : the part of the budget that keeps the wanted figure out of reach whatever the shots; None
                   where it is reached
    usual_spacing_m : common practice, for comparison
    """

    wanted_expanded_m3: float
    reached_expanded_m3: float
    spacing_m: float
    shots: int
    spacing_now_m: float
    shots_now: int
    limited_by: str | None
    usual_spacing_m: float
    words: str


def shots_for(case: Case, left: LeaveOut, doubt: Budget, wanted_expanded_m3: float) -> ShotPlan:
    """Spacing and number of shots for an expanded uncertainty of `wanted_expanded_m3` on the net volume."""
    if not (math.isfinite(wanted_expanded_m3) and wanted_expanded_m3 > 0.0):
        raise BadOption(
            f"± {wanted_expanded_m3} m³ cannot be wanted.",
            where="wanted uncertainty",
            remedy="Give m³ above 0.",
        )
    shots_now, on_lines = int(case.in_top.sum()), _on_lines(case)
    spacing_now = math.sqrt(case.volume.plan_area_m2 / max(shots_now, 1))
    rest = math.sqrt(math.fsum(u * u for name, u in doubt.terms.items() if name != "spacing"))
    allowed = (wanted_expanded_m3 / K) ** 2 - rest * rest
    now = left.u_spacing_m3
    part = math.sqrt(allowed) if allowed > 0.0 else SMALL_SHARE * rest
    factor = COARSEST if now == 0.0 else math.sqrt(part / now)
    factor = min(max(factor, FINEST), COARSEST)
    reached = K * math.hypot(rest, now * factor**2)
    limited = None
    if reached > wanted_expanded_m3 * (1.0 + 1e-9):
        others = {name: u for name, u in doubt.terms.items() if name != "spacing"}
        worst = max(others, key=lambda name: others[name])
        limited = worst if allowed <= 0.0 else "spacing"
    shots = math.ceil((shots_now - on_lines) / factor**2 + on_lines / factor)
    usual = SPACING_OF_HEIGHT * case.volume.greatest_above_m
    spacing = spacing_now * factor
    return ShotPlan(
        wanted_expanded_m3, reached, spacing, shots, spacing_now, shots_now, limited, usual,
        _words(wanted_expanded_m3, reached, spacing, shots, limited, shots_now, spacing_now),
    )  # fmt: skip


def _on_lines(case: Case) -> int:
    """Shots along toe, crest and breaklines: their number goes with the spacing, that of the spots with its
    square."""
    on = set() if case.toe_ring is None else set(case.toe_ring.tolist())
    for line in case.lines:
        on |= {int(i) for i in line.shot_index}
    return min(len(on), int(case.in_top.sum()))


def _words(
    wanted: float, reached: float, spacing: float, shots: int, limited: str | None, shots_now: int,
    spacing_now: float,
) -> str:  # fmt: skip
    plan = (
        f"About {shots} shots, {spacing:.1f} m apart on average, give ± {reached:,.0f} m³ (the last survey: "
        f"{shots_now} shots, {spacing_now:.1f} m)."
    )
    if limited is None:
        return plan
    if limited == "spacing":
        return f"{plan} ± {wanted:,.0f} m³ asks for shots more than four times closer than were measured."
    return f"{plan} ± {wanted:,.0f} m³ is out of reach of more shots: {SAID[limited]} stands in the way."
