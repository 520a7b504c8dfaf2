"""A yard's file is read once for all its piles; what was kept of it changes no bit and is no evidence."""

from __future__ import annotations

import dataclasses
import datetime as dt
import os
import time
from pathlib import Path

import numpy as np
import pytest
from django.utils import timezone

from compute.pointfiles import Points, read_points
from surveys import computing, measuring, parsed, storage
from surveys.errors import EvidenceMissing
from surveys.models import Measurement
from tests.surveys.scene import frustum_rows, point_file

pytestmark = pytest.mark.django_db

HOW = {
    "name": "yard.csv",
    "sha256": "0" * 64,
    "columns": None,
    "unit": "foot",
    "delimiter": ",",
    "decimal": None,
}
BOTH = point_file(frustum_rows(height_m=5.0), frustum_rows(height_m=7.0, east_m=60.0))
NOTED = (
    b"point,northing,easting,elevation,code,note\n"
    b"a1,0.1,-0.0,1e-300,TOE,\nb\xc3\xa9,123456.789,9.87654321012345678,2,, wet \n,3,4,5,SPT,x\n"
)


def same(left: Points, right: Points) -> bool:
    """Every field, bit for bit."""
    for field in dataclasses.fields(Points):
        a, b = getattr(left, field.name), getattr(right, field.name)
        if isinstance(a, np.ndarray):
            assert (a.dtype, a.tobytes()) == (b.dtype, b.tobytes()), field.name
            assert not b.flags.writeable
        elif a is not None and hasattr(a, "equals"):
            assert a.equals(b), field.name
            assert a.type == b.type, field.name
        else:
            assert a == b, field.name
    return True


@pytest.mark.parametrize("data", [NOTED, BOTH, point_file(frustum_rows(east_m=1 / 3))])
@pytest.mark.parametrize("unit", ["metre", "foot", "us-survey-foot"])
def test_points_come_back_to_the_bit(data, unit):
    points = read_points(data, "yard.csv", unit=unit)
    assert same(points, parsed.unpacked(parsed.packed(points)))


def whole_yard(yard) -> list[Measurement]:
    survey = yard.survey_with(BOTH)
    return list(measuring.measure_survey(survey, yard.surveyor).measurements)


def kept_files(evidence_store: Path) -> list[Path]:
    return [path for path in evidence_store.glob("parsed/**/*") if path.is_file()]


def test_the_file_is_read_once_and_the_digest_is_that_of_its_bytes(yard, evidence_store, monkeypatch):
    both = whole_yard(yard)
    assert len(both) == 2
    (kept,) = kept_files(evidence_store)
    monkeypatch.setattr(parsed, "read_points", lambda *a, **k: pytest.fail("read again"))
    for measurement in both:
        assert computing.work(measurement.pk, "w")
    monkeypatch.undo()
    for measurement in both:
        measurement.refresh_from_db()
        assert measurement.digest == computing.recompute(measurement)
    assert kept.exists()


@pytest.mark.parametrize("how", ["missing", "damaged", "cut", "empty"])
def test_without_a_whole_parsed_form_the_bytes_are_read(yard, evidence_store, how):
    first, second = whole_yard(yard)
    assert computing.work(first.pk, "w")
    (kept,) = kept_files(evidence_store)
    kept.chmod(0o600)
    data = kept.read_bytes()
    if how == "missing":
        kept.unlink()
    elif how == "damaged":
        kept.write_bytes(data[:-200] + bytes([data[-200] ^ 1]) + data[-199:])
    else:
        kept.write_bytes(data[: len(data) // 2] if how == "cut" else b"")
    assert computing.work(second.pk, "w")
    second.refresh_from_db()
    assert second.digest == computing.recompute(second)
    # It is whole again for the next job.
    assert kept.read_bytes() == data


def test_a_replay_begins_at_the_bytes(yard, evidence_store):
    measurement, _ = whole_yard(yard)
    assert computing.work(measurement.pk, "w")
    measurement.refresh_from_db()
    (received,) = [path for path in evidence_store.glob("received/**/*") if path.is_file()]
    received.unlink()
    with pytest.raises(EvidenceMissing):
        computing.recompute(measurement)


def test_a_store_that_is_full_costs_time_and_no_result(yard, evidence_store, monkeypatch):
    place = storage.place

    def full(arrived, path):
        if path.startswith("parsed/"):
            raise OSError(28, "No space left on device")
        place(arrived, path)

    monkeypatch.setattr(storage, "place", full)
    for measurement in whole_yard(yard):
        assert computing.work(measurement.pk, "w")
    assert kept_files(evidence_store) == []


def test_another_reading_of_the_same_bytes_is_kept_apart():
    paths = {parsed.path_of({**HOW, **change}, 1) for change in ({}, {"unit": "metre"}, {"delimiter": ";"},
             {"columns": ["point"]}, {"decimal": ","}, {"sha256": "1" * 64}, {"name": "b.csv"})}  # fmt: skip
    assert len({*paths, parsed.path_of(HOW, 2)}) == 8


def test_a_file_of_one_pile_is_kept_once(yard, evidence_store):
    yard.computed()
    assert kept_files(evidence_store) == []


def test_what_is_old_is_forgotten_and_nothing_else(yard, evidence_store):
    measurement, _ = whole_yard(yard)
    (kept,) = kept_files(evidence_store)
    now = timezone.now()
    assert parsed.forget(now - dt.timedelta(days=1)) == 0
    os.utime(kept, (0, 0))
    assert parsed.forget(now - dt.timedelta(days=1)) == 1
    assert kept_files(evidence_store) == []
    assert len([path for path in evidence_store.glob("received/**/*") if path.is_file()]) == 1
    assert computing.work(measurement.pk, "w")


def test_loading_is_much_faster_than_reading():
    rng = np.random.default_rng(3)
    rows = [
        f"{i},{n:.3f},{e:.3f},{z:.3f},SPT" for i, (n, e, z) in enumerate(rng.uniform(0, 500, (60_000, 3)))
    ]
    data = point_file(rows)
    start = time.perf_counter()
    points = read_points(data, "yard.csv")
    reading = time.perf_counter() - start
    kept = parsed.packed(points)
    start = time.perf_counter()
    assert same(points, parsed.unpacked(kept))
    assert time.perf_counter() - start < reading
