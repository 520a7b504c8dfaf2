"""Many at once on PostgreSQL: one claim, one count, one row for the same bytes."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from inventory.errors import BookRefused
from inventory.models import Role, StockCount
from surveys import computing, due_alerts, intake, jobs, measuring, review
from surveys.errors import EvidenceRefused
from surveys.models import Alert, Measurement, StoredFile, SurveyFile, Transition
from tests.cast import person
from tests.surveys.scene import DAY, Yard, heap

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]

RACERS = 8


def race(act: Callable[[int], Any], racers: int = RACERS) -> list[Any]:
    """`act(0)`, `act(1)` … at the same moment, each on its own connection; results or errors in order."""
    results: list[Any] = [None] * racers
    start = threading.Barrier(racers)

    def run(number: int) -> None:
        try:
            start.wait(10)
            results[number] = act(number)
        except Exception as error:
            results[number] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(number,)) for number in range(racers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return results


def unexpected(results: list[Any]) -> list[Any]:
    return [
        one
        for one in results
        if isinstance(one, Exception) and not isinstance(one, EvidenceRefused | BookRefused)
    ]


def test_one_of_many_claims_a_waiting_job(yard: Yard, bells: list[int]) -> None:
    for _ in range(5):
        asked = yard.asked()
        claims = race(lambda number, pk=asked.pk: jobs.claim(pk, f"worker {number}"))
        held = [one for one in claims if one is not None]
        assert len(held) == 1, claims
        assert held[0].attempt == 1


def test_one_of_many_takes_over_an_ended_lease(yard: Yard, bells: list[int]) -> None:
    asked = yard.asked()
    jobs.claim(asked.pk, "dead")
    Measurement.objects.filter(pk=asked.pk).update(lease_until=timezone.now() - dt.timedelta(seconds=1))
    held = [one for one in race(lambda number: jobs.claim(asked.pk, f"worker {number}")) if one is not None]
    assert [one.attempt for one in held] == [2]


def test_many_workers_on_one_job_write_one_result(yard: Yard, bells: list[int]) -> None:
    asked = yard.asked()
    wrote = race(lambda number: computing.work(asked.pk, f"worker {number}"), 4)
    assert sorted(wrote) == [False, False, False, True]
    assert Transition.objects.filter(measurement=asked, to_state="computed").count() == 1


def test_two_people_who_approve_at_once_make_one_count(yard: Yard, bells: list[int]) -> None:
    second = person("second-lead", yard.company.organization, Role.LEAD_SURVEYOR)
    for month in range(4):
        measurement = yard.reviewed(day=DAY + dt.timedelta(days=month))
        people = [yard.lead, second]
        results = race(
            lambda number, pk=measurement.pk, by=people: review.approve(
                Measurement.objects.get(pk=pk), by[number]
            ),
            2,
        )
        assert unexpected(results) == []
        assert sum(isinstance(one, Measurement) for one in results) == 1
        assert StockCount.objects.filter(evidence_ref=measurement.evidence_ref).count() == 1
        assert Transition.objects.filter(measurement=measurement, to_state="approved").count() == 1


def test_approving_and_sending_back_at_once_ends_in_one_of_both(yard: Yard, bells: list[int]) -> None:
    measurement = yard.reviewed()
    acts: list[Callable[[Measurement], Any]] = [
        lambda one: review.approve(one, yard.lead),
        lambda one: review.send_back(one, yard.lead, "toe"),
    ]
    results = race(lambda number: acts[number](Measurement.objects.get(pk=measurement.pk)), 2)
    assert unexpected(results) == []
    measurement.refresh_from_db()
    assert measurement.state in ("approved", "rejected")
    assert StockCount.objects.count() == (measurement.state == "approved")


def test_many_requests_make_as_many_versions_of_which_one_is_live(yard: Yard, bells: list[int]) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    results = race(lambda number: measuring.request_measurement(survey, yard.pile, yard.surveyor))
    assert unexpected(results) == []
    assert sorted(one.version for one in results) == list(range(1, RACERS + 1))
    assert Measurement.objects.filter(state="draft").count() == 1
    assert Measurement.objects.filter(state="withdrawn").count() == RACERS - 1


def test_the_same_bytes_many_times_at_once_are_one_file(yard: Yard) -> None:
    survey = yard.survey()
    results = race(
        lambda number: intake.receive_file(survey, f"{number}.csv", heap(), yard.surveyor, yard.pile)
    )
    assert unexpected(results) == []
    assert StoredFile.objects.count() == SurveyFile.objects.count() == 1
    assert sum(one.already != "" for one in results) >= RACERS - 1


def test_many_schedulers_raise_one_alert(yard: Yard) -> None:
    now = dt.datetime(2026, 1, 1, 12, tzinfo=dt.UTC)
    assert unexpected(race(lambda number: due_alerts.raise_due(now))) == []
    assert Alert.objects.count() == 1
