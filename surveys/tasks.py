"""What workers do when a bell rings. Each task can run twice, late, or not at all, and no harm is done."""

from __future__ import annotations

import os
import socket
from typing import Any

from celery import shared_task
from celery.signals import worker_init, worker_ready
from django.conf import settings
from django.utils import timezone

from surveys import due_alerts, jobs
from surveys.models import WorkerBeat


def worker_name() -> str:
    return f"{socket.gethostname()}:{os.getpid()}"


LONGEST_JOB_SECONDS = 4 * 3600
"""A calculation that hangs would renew its lease for ever; after this time its process is ended."""


@shared_task(time_limit=LONGEST_JOB_SECONDS)
def measure(measurement_id: int) -> None:
    """Claim and compute one measurement. The message is acknowledged only when that is over."""
    # Whoever only rings the bell must not load the calculator for it.
    from surveys import computing

    beat()
    if computing.work(measurement_id, worker_name()):
        from surveys import alert_causes

        due_alerts.watch_site_of(measurement_id, timezone.now())
        alert_causes.raise_for(measurement_id, timezone.now())


@shared_task
def sweep() -> None:
    jobs.sweep()


@shared_task
def worker_beat() -> None:
    beat()


@shared_task(time_limit=LONGEST_JOB_SECONDS)
def recompute_sample() -> None:
    """Some approved measurements worked out again each night; one that gives another digest is told."""
    from surveys import verifying

    verifying.watch_sample(settings.VERIFY_NIGHTLY, timezone.now())


@shared_task
def raise_due_alerts() -> None:
    from surveys import alert_causes

    due_alerts.raise_due(timezone.now())
    alert_causes.raise_all(timezone.now())


@shared_task
def mail_alerts() -> None:
    from surveys import alert_mail

    alert_mail.send_digests(timezone.now())


@shared_task
def forget_parsed() -> None:
    from surveys import parsed

    parsed.forget(timezone.now() - parsed.KEPT_FOR)


def beat() -> None:
    """Leave a sign of life of this machine's workers: one row a machine."""
    WorkerBeat.objects.update_or_create(name=socket.gethostname(), defaults={"seen_at": timezone.now()})


@worker_init.connect
def load_calculator(**_: Any) -> None:
    """Compile or load the loops once, before the worker's processes part: they share work and memory."""
    from compute.warming import warm_up
    from surveys import computing  # noqa: F401

    warm_up()


@worker_ready.connect
def first_beat(**_: Any) -> None:
    """A worker that has just started says so at once, and takes up what waited for it."""
    beat()
    jobs.sweep()
