"""When the next survey is due, by the site's own day."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory.due import survey_due
from inventory.models import Site

LAST = dt.date(2025, 3, 31)


def at(day, hour=12):
    return dt.datetime.combine(day, dt.time(hour), dt.UTC)


@pytest.mark.parametrize(
    ("today", "state", "days_left"),
    [
        (dt.date(2025, 4, 22), "not-yet", 8),
        (dt.date(2025, 4, 23), "due", 7),
        (dt.date(2025, 4, 30), "due", 0),
        (dt.date(2025, 5, 1), "overdue", -1),
    ],
)
def test_a_monthly_round(today, state, days_left):
    due = survey_due(Site(survey_every_days=30), LAST, at(today))
    assert (due.state, due.days_left, due.next_on, due.last_on) == (
        state,
        days_left,
        dt.date(2025, 4, 30),
        LAST,
    )


def test_a_short_rhythm_gives_short_notice():
    weekly = Site(survey_every_days=7)
    states = [survey_due(weekly, LAST, at(LAST + dt.timedelta(days=n))).state for n in range(9)]
    assert states == ["not-yet"] * 6 + ["due"] * 2 + ["overdue"]
    daily = Site(survey_every_days=1)
    assert [survey_due(daily, LAST, at(LAST + dt.timedelta(days=n))).state for n in range(3)] == [
        "not-yet",
        "due",
        "overdue",
    ]


def test_a_site_without_a_rhythm_is_never_due():
    due = survey_due(Site(survey_every_days=None), LAST, at(dt.date(2030, 1, 1)))
    assert (due.state, due.next_on, due.days_left) == ("no-rhythm", None, None)


def test_never_surveyed_counts_from_the_first_pile_or_is_due_today():
    site = Site(survey_every_days=30)
    assert survey_due(site, None, at(dt.date(2025, 5, 1)), since=LAST).state == "overdue"
    assert survey_due(site, None, at(dt.date(2025, 4, 2)), since=LAST).state == "not-yet"
    due = survey_due(site, None, at(LAST))
    assert (due.state, due.next_on) == ("due", LAST)


@pytest.mark.parametrize(
    ("zone", "day_end", "state"),
    [
        ("UTC", dt.time(0), "due"),
        ("Pacific/Auckland", dt.time(0), "overdue"),  # it is 1 May there already
        ("America/Los_Angeles", dt.time(0), "due"),
        ("Pacific/Auckland", dt.time(12), "due"),  # until noon it is still the day before
    ],
)
def test_overdue_begins_with_the_site_s_own_next_day(zone, day_end, state):
    site = Site(survey_every_days=30, timezone=zone, day_end=day_end)
    assert survey_due(site, LAST, at(dt.date(2025, 4, 30), 23)).state == state


def test_the_day_of_a_moment_follows_the_clock_change():
    # America/New_York went to UTC−4 on 9 March 2025 at 02:00 local (time zone database, tz 2025a).
    site = Site(timezone="America/New_York")
    assert site.date_of(dt.datetime(2025, 3, 9, 4, 59, tzinfo=dt.UTC)) == dt.date(2025, 3, 8)
    assert site.date_of(dt.datetime(2025, 3, 9, 5, 0, tzinfo=dt.UTC)) == dt.date(2025, 3, 9)
    assert site.date_of(dt.datetime(2025, 3, 10, 3, 59, tzinfo=dt.UTC)) == dt.date(2025, 3, 9)
    assert site.date_of(dt.datetime(2025, 3, 10, 4, 0, tzinfo=dt.UTC)) == dt.date(2025, 3, 10)
