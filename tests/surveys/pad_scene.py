"""A pile that moves over a surveyed pad, part of which is raised between two surveys."""

from __future__ import annotations

import datetime as dt

import numpy as np

from inventory import basing, piles
from inventory.models import Pile
from surveys import grounds, pad_monitoring
from surveys.models import Measurement
from tests.cast import square
from tests.surveys.scene import Yard, frustum_rows, point_file

JUNE, JULY, AUGUST = dt.date(2025, 6, 30), dt.date(2025, 7, 31), dt.date(2025, 8, 31)
RAISED_M = 0.15


def pad_file(raised_m: float = 0.0) -> bytes:
    """A level pad at 100 m, 140 by 100, every 5 m."""
    places = [(x, y) for x in range(-20, 121, 5) for y in range(-30, 71, 5)]
    return point_file([f"{k},{y},{x},{100 + raised_m},GND" for k, (x, y) in enumerate(places, 1)])


def put_on_pad(yard: Yard) -> Yard:
    """The first pile over a surveyed pad, its neighbour out of the way."""
    base = grounds.propose_surveyed_base(
        yard.pile, "pad.csv", pad_file(), yard.surveyor, valid_from=dt.date(2025, 1, 2),
        height_uncertainty_m="0.015", reason="pad survey",
    )  # fmt: skip
    basing.approve_base(base, yard.lead)
    # The pile moves in the yard: the neighbour makes room.
    piles.redraw_outline(yard.neighbour, square(200, -5, 50), by=yard.company.manager)
    piles.redraw_outline(yard.pile, square(-20, -25, 110), by=yard.company.manager)
    return yard


def floor(west: float, east: float, raised_m: float) -> list[str]:
    """Floor shots every 5 m in a strip beside the frustum, which stands on 0 to 40."""
    places = [(x, y) for x in np.arange(west, east + 0.1, 5) for y in range(-10, 51, 5)]
    rows = enumerate(places, 500)
    return [f"{k},{y + 0.5:.3f},{x + 0.5:.3f},{100 + raised_m:.3f},FLR" for k, (x, y) in rows]


def month(yard: Yard, day: dt.date, *rows: list[str], **where: float) -> Measurement:
    """A measured month; the pile is moved by `where`."""
    return yard.computed(point_file(frustum_rows(**where), *rows), day)


def monitor(pile: Pile, on: dt.date = AUGUST) -> pad_monitoring.Monitor:
    found = pad_monitoring.monitor_of(pile, on)
    assert found is not None
    return found


def changed(yard: Yard) -> pad_monitoring.Monitor:
    """In July the strip from x = 45.5 to 75.5 is bare and 0.15 m higher; in August the pile stands partly on
    it."""
    month(yard, JUNE, floor(45, 75, 0.0))
    month(yard, JULY, floor(45, 75, RAISED_M))
    month(yard, AUGUST, east_m=25.0)
    return monitor(yard.pile)
