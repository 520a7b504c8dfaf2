"""Opening a survey, and what a page can say of how far it has come."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.utils import timezone

from inventory.errors import NotAllowed
from surveys import computing, intake, jobs, measuring, opening, review
from surveys.errors import WrongDate
from surveys.models import Survey
from tests.cast import Cast
from tests.surveys.scene import DAY, Yard, frustum_rows, heap, point_file, work

NOW = dt.datetime(2025, 6, 30, 23, 30, tzinfo=dt.UTC)


def test_a_survey_belongs_to_a_day_of_the_site(yard: Yard) -> None:
    survey = yard.survey(note="windy")
    assert (survey.site, survey.surveyed_on, survey.prepared_by) == (yard.site, DAY, yard.surveyor)
    assert (survey.method, survey.note) == ("total-station", "windy")
    assert opening.open_survey(yard.site, DAY, "", yard.surveyor).method == yard.site.survey_method


def test_tomorrow_is_refused_by_the_sites_own_clock(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    with pytest.raises(WrongDate, match=r"dated 2025-07-01, but it is 2025-06-30 at Site QRY"):
        yard.survey(dt.date(2025, 7, 1))
    yard.site.timezone = "Pacific/Auckland"
    assert yard.survey(dt.date(2025, 7, 1)).pk


def test_a_survey_does_not_end_before_it_starts(yard: Yard) -> None:
    with pytest.raises(WrongDate, match="ends at 09:00, before it starts at 10:00"):
        yard.survey(
            started_at=dt.datetime(2025, 6, 30, 10, tzinfo=dt.UTC),
            ended_at=dt.datetime(2025, 6, 30, 9, tzinfo=dt.UTC),
        )


def test_opening_is_for_surveyors_of_the_organization(yard: Yard, cast: Cast) -> None:
    for person in (cast.a.manager, cast.a.accountant, cast.a.administrator, cast.outsider):
        with pytest.raises(NotAllowed):
            opening.open_survey(yard.site, DAY, "total-station", person)
    assert not Survey.objects.exists()


def test_the_next_step_leads_through_the_whole_life(yard: Yard) -> None:
    survey = yard.survey()

    def step() -> str:
        return opening.progress_of(survey).next_step

    assert step() == "upload"
    unclear = intake.receive_file(
        survey, "a.csv", point_file(frustum_rows(), header=False), yard.surveyor, yard.pile
    )
    assert step() == "choose-columns"
    intake.set_aside(unclear, yard.surveyor, "sent again with a header")
    intake.receive_file(survey, "b.csv", heap(), yard.surveyor, yard.pile)
    assert step() == "measure"
    measurement = measuring.request_measurement(survey, yard.pile, yard.surveyor)
    assert step() == "wait"
    work(measurement)
    assert step() == "submit-and-review"
    review.send_back(measurement, yard.lead, "toe too sparse")
    assert step() == "correct"
    second = yard.review(work(measuring.request_measurement(survey, yard.pile, yard.surveyor)))
    assert step() == "approve"
    review.approve(second, yard.lead)
    assert step() == "nothing"


def test_progress_counts_the_latest_version_of_each_pile(yard: Yard) -> None:
    survey = yard.survey_with(point_file(frustum_rows(), frustum_rows(east_m=60.0)))
    first, second = measuring.measure_survey(survey, yard.surveyor).measurements
    work(first)
    jobs.renew(jobs.claim(second.pk, "one"), progress=0.5)
    seen = opening.progress_of(survey)
    assert (seen.fraction, seen.is_working) == (0.75, True)
    assert seen.states == {"computed": 1, "draft": 1}
    assert seen.jobs == {"done": 1, "running": 1}
    review.withdraw(second, yard.surveyor, "not surveyed after all")
    seen = opening.progress_of(survey)
    assert (seen.fraction, seen.is_working, seen.states) == (1.0, False, {"computed": 1})


def test_a_refused_job_counts_as_ended_and_asks_for_a_correction(yard: Yard) -> None:
    asked = yard.asked(point_file([f"{i},{10.0 + i},{10.0 + i},100.0,SPT" for i in range(5)]))
    computing.work(asked.pk, "one")
    seen = opening.progress_of(asked.survey)
    assert (seen.fraction, seen.is_working, seen.next_step) == (1.0, False, "correct")


def test_progress_asks_the_database_twice(yard: Yard, django_assert_num_queries: Any) -> None:
    survey = yard.survey_with(point_file(frustum_rows(), frustum_rows(east_m=60.0)))
    measuring.measure_survey(survey, yard.surveyor)
    with django_assert_num_queries(2):
        opening.progress_of(survey)
