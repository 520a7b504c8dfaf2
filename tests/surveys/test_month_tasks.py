"""A survey that nobody signed keeps its month from being reconciled."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory import closing, periods
from inventory.errors import PeriodBlocked
from surveys import review
from surveys.month_tasks import unsigned_measurements
from tests.surveys.scene import DAY, Yard, heap


@pytest.fixture
def june(yard: Yard):
    return periods.open_period(yard.site, DAY, yard.company.accountant)


def test_a_computed_measurement_waits_for_its_signature(yard, june):
    measurement = yard.computed()
    (task,) = unsigned_measurements(june)
    assert task.subject == f"measurement:{measurement.pk}"
    assert f"of pile {yard.pile.code} on {DAY} is computed" in task.message
    closing.start_counting(june, yard.company.manager)
    with pytest.raises(PeriodBlocked) as refused:
        closing.reconcile(june, yard.company.accountant)
    assert "unsigned" in [problem["field"] for problem in refused.value.problems]
    review.withdraw(measurement, yard.surveyor, "shot the wrong heap")
    assert list(unsigned_measurements(june)) == []


def test_an_approved_one_and_one_of_another_month_do_not(yard, june):
    yard.approved()
    assert list(unsigned_measurements(june)) == []
    july = periods.open_period(yard.site, DAY + dt.timedelta(days=1), yard.company.accountant)
    assert list(unsigned_measurements(july)) == []


def test_a_correction_that_waits_is_told_by_its_version(yard, june):
    yard.correction(yard.approved(), heap(6.0))
    (task,) = unsigned_measurements(june)
    assert "Version 2" in task.message
