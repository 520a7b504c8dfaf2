"""Jobs: whoever has the lease may write, and nobody else; each job ends once."""

from __future__ import annotations

import datetime as dt
import threading
from typing import Any

import pytest
from django.utils import timezone
from kombu.exceptions import OperationalError

from compute.errors import TooFewShots
from surveys import computing, due_alerts, jobs, measuring, review, storage, tasks
from surveys.models import Alert, Measurement, Transition, WorkerBeat
from tests.surveys.scene import Yard, frustum_rows, heap, point_file, work

MINUTE = dt.timedelta(minutes=1)


def lease_ended(measurement: Measurement) -> None:
    Measurement.objects.filter(pk=measurement.pk).update(lease_until=timezone.now() - MINUTE)


def test_a_waiting_job_is_claimed_by_one(yard: Yard) -> None:
    asked = yard.asked()
    first = jobs.claim(asked.pk, "one")
    assert first == jobs.Claim(asked.pk, 1, "one")
    assert jobs.claim(asked.pk, "two") is None
    asked.refresh_from_db()
    assert (asked.job_state, asked.worker, asked.attempt) == ("running", "one", 1)
    assert asked.lease_until > timezone.now()


def test_a_lease_that_ended_frees_the_job_and_disarms_the_old_claim(yard: Yard) -> None:
    asked = yard.asked()
    old = jobs.claim(asked.pk, "one")
    result = computing.compute(asked, lambda stage, share: None)
    lease_ended(asked)
    new = jobs.claim(asked.pk, "two")
    assert new.attempt == 2
    with pytest.raises(jobs.LeaseLost):
        jobs.renew(old)
    assert not jobs.finish(old, result)
    assert not jobs.fail(old, TooFewShots("late"))
    assert not jobs.release(old, RuntimeError("late"))
    asked.refresh_from_db()
    assert (asked.job_state, asked.worker, asked.state, asked.digest) == ("running", "two", "draft", "")
    assert jobs.finish(new, result)


def test_a_renewed_lease_is_kept(yard: Yard) -> None:
    asked = yard.asked()
    held = jobs.claim(asked.pk, "one")
    lease_ended(asked)
    jobs.renew(held)
    assert jobs.claim(asked.pk, "two") is None


def test_finishing_twice_is_finishing_once(yard: Yard) -> None:
    asked = yard.asked()
    held = jobs.claim(asked.pk, "one")
    result = computing.compute(asked, lambda stage, share: None)
    assert jobs.finish(held, result)
    assert not jobs.finish(held, result)
    assert Transition.objects.filter(measurement=asked, to_state="computed").count() == 1
    assert jobs.claim(asked.pk, "two") is None


def test_a_bell_that_rings_twice_finds_nothing_to_do(yard: Yard) -> None:
    asked = yard.asked()
    tasks.measure(asked.pk)
    tasks.measure(asked.pk)
    asked.refresh_from_db()
    assert (asked.state, asked.attempt) == ("computed", 1)
    tasks.measure(asked.pk + 1000)


def test_a_refusal_of_the_data_is_final_and_kept_whole(yard: Yard) -> None:
    on_a_line = point_file([f"{i},{10.0 + i},{10.0 + i},100.0,SPT" for i in range(5)])
    asked = yard.asked(on_a_line)
    assert not computing.work(asked.pk, "one")
    asked.refresh_from_db()
    assert (asked.job_state, asked.state, asked.attempt) == ("failed", "draft", 1)
    assert set(asked.error) >= {"code", "message", "where", "remedy"}
    assert asked.error["message"]
    assert asked.error["remedy"]
    assert not computing.work(asked.pk, "two")
    assert jobs.sweep() == {"rung": 0, "not_rung": 0, "given_up": 0}


def test_damaged_evidence_is_a_refusal(yard: Yard, evidence_store: Any) -> None:
    asked = yard.asked()
    path = evidence_store / yard.pile.survey_files.get().stored_file.path
    path.chmod(0o640)
    path.write_bytes(heap(9.0))
    computing.work(asked.pk, "one")
    asked.refresh_from_db()
    assert (asked.job_state, asked.error["code"]) == ("failed", "evidence-damaged")


