"""`/healthz`: 200 only when web server, database and a worker answer; otherwise 503, naming which."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError
from django.test import Client
from django.utils import timezone

from surveys.models import WorkerBeat

GOOD = {"healthy": True, "web": "ok", "database": "ok", "worker": "ok"}


def beat(name: str, age: timedelta) -> None:
    WorkerBeat.objects.create(name=name, seen_at=timezone.now() - age)


@pytest.mark.django_db
def test_all_well(client: Client) -> None:
    beat("a", timedelta(seconds=80))
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()) == (200, GOOD)
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.django_db
def test_one_living_worker_is_enough(client: Client) -> None:
    beat("gone", timedelta(days=3))
    beat("here", timedelta(seconds=1))
    assert client.get("/healthz").status_code == 200


@pytest.mark.django_db
def test_a_silent_worker(client: Client) -> None:
    beat("a", timedelta(seconds=100))
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json() == {**GOOD, "healthy": False, "worker": "silent for 100 s"}


@pytest.mark.django_db
def test_no_worker_yet(client: Client) -> None:
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json()["worker"] == "not seen yet"


@pytest.mark.django_db
def test_no_database(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: Any, **kwargs: Any) -> None:
        raise OperationalError("connection to server at 10.0.0.7, user stock, refused")

    monkeypatch.setattr("django.db.backends.utils.CursorWrapper.execute", refuse)
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json() == {
        "healthy": False,
        "web": "ok",
        "database": "does not answer",
        "worker": "unknown while the database does not answer",
    }


@pytest.mark.django_db
def test_nobody_can_post_to_it(client: Client) -> None:
    assert client.post("/healthz").status_code == 405
