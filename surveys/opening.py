"""Opening a survey, and how far it has come."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from inventory import rights
from inventory.models import Pile, Site
from surveys.errors import WrongDate, WrongPile
from surveys.models import JobState, Measurement, State, Survey, SurveyFile


def open_survey(
    site: Site,
    date: dt.date,
    method: str,
    by: Any,
    *,
    note: str = "",
    started_at: dt.datetime | None = None,
    ended_at: dt.datetime | None = None,
) -> Survey:
    """A visit to `site` on its local day `date`, still without files. Raises `WrongDate`, `NotAllowed`."""
    rights.require(by, site.organization, "upload_survey")
    today = site.date_of(timezone.now())
    if date > today:
        raise WrongDate(
            f"The survey is dated {date}, but it is {today} at {site.name}. A future date would count "
            "stock that nobody has seen. No survey was opened.",
            where="date",
        )
    if started_at and ended_at and ended_at < started_at:
        raise WrongDate(
            f"The survey ends at {ended_at:%H:%M}, before it starts at {started_at:%H:%M}. "
            "No survey was opened.",
            where="ended_at",
        )
    return Survey.objects.create(
        site=site,
        surveyed_on=date,
        method=method or site.survey_method,
        prepared_by=by,
        note=note,
        started_at=started_at,
        ended_at=ended_at,
    )


def require_pile(survey: Survey, pile: Pile) -> None:
    """`WrongPile` unless the pile is of the survey's site and open on its date."""
    if pile.site_id != survey.site_id:
        raise WrongPile(f"{pile} is not a pile of {survey.site.name}. Nothing was changed.", where=pile.code)
    if not pile.is_open_on(survey.surveyed_on):
        until = f" and closed on {pile.closed_on}" if pile.closed_on else ""
        raise WrongPile(
            f"{pile} was opened on {pile.opened_on}{until}; the survey is of {survey.surveyed_on}. "
            "Nothing was changed.",
            where=pile.code,
        )


@dataclass(frozen=True)
class SurveyProgress:
    """Where a survey stands: files and live measurements by state, the share done, what to do next."""

    files: dict[str, int]
    jobs: dict[str, int]
    states: dict[str, int]
    fraction: float
    is_working: bool
    next_step: str

    @property
    def has_measured(self) -> bool:
        return any(state != State.DRAFT for state in self.states)


def progress_of(survey: Survey) -> SurveyProgress:
    """Two queries, whatever the number of piles; of each pile its latest version counts."""
    files = Counter(
        SurveyFile.objects.filter(survey=survey, set_aside_at__isnull=True).values_list("state", flat=True)
    )
    versions = Measurement.objects.filter(survey=survey).order_by("version")
    latest = {pile: row for pile, *row in versions.values_list("pile_id", "state", "job_state", "progress")}
    rows = [row for row in latest.values() if row[0] != State.WITHDRAWN]
    jobs = Counter(job for _, job, _ in rows)
    shares = [1.0 if job in (JobState.DONE, JobState.FAILED) else share for _, job, share in rows]
    states = Counter(state for state, _, _ in rows)
    return SurveyProgress(
        files=dict(files),
        jobs=dict(jobs),
        states=dict(states),
        fraction=sum(shares) / len(shares) if shares else 0.0,
        is_working=bool(jobs[JobState.WAITING] or jobs[JobState.RUNNING]),
        next_step=next_step(files, jobs, states),
    )


def next_step(files: Counter[str], jobs: Counter[str], states: Counter[str]) -> str:
    """What a person has to do now, as one word for pages to put into a sentence."""
    steps = (
        ("choose-columns", files[SurveyFile.State.UNCLEAR]),
        ("wait", jobs[JobState.WAITING] or jobs[JobState.RUNNING]),
        ("correct", jobs[JobState.FAILED] or states[State.REJECTED]),
        ("submit-and-review", states[State.COMPUTED]),
        ("approve", states[State.REVIEWED]),
        ("nothing", states[State.APPROVED]),
        ("measure", files[SurveyFile.State.READ]),
    )
    return next((step for step, holds in steps if holds), "upload")
