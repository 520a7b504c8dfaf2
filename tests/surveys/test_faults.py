"""Every step fails once: the N-th statement, commit or write to the store, for N = 1, 2, 3 … to the last.

After each fault people and the sweeper do what they would do, that is, try again; and whatever failed,
the end is one approved measurement, one count, and evidence that is whole.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any

import pytest
from django.db import OperationalError, connection
from django.utils import timezone

from inventory.models import Pile, StockCount
from surveys import computing, intake, jobs, life, measuring, review, storage
from surveys.models import JobState, Measurement, State, StoredFile, Survey, SurveyFile
from tests.cast import square
from tests.surveys.scene import DAY, Yard, frustum_m3, heap

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


def again(act: Callable[[], Any]) -> Any:
    """What a person does who sees an error page: the same again."""
    for _ in range(TRIES):
        try:
            return act()
        except (OperationalError, OSError):
            check_integrity()
    raise AssertionError("a single fault was never overcome")


def live(yard: Yard, pile: Pile) -> Measurement:
    return Measurement.objects.filter(pile=pile).latest("version")


def work_until_done(yard: Yard, pile: Pile) -> None:
    """Workers and the sweeper, with time running fast: every lease ends before the next look."""
    for _ in range(TRIES):
        try:
            measurement = live(yard, pile)
            if measurement.state != State.DRAFT:
                return
            assert measurement.job_state != JobState.FAILED, measurement.error
            Measurement.objects.filter(pk=measurement.pk, job_state=JobState.RUNNING).update(
                lease_until=timezone.now() - dt.timedelta(seconds=1)
            )
            jobs.sweep()
            computing.work(measurement.pk, "worker")
        except (OperationalError, OSError):
            check_integrity()
    assert live(yard, pile).state == State.COMPUTED


def whole_life(yard: Yard, pile: Pile, data: bytes) -> None:
    survey = again(lambda: Survey.objects.filter(files__pile=pile).first() or yard.survey())
    again(lambda: intake.receive_file(survey, "shots.csv", data, yard.surveyor, pile))
    again(lambda: measuring.request_measurement(survey, pile, yard.surveyor, "again"))
    work_until_done(yard, pile)
    again(lambda: live(yard, pile).submitted_at or review.submit(live(yard, pile), yard.surveyor))
    for finding in again(lambda: review.open_findings(live(yard, pile))):
        again(lambda code=finding["code"]: review.accept_finding(live(yard, pile), code, yard.lead, "seen"))
    again(lambda: live(yard, pile).state == State.REVIEWED or review.review(live(yard, pile), yard.lead))
    again(lambda: live(yard, pile).state == State.APPROVED or review.approve(live(yard, pile), yard.lead))


def check_integrity() -> None:
    """What must be true at every moment, whatever has just failed."""
    for stored in StoredFile.objects.all():
        assert storage.read_bytes(stored) is not None
    for file in SurveyFile.objects.filter(state="read"):
        assert file.points_n
    for measurement in Measurement.objects.all():
        last = measurement.transitions.last()
        assert last.to_state == measurement.state
        if measurement.state in (State.COMPUTED, State.REVIEWED, State.APPROVED):
            assert computing.geometry_of(measurement)
        if measurement.state == State.APPROVED:
            assert last.hash_after == life.state_hash(measurement)
    approved = {one.evidence_ref: one.digest for one in Measurement.objects.filter(state=State.APPROVED)}
    assert dict(StockCount.objects.current().values_list("evidence_ref", "evidence_digest")) == approved


def test_whatever_step_fails_the_end_is_one_count_and_whole_evidence(
    yard: Yard, company: Any, bells: list[int], monkeypatch: pytest.MonkeyPatch, evidence_store: Any
) -> None:
    broken = []
    for at in count(1):
        place = square(60.0 * at - 5, 495, 50)
        pile = company.pile(yard.site, yard.pile.material, code=f"F{at:03d}", outline=place)
        company.base(pile)
        height_m = 3.0 + 0.01 * at
        fault = Fault(at)
        with breaking(fault, monkeypatch):
            whole_life(yard, pile, heap(height_m, east_m=60.0 * at, north_m=500.0))
        counted = StockCount.objects.current().get(pile=pile)
        assert float(counted.volume_m3) == pytest.approx(frustum_m3(height_m), abs=1e-3), fault.broke
        assert Measurement.objects.filter(pile=pile, state=State.APPROVED).count() == 1
        assert SurveyFile.objects.filter(pile=pile).count() == 1
        if at % 25 == 0:
            check_integrity()
        if not fault.broke:
            break
        broken.append(fault.broke)
    check_integrity()
    assert len(broken) > 60, "the fault injection has lost its grip"
    assert {"COMMIT", "os.replace", "os.fsync", "read"} <= set(broken)
    assert any(words.startswith('INSERT INTO "inventory_stockcount"') for words in broken)
    assert Survey.objects.first().surveyed_on == DAY
