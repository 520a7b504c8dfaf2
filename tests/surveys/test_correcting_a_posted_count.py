"""Before a correction is approved, its approver reads what it does to a month that used the old figure."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory import adjusting, closing, movements, periods
from inventory.models import Adjustment
from surveys import review
from tests.surveys.scene import DAY, heap, yard_of


@pytest.mark.django_db
def test_the_approver_is_told_what_a_correction_reverses(client, cast, evidence_store):
    company = cast.a
    yard = yard_of(company)
    first = yard.approved()
    for pile in (yard.pile, yard.neighbour):
        movements.record_opening(
            pile, quantity=5000, on=DAY.replace(day=1), by=company.accountant, note="carried over"
        )
    period = periods.open_period(yard.site, DAY, company.accountant)
    closing.start_counting(period, company.accountant)
    count = first.pile.counts.current().get()
    proposed = adjusting.propose_adjustment(
        period,
        yard.pile,
        tonnes=12,
        nature="estimate",
        reason_code="set-to-measured",
        reason="more lies there",
        by=company.accountant,
        count=count,
    )
    adjusting.approve_adjustment(proposed, company.controller)
    adjusting.post_adjustment(proposed, company.accountant)

    second = yard.review(yard.correction(first, heap(4.8), "the pole was read wrong"))
    client.force_login(yard.lead)
    page = client.get(f"/measurements/{second.pk}/").content.decode()
    assert f"You are correcting the approved {DAY:%Y-%m} certificate" in page
    assert "Proposed: reversing entry in the next open month, 12 t" in page
    review.approve(second, yard.lead)
    reversal = Adjustment.objects.get(reason_code="reversal")
    assert (reversal.tonnes, reversal.reverses) == (-12, proposed)
    assert "You are correcting" not in client.get(f"/measurements/{second.pk}/").content.decode()
    assert dt.date.today() > DAY  # noqa: DTZ011  the month is over, or it could not have been counted
