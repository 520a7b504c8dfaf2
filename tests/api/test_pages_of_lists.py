"""Lists come by pages: each row once, also when rows arrive meanwhile, with a constant number of queries."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.api.calling import signed_in

pytestmark = pytest.mark.django_db


def test_each_row_comes_once_though_another_arrives(company):
    made = [company.material(f"M{n}", f"Grade {n}").pk for n in range(7)]
    caller = signed_in(company.manager)
    page = caller.ask("materials/", page_size=3).json()
    company.material("M99", "Came meanwhile")
    seen = [row["id"] for row in page["results"]]
    while page["next"]:
        page = caller.get(page["next"]).json()
        seen += [row["id"] for row in page["results"]]
    assert seen == sorted(made, reverse=True)


def test_a_page_has_an_upper_size(company):
    for n in range(3):
        company.material(f"M{n}", f"Grade {n}")
    assert len(signed_in(company.manager).ask("materials/", page_size=2).json()["results"]) == 2
    assert len(signed_in(company.manager).ask("materials/", page_size=0).json()["results"]) == 3


@pytest.mark.parametrize("address", ["piles/", "densities/", "stock-counts/", "stock/", "surveys/"])
def test_the_number_of_queries_does_not_grow(yard, address):
    caller = signed_in(yard.lead)

    def queries() -> int:
        with CaptureQueriesContext(connection) as taken:
            assert caller.ask(address).status_code == 200
        return len(taken)

    def fill(n: int) -> None:
        pile = yard.company.pile(yard.site, yard.pile.material, f"N{n}")
        record = yard.company.density(yard.pile.material, pile=pile)
        yard.company.count(pile, dt.date(2025, 3, n), record=record)
        yard.survey(dt.date(2025, 3, n))

    fill(1)
    before = queries()
    for n in range(2, 6):
        fill(n)
    assert queries() == before


def test_filters_narrow(yard):
    caller = signed_in(yard.lead)
    yard.computed()
    assert len(caller.ask("measurements/", state="computed").json()["results"]) == 1
    assert caller.ask("measurements/", state="approved").json()["results"] == []
    assert caller.ask("piles/", site=yard.site.pk + 1).json()["results"] == []
    assert len(caller.ask("piles/", code=yard.pile.code).json()["results"]) == 1
