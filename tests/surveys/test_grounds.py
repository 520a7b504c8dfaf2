"""A surveyed ground becomes a base only when its file can be read and is a surface."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from compute.errors import BadValues, ColumnsUnknown, NothingToMeasure
from inventory.errors import NotAllowed
from inventory.models import BaseVersion
from surveys import grounds, storage
from surveys.models import StoredFile
from tests.cast import Cast
from tests.surveys.scene import Yard, point_file

CORNERS = [(-9, -9), (-9, 49), (49, 49), (49, -9)]
PAD = point_file([f"{i},{n},{e},98.0,GND" for i, (n, e) in enumerate(CORNERS)])


def proposed(yard: Yard, data: bytes = PAD, by: Any = None, **more: Any) -> BaseVersion:
    given = {
        "valid_from": dt.date(2025, 6, 1),
        "height_uncertainty_m": "0.02",
        "reason": "pad survey",
        **more,
    }
    return grounds.propose_surveyed_base(yard.pile, "C:\\pads\\pad.csv", data, by or yard.surveyor, **given)


def test_the_bytes_are_kept_and_the_base_names_them(yard: Yard) -> None:
    base = proposed(yard, unit="foot")
    stored = StoredFile.objects.get()
    assert storage.read_bytes(stored) == PAD
    assert (base.kind, base.status, base.evidence_sha256) == ("surface", "proposed", stored.sha256)
    assert base.evidence_name == "pad.csv"
    assert base.evidence_read == {"columns": None, "unit": "foot", "delimiter": None, "decimal": None}


def test_columns_can_be_declared(yard: Yard) -> None:
    bare = PAD.split(b"\n", 1)[1]
    with pytest.raises(ColumnsUnknown):
        proposed(yard, bare)
    columns = ["point", "northing", "easting", "elevation", "code"]
    assert proposed(yard, bare, columns=columns).evidence_read["columns"] == columns


@pytest.mark.parametrize(
    ("data", "error"),
    [
        (PAD + b"9,x,1.0,98.0,GND\n", BadValues),
        (point_file(["1,0,0,98,GND", "2,0,9,98,GND", "3,9,9,98,CTL"]), NothingToMeasure),
    ],
)
def test_a_file_that_is_no_ground_makes_no_base(yard: Yard, data: bytes, error: type[Exception]) -> None:
    with pytest.raises(error):
        proposed(yard, data)
    assert not BaseVersion.objects.filter(kind="surface").exists()


def test_proposing_is_for_surveyors_of_the_organization(yard: Yard, cast: Cast) -> None:
    for person in (cast.a.manager, cast.a.administrator, cast.outsider):
        with pytest.raises(NotAllowed):
            proposed(yard, by=person)
    assert not StoredFile.objects.exists()
