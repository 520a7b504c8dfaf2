"""What needs somebody: each thing once, with its weight, its owner and its link."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.utils import timezone

from inventory.stock import stock_now
from surveys import review
from surveys.due_alerts import raise_due
from surveys.pages.attention import Task, tasks_of
from tests.cast import square
from tests.surveys.scene import Yard

pytestmark = pytest.mark.django_db


def tasks(yard: Yard) -> list[Task]:
    return tasks_of(yard.lead, yard.company.organization, stock_now(yard.lead))


def words(yard: Yard) -> list[str]:
    return [task.words for task in tasks(yard)]


def waiting(yard: Yard) -> tuple[str, str]:
    (task,) = tasks(yard)
    return task.words.split(": ")[1], task.owner


def test_nothing_when_nothing_waits(yard: Yard) -> None:
    assert words(yard) == []


def test_an_overdue_survey_names_its_day_and_owner(yard: Yard) -> None:
    raise_due(timezone.now())
    (task,) = tasks(yard)
    assert (task.mark, task.owner, task.link) == ("late", "lead_surveyor", "/sites/QRY/surveys/new/")
    assert task.due_on == dt.date(2025, 1, 1) + dt.timedelta(days=31)


def test_a_measurement_waits_for_the_right_person_at_each_step(yard: Yard, bells: list[int]) -> None:
    measurement = yard.computed()
    assert [(t.words.split(": ")[1], t.owner) for t in tasks(yard)] == [
        ("measured, not yet submitted", "surveyor")
    ]
    review.submit(measurement, yard.surveyor)
    assert waiting(yard) == ("waits for review", "lead_surveyor")
    review.review(measurement, yard.lead)
    assert [(t.words.split(": ")[1], t.owner) for t in tasks(yard)] == [
        ("waits for approval", "lead_surveyor")
    ]
    review.approve(measurement, yard.lead)
    assert words(yard) == []


def test_densities_missing_weak_ending_and_proposed(yard: Yard) -> None:
    today = timezone.now().date()
    company = yard.company
    bare = company.pile(yard.site, company.material("M8", "Wood chips"), outline=square(0, 100))
    company.base(bare)
    weak = company.pile(yard.site, company.material("M9", "Slag"), outline=square(60, 100))
    company.base(weak)
    company.density(weak.material, "1.2", grade="D", valid_to=today + dt.timedelta(days=10))
    company.proposed_density(bare.material, "0.3")
    said = {task.words: task for task in tasks(yard)}
    assert said["Wood chips: no density in force"].mark == "stop"
    assert said["Slag: density of grade D"].mark == "warn"
    assert said["Wood chips: a density waits for approval"].owner == "lead_surveyor"
    (ending,) = [task for words, task in said.items() if words.startswith("Slag: density D-")]
    assert ending.due_on == today + dt.timedelta(days=10)
    assert tasks(yard)[0].mark == "stop"


def test_a_density_that_is_followed_does_not_end(yard: Yard) -> None:
    today = timezone.now().date()
    company, material = yard.company, yard.company.material("M9", "Slag")
    pile = company.pile(yard.site, material, outline=square(60, 100))
    company.base(pile)
    company.density(material, "1.2", valid_to=today + dt.timedelta(days=10))
    company.density(material, "1.3", valid_from=today + dt.timedelta(days=10))
    assert words(yard) == []


def test_piles_without_a_base_and_bases_that_wait(yard: Yard) -> None:
    pile = yard.company.pile(yard.site, yard.pile.material, outline=square(0, 100))
    assert words(yard) == [f"{pile.code}: no base"]
    yard.company.proposed_base(pile)
    (task,) = tasks(yard)
    assert task.words == f"{pile.code}: base v1 waits for approval"
    assert task.link.endswith("#bases")


def test_nothing_of_another_organization(yard: Yard, cast: Any) -> None:
    yard.computed()
    raise_due(timezone.now())
    theirs = cast.outsider
    assert tasks_of(theirs, cast.b.organization, stock_now(theirs)) == []
