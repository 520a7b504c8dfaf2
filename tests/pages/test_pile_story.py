"""The page of a pile's variance over its months, and the bridge of a density."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal

import pytest

from inventory import adjusting, closing, explaining
from surveys.drawings.variance import MonthOf, variance_chart
from tests.inventory.month_book import MonthBook

JANUARY, FEBRUARY = dt.date(2025, 1, 31), dt.date(2025, 2, 28)


@pytest.fixture
def book(company):
    """January counted 20 t high and posted, February 5 t low."""
    made = MonthBook(company)
    first = made.piles[0]
    made.count_all(JANUARY, 1020, 1000)
    period = made.reconcile(made.period())
    explaining.explain(period, first, "spillage swept up", company.accountant)
    proposed = made.propose(period, first, 20)
    adjusting.approve_adjustment(proposed, company.controller)
    adjusting.post_adjustment(proposed, company.accountant)
    made.lock(made.approve(closing.reconcile_again(period, company.accountant)))
    made.count_all(FEBRUARY, 1015, 1000)
    made.reconcile(made.period(dt.date(2025, 2, 1)))
    return made


def test_the_story_tells_each_month_and_what_was_posted(client, company, book, django_assert_max_num_queries):
    client.force_login(company.accountant)
    address = f"/sites/QRY/piles/{book.piles[0].code}/variance/"
    client.get(address)
    with django_assert_max_num_queries(16):
        page = client.get(address).content.decode()
    rows = re.findall(r"<tr><th scope=\"row\"><a [^>]*>(2025-\d\d).*?</tr>", page, re.S)
    assert rows == ["2025-02", "2025-01"]
    assert "spillage swept up" in page
    assert "+20.00 t, 100.00" in page
    february, january = re.findall(r"<tr><th scope.*?</tr>", page.split("<tbody>")[1], re.S)
    assert ">−5<" in february
    assert ">+20<" in january
    assert page.count('class="variance-dot"') == 2
    assert page.count('class="variance-posted"') == 1


def test_costs_are_for_those_who_see_money_and_nothing_for_strangers(client, cast, book):
    address = f"/sites/QRY/piles/{book.piles[0].code}/variance/"
    client.force_login(cast.a.surveyor)
    page = client.get(address).content.decode()
    assert "+20.00 t" in page
    assert "100.00" not in page
    client.force_login(cast.outsider)
    assert client.get(address).status_code == 404


def test_a_pile_without_a_reconciled_month_says_so(client, company):
    made = MonthBook(company)
    client.force_login(company.manager)
    page = client.get(f"/sites/QRY/piles/{made.piles[0].code}/variance/").content.decode()
    assert "No month with this pile has been reconciled yet" in page


def test_a_revised_density_shows_its_bridge(client, company, book):
    revised = company.density(
        book.material, "1.5", grade="A", reason="24 loads weighed out", valid_from=dt.date(2025, 3, 1)
    )
    client.force_login(company.accountant)
    page = client.get(f"/materials/{book.material.code}/").content.decode()
    assert f"Bridge to {revised.label}" in page
    # 1,015 t at 1.6 t/m³ are 634.375 m³, and 951.563 t at 1.5: 63.437 t less, at 5.00 a tonne.
    assert Decimal("1015") / Decimal("1.6") * Decimal("1.5") == Decimal("951.5625")
    assert "951.562" in page or "951.563" in page
    assert "-317.1" in page
    client.force_login(company.surveyor)
    assert "-317.1" not in client.get(f"/materials/{book.material.code}/").content.decode()


def test_the_chart_is_to_one_scale():
    """Three months: the height of a dot over the zero line is its variance, whatever the month."""
    months = [
        MonthOf("2025-01", 10.0, 2.0, 0.0),
        MonthOf("2025-02", -20.0, 2.0, -20.0),
        MonthOf("2025-03", None, None, 0.0),
    ]
    drawn = variance_chart(months, symbol="t", name="x")
    circles = re.findall(r"<circle [^>]*>", drawn)
    dots = [float(found[1]) for circle in circles if (found := re.search(r'cy="([\d.]+)"', circle))]
    (zero,) = [float(y) for y in re.findall(r'd="M[\d.]+ ([\d.]+)H[\d.]+" class="variance-zero"', drawn)]
    assert len(dots) == 2
    assert (zero - dots[0]) / (zero - dots[1]) == pytest.approx(-0.5, abs=0.02)
