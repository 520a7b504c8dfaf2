"""Whose shots are whose: a file of the whole yard, divided by the outlines of the piles."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely

from compute.coding import assign_roles, merge_rules
from compute.pointfiles import Points
from compute.roles import ROLE_INDEX, TOP_ROLES
from inventory.models import Pile
from surveys.models import Survey

LEAST_SHOTS = 3
"""A pile counts as touched from the least number of shots that can be a surface; fewer are strays."""

CODES_SHOWN = 20


def open_piles(survey: Survey) -> Any:
    """The piles of the survey's site that were open on its day, by code."""
    return Pile.objects.filter(site=survey.site_id).open_on(survey.surveyed_on).order_by("code")


def split_of(points: Points, code_rules: Any, piles: Iterable[Pile]) -> dict[str, Any]:
    """How the shots of one file fall on the outlines of `piles`, as plain data.

    piles         : pile code → shots of material inside or on its outline
    outside       : shots of material in no outline; they enter no measurement and are shown to a person
    no_material   : control, check, floor, structure and rejected shots, wherever they are
    unknown_codes : codes that no rule of the site knows, the first of them
    """
    shots = assign_roles([points], merge_rules(code_rules))
    material = np.isin(shots.role, [ROLE_INDEX[role] for role in TOP_ROLES])
    x_m, y_m = shots.x_m[material], shots.y_m[material]
    taken = np.zeros(len(x_m), dtype=bool)
    counts: dict[str, int] = {}
    for pile in piles:
        if not pile.outline:
            continue
        outline = shapely.polygons(np.array(pile.outline, dtype=np.float64))
        shapely.prepare(outline)
        inside = shapely.intersects_xy(outline, x_m, y_m)
        taken |= inside
        if inside.any():
            counts[pile.code] = int(inside.sum())
    unknown = np.unique(shots.code_index[shots.role == ROLE_INDEX["unknown"]])
    return {
        "piles": counts,
        "outside": int((~taken).sum()),
        "no_material": int((~material).sum()),
        "unknown_codes": [shots.codes[int(index)] for index in unknown[:CODES_SHOWN]],
    }


def touched_codes(split: dict[str, Any]) -> set[str]:
    """Codes of the piles that a split file has enough shots of."""
    return {code for code, count in split.get("piles", {}).items() if count >= LEAST_SHOTS}