def test_an_unexpected_fault_is_tried_again_until_attempts_are_used_up(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, settings: Any, bells: list[int]
) -> None:
    asked = yard.asked()

    def full_disk(organization_id: int, data: bytes) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(storage, "keep_derived", full_disk)
    for attempt in range(1, settings.JOB_ATTEMPTS + 1):
        with pytest.raises(OSError, match="No space left"):
            computing.work(asked.pk, "one")
        asked.refresh_from_db()
        assert asked.attempt == attempt
        if attempt < settings.JOB_ATTEMPTS:
            assert (asked.job_state, asked.error["code"]) == ("waiting", "interrupted")
            assert jobs.sweep()["rung"] == 1
    assert (asked.job_state, asked.error["code"]) == ("failed", "work-given-up")
    assert "No space left on device" in asked.error["message"]
    assert bells == [asked.pk] * (settings.JOB_ATTEMPTS - 1)


def test_a_fault_that_passes_leaves_a_clean_result(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = yard.asked()
    with monkeypatch.context() as patched:
        patched.setattr(computing, "measured_from", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            computing.work(asked.pk, "one")
    asked = work(asked)
    assert (asked.state, asked.attempt, asked.error) == ("computed", 2, None)


def test_a_withdrawn_job_is_not_started_and_a_running_one_is_dropped(yard: Yard) -> None:
    asked = yard.asked()
    held = jobs.claim(asked.pk, "one")
    result = computing.compute(asked, lambda stage, share: None)
    review.withdraw(asked, yard.surveyor, "wrong file")
    assert not jobs.finish(held, result)
    asked.refresh_from_db()
    assert (asked.state, asked.job_state, asked.digest) == ("withdrawn", "failed", "")
    assert jobs.claim(asked.pk, "two") is None


def test_progress_is_written_by_stage_and_not_more_often_than_people_can_see(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = yard.asked()
    held = jobs.claim(asked.pk, "one")
    clock = [100.0]
    monkeypatch.setattr(jobs, "monotonic", lambda: clock[0])
    progress = jobs.Progress(held)
    seen = []
    for stage, share, seconds in [
        ("a", 0.1, 0.0),
        ("a", 0.2, 0.5),
        ("a", 0.3, 0.6),
        ("b", 0.4, 0.1),
        ("b", 1.7, 2),
    ]:
        clock[0] += seconds
        progress(stage, share)
        asked.refresh_from_db()
        seen.append((asked.stage, asked.progress))
    assert seen == [("a", 0.1), ("a", 0.1), ("a", 0.3), ("b", 0.4), ("b", 1.0)]


def test_progress_of_a_lost_lease_stops_the_work(yard: Yard) -> None:
    asked = yard.asked()
    held = jobs.claim(asked.pk, "one")
    lease_ended(asked)
    jobs.claim(asked.pk, "two")
    with pytest.raises(jobs.LeaseLost):
        jobs.Progress(held)("surfaces", 0.1)


@pytest.mark.django_db(transaction=True)
def test_a_long_stage_keeps_its_lease(yard: Yard, settings: Any) -> None:
    asked = yard.asked()
    settings.JOB_LEASE = dt.timedelta(seconds=0.3)
    held = jobs.claim(asked.pk, "one")
    before = Measurement.objects.get(pk=asked.pk).lease_until
    with jobs.kept_alive(held):
        threading.Event().wait(0.8)
        assert jobs.claim(asked.pk, "two") is None
    assert Measurement.objects.get(pk=asked.pk).lease_until > before
    threading.Event().wait(0.4)
    assert jobs.claim(asked.pk, "two").attempt == 2


# --- bells ---------------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_the_bell_rings_after_the_commit_and_is_noted(yard: Yard, bells: list[int]) -> None:
    asked = yard.asked()
    assert bells == [asked.pk]
    asked.refresh_from_db()
    assert asked.bell_rung_at is not None


@pytest.mark.django_db(transaction=True)
def test_no_bell_rings_for_a_request_that_was_rolled_back(yard: Yard, bells: list[int]) -> None:
    from django.db import transaction

    survey = yard.survey_with(heap(), yard.pile)
    with transaction.atomic():
        measuring.request_measurement(survey, yard.pile, yard.surveyor)
        transaction.set_rollback(True)
    assert bells == []
    assert not Measurement.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_down_loses_no_work(
    yard: Yard, monkeypatch: pytest.MonkeyPatch, bells: list[int]
) -> None:
    def down(measurement_id: int) -> None:
        raise OperationalError("[Errno 111] Connection refused")

    with monkeypatch.context() as patched:
        patched.setattr(tasks.measure, "delay", down)
        asked = yard.asked()
        assert asked.bell_rung_at is None
        assert jobs.sweep() == {"rung": 0, "not_rung": 1, "given_up": 0}
    assert jobs.sweep() == {"rung": 1, "not_rung": 0, "given_up": 0}
    assert bells == [asked.pk]


def test_the_sweeper_rings_only_where_a_bell_was_lost(yard: Yard, bells: list[int], settings: Any) -> None:
    asked = yard.asked()
    assert jobs.sweep()["rung"] == 1
    assert jobs.sweep()["rung"] == 0
    Measurement.objects.filter(pk=asked.pk).update(
        bell_rung_at=timezone.now() - settings.BELL_RINGS_AGAIN_AFTER - MINUTE
    )
    assert jobs.sweep()["rung"] == 1
    held = jobs.claim(asked.pk, "one")
    assert jobs.sweep()["rung"] == 0
    lease_ended(asked)
    assert jobs.sweep()["rung"] == 1
    assert bells == [asked.pk] * 3
    assert held.attempt == 1


def test_a_job_whose_worker_died_each_time_is_given_up(yard: Yard, bells: list[int], settings: Any) -> None:
    asked = yard.asked()
    for _ in range(settings.JOB_ATTEMPTS):
        assert jobs.claim(asked.pk, "one") is not None
        lease_ended(asked)
    assert jobs.sweep() == {"rung": 0, "not_rung": 0, "given_up": 1}
    asked.refresh_from_db()
    assert (asked.job_state, asked.error["code"]) == ("failed", "work-given-up")
    assert "Stopped after 3 attempts" in asked.error["message"]
    assert bells == []


def test_a_claim_with_no_attempt_left_gives_the_job_up(yard: Yard, settings: Any) -> None:
    asked = yard.asked()
    for _ in range(settings.JOB_ATTEMPTS):
        jobs.claim(asked.pk, "one")
        lease_ended(asked)
    assert jobs.claim(asked.pk, "two") is None
    asked.refresh_from_db()
    assert asked.job_state == "failed"


@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_down_is_waited_for_once_and_not_for_every_pile(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried: list[int] = []

    def down(measurement_id: int) -> None:
        tried.append(measurement_id)
        raise OperationalError("timed out")

    monkeypatch.setattr(tasks.measure, "delay", down)
    survey = yard.survey_with(point_file(frustum_rows(), frustum_rows(east_m=60.0)))
    asked = measuring.measure_survey(survey, yard.surveyor).measurements
    assert len(asked) == 2
    assert tried == [asked[0].pk]
    assert jobs.sweep() == {"rung": 0, "not_rung": 1, "given_up": 0}


def test_a_worker_leaves_one_sign_of_life_a_machine(yard: Yard) -> None:
    tasks.worker_beat()
    first = WorkerBeat.objects.get()
    tasks.worker_beat()
    again = WorkerBeat.objects.get()
    assert again.name == first.name
    assert again.seen_at > first.seen_at


def test_a_worker_that_starts_takes_up_what_waited(yard: Yard, bells: list[int]) -> None:
    asked = yard.asked()
    tasks.first_beat()
    assert bells == [asked.pk]
    assert WorkerBeat.objects.exists()


def test_a_finished_job_resolves_what_was_due(yard: Yard) -> None:
    due_alerts.raise_due(dt.datetime(2025, 7, 1, 12, tzinfo=dt.UTC))
    assert Alert.objects.filter(resolved_at__isnull=True).count() == 1
    tasks.measure(yard.asked(day=timezone.now().date()).pk)
    assert not Alert.objects.filter(resolved_at__isnull=True).exists()
