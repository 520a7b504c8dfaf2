"""A wall and a partition line that wait for approval: what the parameters of their addresses name."""

from __future__ import annotations

import datetime as dt
from typing import Any

from inventory import piles, yards
from inventory.models import Pile
from surveys import intake, measuring
from tests.cast import Company, square
from tests.surveys.scene import Yard, frustum_rows, point_file, work

NEXT_YEAR = dt.date(2026, 1, 1)


def rows_of_yards(company: Company, pile: Pile) -> dict[str, list[Any]]:
    beside = company.pile(pile.site, pile.material, outline=square(400, -5, 50))
    given = {"valid_from": NEXT_YEAR, "reason": "stacked blocks along the haul road", "by": company.surveyor}
    wall = yards.propose_wall(pile=pile, code="W1", foot=[[0, 0, 100], [40, 0, 100]], height_m="3.2", **given)
    line = yards.propose_partition(
        left=pile, right=beside, line=[[50, -30], [50, 80]], repose_deg=35, **given
    )
    return {"wall_id": [wall.pk], "line_id": [line.pk]}


def side_by_side(yard: Yard, east_m: float) -> list[Any]:
    """Both piles reviewed on one day, the neighbour's toe beginning at `east_m`; the first ends at 40."""
    piles.redraw_outline(yard.pile, square(-5, -5, 39), by=yard.company.manager)
    survey = yard.survey_with(point_file(frustum_rows()), yard.pile)
    second = point_file(frustum_rows(east_m=east_m))
    intake.receive_file(survey, "second.csv", second, yard.surveyor, yard.neighbour)
    both = (yard.pile, yard.neighbour)
    asked = [measuring.request_measurement(survey, pile, yard.surveyor) for pile in both]
    return [yard.review(work(m)) for m in asked]
