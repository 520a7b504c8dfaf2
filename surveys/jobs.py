"""Jobs: the row is the truth, a message is a doorbell.

A worker claims a row by compare-and-set and holds it under a lease and an attempt number. Whatever it
writes later counts only while that attempt is still the row's, so a worker that was thought dead and
comes back can change nothing, and a bell that rings twice finds nothing to do.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from time import monotonic
from typing import Any

from django.conf import settings
from django.db import DatabaseError, connection, transaction
from django.db.models import Q
from django.utils import timezone
from kombu.exceptions import OperationalError

from compute.errors import Refused
from surveys import life
from surveys.errors import WorkGivenUp, WrongState
from surveys.models import JobState, Measurement, State

log = logging.getLogger(__name__)

PROGRESS_SECONDS = 1.0
"""Progress is written at most this often, and at each new stage."""


class LeaseLost(Exception):
    """Another worker has the job now, or a person withdrew it: what this one works out is dropped."""


@dataclass(frozen=True)
class Claim:
    """The right to write to one job, as long as `attempt` is still the row's."""

    measurement_id: int
    attempt: int
    worker: str

    def row(self) -> Any:
        return Measurement.objects.filter(
            pk=self.measurement_id, attempt=self.attempt, job_state=JobState.RUNNING, state=State.DRAFT
        )


def free_at(now: Any) -> Q:
    """Rows that a worker may take: waiting, or running under a lease that has ended."""
    return Q(job_state=JobState.WAITING) | Q(job_state=JobState.RUNNING, lease_until__lt=now)


def ring(measurement_id: int) -> bool:
    """Ring the bell of a waiting job. A broker that is down loses no work: the sweeper rings again."""
    from surveys.tasks import measure

    try:
        measure.delay(measurement_id)
    except (OperationalError, OSError) as fault:
        log.warning("The bell of measurement %s did not ring: %s", measurement_id, fault)
        return False
    Measurement.objects.filter(pk=measurement_id).filter(
        job_state__in=[JobState.WAITING, JobState.RUNNING]
    ).update(bell_rung_at=timezone.now())
    return True


def ring_all(measurement_ids: Iterable[int]) -> int:
    """Ring for each until one bell fails: a broker that is down is waited for once, not for every pile."""
    rung = 0
    for measurement_id in measurement_ids:
        if not ring(measurement_id):
            break
        rung += 1
    return rung


def claim(measurement_id: int, worker: str) -> Claim | None:
    """Take the job if it is free; `None` when somebody has it, it is finished, or it was given up."""
    now = timezone.now()
    free = Measurement.objects.filter(free_at(now), pk=measurement_id, state=State.DRAFT)
    attempt = free.values_list("attempt", flat=True).first()
    if attempt is None:
        return None
    if attempt >= settings.JOB_ATTEMPTS:
        give_up(measurement_id, attempt)
        return None
    taken = free.filter(attempt=attempt).update(
        job_state=JobState.RUNNING,
        attempt=attempt + 1,
        worker=worker[:120],
        lease_until=now + settings.JOB_LEASE,
        stage="starting",
        progress=0.0,
    )
    return Claim(measurement_id, attempt + 1, worker) if taken else None


def renew(held: Claim, **changes: Any) -> None:
    """Hold on to the job for another lease. Raises `LeaseLost` when it is no longer ours."""
    if not held.row().update(lease_until=timezone.now() + settings.JOB_LEASE, **changes):
        raise LeaseLost(f"Attempt {held.attempt} of measurement {held.measurement_id} is no longer current.")


class Progress:
    """The calculator's callback: writes stage and fraction, not more often than people can see."""

    def __init__(self, held: Claim) -> None:
        self.held = held
        self.stage = ""
        self.written = -PROGRESS_SECONDS

    def __call__(self, stage: str, fraction: float) -> None:
        now = monotonic()
        if stage == self.stage and now - self.written < PROGRESS_SECONDS:
            return
        self.stage, self.written = stage, now
        renew(self.held, stage=stage[:60], progress=min(max(float(fraction), 0.0), 1.0))


