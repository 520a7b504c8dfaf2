"""Pages after years of months: as many queries as after a month, and light enough for a phone in a yard."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from inventory.models import Membership, Role
from tests.api.urltable import routes
from tests.cast import Cast, person
from tests.pages.ten_years import Years, years_behind

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

LIGHT = 300_000
"""Bytes of a page with its styles and scripts, before the chart library."""

ASSET = re.compile(r'(?:href|src)="/static/([^"]+\.(?:css|js|svg))"')
Doors = Callable[[Any], Client]


@pytest.fixture
def companies(cast: Cast) -> Cast:
    """Both organizations with one person who holds every role."""
    for company in (cast.a, cast.b):
        for role in ("accountant", "controller"):
            if role not in company.people:
                company.people[role] = person(f"other-{role}", company.organization, role)
        for role in set(Role) - {Role.AUDITOR}:
            Membership.objects.get_or_create(
                user=company.manager, organization=company.organization, role=role
            )
    return cast


def pages(browser: Client, years: Years) -> Iterator[tuple[str, str]]:
    """(route, address) of every whole page that answers."""
    for route in routes():
        if route.template.startswith("api/") or any(each not in years.values for each in route.parameters):
            continue
        for address in route.addresses(years.values):
            answer = browser.get(address)
            if answer.status_code == 200 and b"<html" in answer.content:
                yield f"{route.template} {address.count('2024-12')}", address


def questions(browser: Client, years: Years) -> dict[str, int]:
    found = {}
    for route, address in list(pages(browser, years)):
        cache.clear()
        with CaptureQueriesContext(connection) as asked:
            browser.get(address)
        found[route] = len(asked)
    return found


def weight_of(answer: Any) -> int:
    """Bytes of the page and of every style, script and picture it names, each once, not compressed."""
    body = answer.content.decode()
    files = {finders.find(name) for name in ASSET.findall(body)}
    assert None not in files
    return len(answer.content) + sum(Path(file).stat().st_size for file in files)


def test_years_ask_no_more_questions_than_a_month(companies: Cast, as_: Doors) -> None:
    few = questions(as_(companies.a.manager), years_behind(companies.a, 3, 2))
    many = questions(as_(companies.b.manager), years_behind(companies.b, 9, 14))
    assert len(few) > 30
    more = {route: (few.get(route), n) for route, n in many.items() if n > few.get(route, 0)}
    assert not more


def test_pages_of_forty_piles_are_light(companies: Cast, as_: Doors) -> None:
    browser = as_(companies.a.manager)
    years = years_behind(companies.a, 40, 14)
    heavy = {}
    for _, address in pages(browser, years):
        weight = weight_of(browser.get(address))
        if weight > LIGHT:
            heavy[address] = weight
    assert not heavy
