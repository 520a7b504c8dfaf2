"""Surveys due and overdue: one alert each, resolved when a figure comes."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import places
from surveys import due_alerts, review
from surveys.models import Alert
from tests.cast import OPENED_ON
from tests.surveys.scene import DAY, Yard

EVERY = dt.timedelta(days=31)


def noon(day: dt.date) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(12), dt.UTC)


def unresolved() -> list[tuple[str, dt.date]]:
    return list(Alert.objects.filter(resolved_at__isnull=True).values_list("kind", "due_on"))


@pytest.fixture
def due_on(yard: Yard) -> dt.date:
    """A survey of `DAY` has a figure, so the next one is due a rhythm later."""
    yard.computed()
    return DAY + EVERY


def test_nothing_is_raised_while_there_is_time(due_on: dt.date) -> None:
    assert due_alerts.raise_due(noon(due_on - dt.timedelta(days=8))) == []


def test_due_then_overdue_then_resolved(yard: Yard, due_on: dt.date) -> None:
    (due,) = due_alerts.raise_due(noon(due_on - dt.timedelta(days=7)))
    assert (due.kind, due.due_on, due.owner_role) == ("survey-due", due_on, "surveyor")
    assert (
        due.message
        == f"Site QRY: the next survey is due by {due_on} (every 31 days; the last one is of {DAY})."
    )
    assert due_alerts.raise_due(noon(due_on)) == []
    (overdue,) = due_alerts.raise_due(noon(due_on + dt.timedelta(days=1)))
    assert (overdue.kind, overdue.owner_role) == ("survey-overdue", "lead_surveyor")
    assert unresolved() == [("survey-overdue", due_on)]
    assert due_alerts.raise_due(noon(due_on + dt.timedelta(days=20))) == []
    yard.computed(day=due_on + dt.timedelta(days=2))
    due_alerts.raise_due(noon(due_on + dt.timedelta(days=2)))
    assert unresolved() == []
    assert Alert.objects.count() == 2


def test_an_opened_survey_without_a_figure_resolves_nothing(yard: Yard, due_on: dt.date) -> None:
    due_alerts.raise_due(noon(due_on + dt.timedelta(days=1)))
    yard.survey(due_on)
    due_alerts.raise_due(noon(due_on + dt.timedelta(days=1)))
    assert unresolved() == [("survey-overdue", due_on)]


def test_the_only_survey_withdrawn_the_alert_holds_again(yard: Yard, due_on: dt.date) -> None:
    late = due_on + dt.timedelta(days=1)
    due_alerts.raise_due(noon(late))
    measurement = yard.computed(day=late)
    due_alerts.watch_site_of(measurement.pk, noon(late))
    assert unresolved() == []
    review.withdraw(measurement, yard.surveyor, "wrong site")
    (again,) = due_alerts.raise_due(noon(late))
    assert unresolved() == [("survey-overdue", due_on)]
    assert again.raised_at == noon(late)


def test_a_site_never_surveyed_counts_from_its_first_pile(yard: Yard) -> None:
    (alert,) = due_alerts.raise_due(noon(OPENED_ON + EVERY))
    assert alert.due_on == OPENED_ON + EVERY
    assert "there was none yet" in alert.message


def test_a_site_without_piles_or_rhythm_is_left_alone(yard: Yard, company: Any) -> None:
    company.site("NEW")
    places.change_site(yard.site, by=company.manager, survey_every_days=None)
    assert due_alerts.raise_due(noon(DAY + 10 * EVERY)) == []


def test_a_rhythm_taken_away_resolves_what_it_raised(yard: Yard, company: Any, due_on: dt.date) -> None:
    due_alerts.raise_due(noon(due_on + dt.timedelta(days=1)))
    places.change_site(yard.site, by=company.manager, survey_every_days=None)
    due_alerts.raise_due(noon(due_on + dt.timedelta(days=2)))
    assert unresolved() == []


def test_the_queries_do_not_grow_with_history(yard: Yard, due_on: dt.date) -> None:
    def queries(now: dt.datetime) -> int:
        with CaptureQueriesContext(connection) as asked:
            assert len(due_alerts.raise_due(now)) == 1
        return len(asked)

    short = queries(noon(due_on + dt.timedelta(days=1)))
    for month in (1, 2, 3):
        yard.computed(day=DAY + month * EVERY)
    assert queries(noon(DAY + 4 * EVERY + dt.timedelta(days=1))) == short