@contextmanager
def kept_alive(held: Claim) -> Iterator[None]:
    """Renew the lease from a thread while one long stage runs, so that leases can be short.

    A short lease is what brings the work of a killed machine back soon.
    """
    ended = threading.Event()

    def keep() -> None:
        try:
            while not ended.wait(settings.JOB_LEASE.total_seconds() / 3):
                with suppress(DatabaseError):  # missed once: the next third of the lease tries again
                    renew(held)
        except LeaseLost:
            log.warning("Lost the lease of measurement %s", held.measurement_id)
        finally:
            connection.close()

    keeper = threading.Thread(target=keep, name=f"lease-{held.measurement_id}", daemon=True)
    keeper.start()
    try:
        yield
    finally:
        ended.set()
        keeper.join()


def finish(held: Claim, result: Mapping[str, Any]) -> bool:
    """Write the result and the state in one transaction; `False` when the job is no longer ours.

    Calling it again after success changes nothing and says `False`.
    """
    measurement = Measurement(pk=held.measurement_id)
    done = {
        "job_state": JobState.DONE,
        "stage": "done",
        "progress": 1.0,
        "lease_until": None,
        "error": None,
        "computed_at": timezone.now(),
    }
    try:
        with transaction.atomic():
            life.move(
                measurement,
                "compute",
                comment=f"computed by {held.worker}, attempt {held.attempt}",
                only_if={"attempt": held.attempt, "job_state": JobState.RUNNING},
                **done,
                **result,
            )
    except WrongState:
        log.warning("Dropped the result of attempt %s of measurement %s", held.attempt, held.measurement_id)
        return False
    return True


def fail(held: Claim, refusal: Refused) -> bool:
    """Keep a refusal. It is final: the same inputs would be refused again."""
    refused = {"job_state": JobState.FAILED, "lease_until": None, "stage": "refused"}
    return bool(held.row().update(**refused, error=refusal.as_dict()))


def release(held: Claim, fault: BaseException) -> bool:
    """Give a job back after an unexpected fault, with the reason kept, for another attempt."""
    reason = {
        "code": "interrupted",
        "message": f"Attempt {held.attempt} stopped: {type(fault).__name__}: {fault}",
        "where": held.worker,
        "remedy": "It is tried again by itself.",
    }
    if held.attempt >= settings.JOB_ATTEMPTS:
        return give_up(held.measurement_id, held.attempt, reason["message"])
    return bool(
        held.row().update(
            job_state=JobState.WAITING, lease_until=None, bell_rung_at=None, stage="waiting", error=reason
        )
    )


def give_up(measurement_id: int, attempt: int, last: str = "") -> bool:
    """Fail a job whose attempts are used up, unless somebody took it meanwhile."""
    last = last or "The worker ended without a word; its machine may have stopped or run out of memory."
    refusal = WorkGivenUp(
        f"Stopped after {attempt} attempts. {last} The files are safe and nothing was recorded.",
        where=f"measurement {measurement_id}",
    )
    return bool(
        Measurement.objects.filter(
            pk=measurement_id,
            attempt=attempt,
            state=State.DRAFT,
            job_state__in=[JobState.WAITING, JobState.RUNNING],
        ).update(job_state=JobState.FAILED, lease_until=None, stage="stopped", error=refusal.as_dict())
    )


def sweep() -> dict[str, int]:
    """Ring again for jobs whose bell was lost or whose worker is gone; fail those with no attempt left."""
    now = timezone.now()
    stale: timedelta = settings.BELL_RINGS_AGAIN_AFTER
    lost = Q(bell_rung_at__isnull=True) | Q(bell_rung_at__lt=now - stale) | Q(job_state=JobState.RUNNING)
    due = Measurement.objects.filter(free_at(now), lost, state=State.DRAFT)
    counts = {"rung": 0, "not_rung": 0, "given_up": 0}
    for measurement_id, attempt in due.order_by("id").values_list("id", "attempt").iterator():
        if attempt >= settings.JOB_ATTEMPTS:
            counts["given_up"] += give_up(measurement_id, attempt)
        elif ring(measurement_id):
            counts["rung"] += 1
        else:
            # The broker does not answer. The next sweep tries again; waiting out each bell helps nobody.
            counts["not_rung"] += 1
            break
    return counts
