"""Every step fails once: the N-th statement, commit or write to the store, for N = 1, 2, 3 … to the last.

After each fault people and the sweeper do what they would do, that is, try again; and whatever failed,
the end is one approved measurement, one count, and evidence that is whole.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from typing import Any

import pytest
from django.db import OperationalError, connection
from django.utils import timezone

from inventory.models import StockCount
from surveys import computing, intake, jobs, life, measuring, review, storage
from surveys.models import JobState, Measurement, State, StoredFile, Survey, SurveyFile
from tests.cast import OPENED_ON
from tests.surveys.scene import Yard, frustum_m3, heap

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

TRIES = 6


class Fault:
    """Counts steps and breaks the one with the number `at`, before it does anything."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.steps = 0
        self.broke = ""

    def step(self, what: str, error: type[Exception]) -> None:
        self.steps += 1
        if self.steps == self.at:
            self.broke = what
            raise error(f"step {self.at}: {what}")

    def sql(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        self.step(sql[:60], OperationalError)
        return execute(sql, params, many, context)


@contextmanager
def breaking(fault: Fault, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    def before(what: str, plain: Callable[..., Any], error: type[Exception]) -> Callable[..., Any]:
        def broken(*args: Any, **kwargs: Any) -> Any:
            fault.step(what, error)
            return plain(*args, **kwargs)

        return broken

    with monkeypatch.context() as patched, connection.execute_wrapper(fault.sql):
        patched.setattr(connection, "_commit", before("COMMIT", connection._commit, OperationalError))
        for name in ("replace", "fsync"):
            patched.setattr(storage.os, name, before(f"os.{name}", getattr(os, name), OSError))
        patched.setattr(storage, "read_checked", before("read", storage.read_checked, OSError))
        yield


@dataclass(frozen=True)
class Round:
    """One whole life of a measurement on a day of its own, among people who try again what failed."""

    yard: Yard
    day: dt.date

    def live(self) -> Measurement:
        return Measurement.objects.filter(surveyed_on=self.day).latest("version")

    def again(self, act: Callable[[], Any]) -> Any:
        """What a person does who sees an error page: the same again."""
        for _ in range(TRIES):
            try:
                return act()
            except (OperationalError, OSError):
                check_integrity(self.day)
        raise AssertionError("a single fault was never overcome")

    def run(self, data: bytes) -> None:
        yard, again, live = self.yard, self.again, self.live
        survey = again(lambda: Survey.objects.filter(surveyed_on=self.day).first() or yard.survey(self.day))
        again(lambda: intake.receive_file(survey, "shots.csv", data, yard.surveyor, yard.pile))
        again(lambda: measuring.request_measurement(survey, yard.pile, yard.surveyor, "again"))
        self.work_until_done()
        again(lambda: live().submitted_at or review.submit(live(), yard.surveyor))
        for finding in again(lambda: review.open_findings(live())):
            again(lambda code=finding["code"]: review.accept_finding(live(), code, yard.lead, "seen"))
        again(lambda: live().state == State.REVIEWED or review.review(live(), yard.lead))
        again(lambda: live().state == State.APPROVED or review.approve(live(), yard.lead))

    def work_until_done(self) -> None:
        """Workers and the sweeper, with time running fast: every lease ends before the next look."""
        for _ in range(TRIES):
            try:
                measurement = self.live()
                if measurement.state != State.DRAFT:
                    return
                assert measurement.job_state != JobState.FAILED, measurement.error
                Measurement.objects.filter(pk=measurement.pk, job_state=JobState.RUNNING).update(
                    lease_until=timezone.now() - dt.timedelta(seconds=1)
                )
                jobs.sweep()
                computing.work(measurement.pk, "worker")
            except (OperationalError, OSError):
                check_integrity(self.day)
        assert self.live().state == State.COMPUTED


def check_integrity(*days: dt.date) -> None:
    """What must be true at every moment, whatever has just failed; on all days if none is named."""
    stored, measured, counted = (
        StoredFile.objects.all(),
        Measurement.objects.all(),
        StockCount.objects.current(),
    )
    if days:
        stored = stored.filter(uses__survey__surveyed_on__in=days)
        measured, counted = measured.filter(surveyed_on__in=days), counted.filter(counted_on__in=days)
    for file in stored:
        assert hashlib.sha256(storage.read_bytes(file)).hexdigest() == file.sha256
    for measurement in measured:
        last = measurement.transitions.last()
        assert last.to_state == measurement.state
        if measurement.state in (State.COMPUTED, State.REVIEWED, State.APPROVED):
            assert computing.geometry_of(measurement)
        if measurement.state == State.APPROVED:
            assert last.hash_after == life.state_hash(measurement)
    approved = {one.evidence_ref: one.digest for one in measured if one.state == State.APPROVED}
    assert dict(counted.values_list("evidence_ref", "evidence_digest")) == approved


def test_whatever_step_fails_the_end_is_one_count_and_whole_evidence(
    yard: Yard, bells: list[int], monkeypatch: pytest.MonkeyPatch, evidence_store: Any
) -> None:
    broken: list[str] = []
    for at in count(1):
        day = OPENED_ON + dt.timedelta(days=at)
        height_m = 3.0 + 0.01 * at
        fault = Fault(at)
        with breaking(fault, monkeypatch):
            Round(yard, day).run(heap(height_m))
        counted = StockCount.objects.current().get(counted_on=day)
        assert float(counted.volume_m3) == pytest.approx(frustum_m3(height_m), abs=1e-3), fault.broke
        assert Measurement.objects.filter(surveyed_on=day, state=State.APPROVED).count() == 1
        assert SurveyFile.objects.filter(survey__surveyed_on=day).count() == 1
        if not fault.broke:
            break
        broken.append(fault.broke)
    check_integrity()
    assert StoredFile.objects.count() == len(broken) + 1
    assert len(broken) > 60, "the fault injection has lost its grip"
    assert {"COMMIT", "os.replace", "os.fsync", "read"} <= set(broken)
    assert any(words.startswith('INSERT INTO "inventory_stockcount"') for words in broken)
