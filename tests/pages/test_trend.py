"""The small line of the stock page: from zero, with gaps, and readable without eyes."""

from __future__ import annotations

import datetime as dt
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from surveys.drawings.trend import HEIGHT, PAD, month_ends, runs, trend
from tests.surveys.scene import Yard, heap


def points(svg: str) -> list[list[tuple[float, float]]]:
    lines = re.findall(r'd="M([^"]+)" class="trend-line"', svg)
    return [[tuple(map(float, pair.split())) for pair in line.split("L")] for line in lines]


def test_the_months_end_where_they_end():
    ends = month_ends(dt.date(2024, 3, 31), 3)
    assert ends == [dt.date(2023, 12, 31), dt.date(2024, 1, 31), dt.date(2024, 2, 29), dt.date(2024, 3, 31)]
    assert month_ends(dt.date(2025, 1, 1), 1) == [dt.date(2024, 12, 31), dt.date(2025, 1, 1)]


def test_heights_stand_on_zero_in_proportion():
    days = month_ends(dt.date(2025, 7, 1), 3)
    (line,) = points(trend([50.0, 100.0, 75.0, 0.0], days, "Sand, t"))
    room = HEIGHT - 2 * PAD
    assert [round((HEIGHT - PAD - y) / room, 4) for _, y in line] == [0.5, 1.0, 0.75, 0.0]
    assert [x for x, _ in line] == sorted(x for x, _ in line)


def test_an_unknown_month_is_a_gap_and_not_a_zero():
    assert runs([None, 1.0, 2.0, None, 3.0, 4.0, None, 5.0]) == [[1, 2], [4, 5]]
    svg = trend([1.0, 2.0, None, 4.0], month_ends(dt.date(2025, 7, 1), 3), "Sand, t")
    assert len(points(svg)) == 1
    name = ElementTree.fromstring(svg).get("aria-label")
    assert name == "Sand, t: Apr 2025: 1; May 2025: 2; Jul 2025: 4"


def test_a_stock_below_its_base_goes_under_the_line():
    svg = trend([-1.0, 1.0], month_ends(dt.date(2025, 7, 1), 1), "Sand, t")
    (line,) = points(svg)
    zero = float(re.search(r'd="M3 ([\d.]+)H', svg)[1])
    assert line[0][1] > zero > line[1][1]


@pytest.mark.django_db
def test_the_stock_page_draws_it(yard: Yard, as_: Callable[[Any], Client]) -> None:
    today = dt.datetime.now(dt.UTC).date()
    yard.approved(heap(5.0), today - dt.timedelta(days=70))
    yard.approved(heap(6.0), today - dt.timedelta(days=1))
    page = as_(yard.company.manager).get("/").content.decode()
    assert page.count('class="trend-line"') == 1
    assert 'aria-label="Crushed stone 4/10, t: ' in page
