"""Tonnes over the months are what the stock page would have said on each of those days."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import counting, piles
from inventory.models import Material
from inventory.stock import stock_now, tonnes_on

pytestmark = pytest.mark.django_db

DAYS = [dt.date(2025, month, 1) - dt.timedelta(days=1) for month in range(2, 9)]


@pytest.fixture
def history(company):
    """Half a year of counts: a pile that moves, one without a density, a count that was withdrawn."""
    site, quay = company.site("DRV"), company.site("TUL")
    stone, sand = company.material("M3"), company.material("M5")
    record = company.density(stone, "1.4")
    one, two = company.pile(site, stone, "DRV-01"), company.pile(site, stone, "DRV-02")
    for month, volume in ((2, "1000"), (4, "1250"), (6, "900")):
        company.count(one, dt.date(2025, month, 20), volume, record=record)
    company.count(two, dt.date(2025, 3, 1), "300", record=record)
    piles.move_pile(
        two,
        site=quay,
        code="TUL-07",
        name="Moved",
        on=dt.date(2025, 5, 10),
        by=company.manager,
        reason="space",
    )
    bare = company.pile(site, sand, "DRV-03")
    company.count(bare, dt.date(2025, 3, 15), "500")
    wrong = company.count(one, dt.date(2025, 7, 2), "99999", record=record)
    counting.withdraw_stock_count(wrong.evidence_ref, by=company.lead_surveyor, reason="wrong pile")
    return company


def test_each_month_is_what_stock_now_said_then(history):
    found = tonnes_on(history.manager, history.organization, DAYS)
    stone, sand = (Material.objects.get(code=code).pk for code in ("M3", "M5"))
    for index, day in enumerate(DAYS):
        groups = {roll.key.pk: roll for roll in stock_now(history.manager, on=day).by_material()}
        assert found[stone][index] == groups[stone].total.tonnes, day
        assert found[sand][index] is None
    # By hand: 1.4 × (nothing, 1000, 1000 + 300, 1250 + 300, the same moved, 900 + 300, the same).
    volumes = [None, 1000, 1300, 1550, 1550, 1200, 1200]
    assert found[stone] == [None if v is None else v * Decimal("1.4") for v in volumes]


def test_the_history_asks_the_database_no_more(history):
    with CaptureQueriesContext(connection) as few:
        tonnes_on(history.manager, history.organization, DAYS)
    wanted = len(few.captured_queries)
    record = history.organization.densities.first()
    pile = history.pile(history.organization.sites.get(code="DRV"), record.material, "DRV-08")
    for day in range(1, 20):
        history.count(pile, dt.date(2025, 6, day), "10", record=record)
    with CaptureQueriesContext(connection) as many:
        tonnes_on(history.manager, history.organization, DAYS)
    assert len(many.captured_queries) == wanted == 4


def test_nobody_else_sees_it(history, cast):
    assert tonnes_on(cast.outsider, history.organization, DAYS) == {}
