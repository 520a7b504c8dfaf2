"""What people do at their desks, in a process of its own: `python -m tests.surveys.field_office ACT …`.

It runs with the environment of the service under test, on its real database and broker.

    seed            the cast and the yard
    upload DAY N    a survey of that day with a heap and its measurement; N heaps a side make it a large file
    ring PK TIMES   ring the bell of a measurement
    sweep           one stroke of the sweeper
"""

from __future__ import annotations

import datetime as dt
import json
import sys
from typing import Any

import django
import numpy as np


def seed() -> dict[str, Any]:
    from django.conf import settings

    from tests.cast import found_cast
    from tests.surveys.scene import yard_of

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    yard = yard_of(found_cast().a)
    return {"pile": yard.pile.pk}


def upload(day: str, spots_a_side: str) -> dict[str, Any]:
    from inventory.models import Pile, User
    from surveys import intake, measuring, opening

    surveyor = User.objects.get(username="surveyor")
    pile = Pile.objects.select_related("site__organization").order_by("pk")[0]
    survey = opening.open_survey(pile.site, dt.date.fromisoformat(day), "total-station", surveyor)
    file = intake.receive_file(survey, "shots.csv", field(int(spots_a_side)), surveyor, pile)
    measurement = measuring.request_measurement(survey, pile, surveyor)
    measurement.refresh_from_db()
    return {"pk": measurement.pk, "points": file.points_n, "rung": measurement.bell_rung_at is not None}


def field(spots_a_side: int) -> bytes:
    """The frustum of the scene; with spots on its faces, on the same planes, for a worker to be busy with."""
    from tests.surveys.scene import frustum_rows, point_file

    along = np.linspace(0.5, 39.5, spots_a_side)
    east, north = (axis.ravel() for axis in np.meshgrid(along, along))
    to_edge = np.minimum.reduce([east, north, 40.0 - east, 40.0 - north])
    height = 100.0 + np.minimum(to_edge / 2, 5.0)
    spots = [
        f"s{i},{n:.4f},{e:.4f},{z:.4f},SPT"
        for i, (n, e, z) in enumerate(zip(north, east, height, strict=True))
    ]
    return point_file(frustum_rows(), spots)


def ring(pk: str, times: str) -> dict[str, Any]:
    from surveys import jobs

    return {"rung": [jobs.ring(int(pk)) for _ in range(int(times))]}


def sweep() -> dict[str, Any]:
    from surveys import jobs

    return dict(jobs.sweep())


ACTS = {"seed": seed, "upload": upload, "ring": ring, "sweep": sweep}

if __name__ == "__main__":
    django.setup()
    print(json.dumps(ACTS[sys.argv[1]](*sys.argv[2:])))
