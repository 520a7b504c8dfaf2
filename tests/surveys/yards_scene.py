"""A wall and a partition line that wait for approval: what the parameters of their addresses name."""

from __future__ import annotations

import datetime as dt
from typing import Any

from inventory import yards
from inventory.models import Pile
from tests.cast import Company, square

NEXT_YEAR = dt.date(2026, 1, 1)


def rows_of_yards(company: Company, pile: Pile) -> dict[str, list[Any]]:
    beside = company.pile(pile.site, pile.material, outline=square(400, -5, 50))
    given = {"valid_from": NEXT_YEAR, "reason": "stacked blocks along the haul road", "by": company.surveyor}
    wall = yards.propose_wall(pile=pile, code="W1", foot=[[0, 0, 100], [40, 0, 100]], height_m="3.2", **given)
    line = yards.propose_partition(
        left=pile, right=beside, line=[[50, -30], [50, 80]], repose_deg=35, **given
    )
    return {"wall_id": [wall.pk], "line_id": [line.pk]}
