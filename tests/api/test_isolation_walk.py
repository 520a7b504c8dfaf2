"""Two ordinary users of two organizations never see or touch each other's things, on any address."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client
from knox.models import AuthToken

from inventory import places
from tests.api.intruder import Intruder
from tests.api.urltable import routes
from tests.cast import Cast
from tests.inventory.money_scene import rows_of_money
from tests.inventory.month_scene import rows_of_months
from tests.inventory.yardbook import rows_of_movements
from tests.surveys.book_scene import book as field_book
from tests.surveys.book_scene import known, received
from tests.surveys.outlook_scene import rows_of_outlook
from tests.surveys.scene import Yard, heap
from tests.surveys.yards_scene import rows_of_yards

pytestmark = pytest.mark.slow

NEUTRAL: dict[str, list[Any]] = {
    "uid": ["MQ"],
    "token": ["abc-def"],
    "step": ["approve", "withdraw", "submit", "review", "send_back"],
    "part": ["surface.ply", "vertices.csv", "contours.geojson"],
    "form": ["csv", "xlsx"],
    "period": ["2025-06"],
    "month": ["2025-06"],
    "year": [2025],
}
"""Parameters that name no thing of anybody."""


@pytest.fixture
def others(cast: Cast) -> Cast:
    """The other organization has things of its own, with codes of its own."""
    site, material = cast.b.site("BRN", name="Brin Wharf"), cast.b.material("B7", "Rinsed grit 2/5")
    pile = cast.b.pile(site, material)
    cast.b.base(pile)
    cast.b.density(material, "1.5")
    return cast


@pytest.fixture
def values(yard: Yard, others: Cast) -> dict[str, list[Any]]:
    """What the parameters of the addresses name, out of the things of the first organization."""
    # The plain name stands as an example beside an empty form, so it would tell nothing.
    places.rename_material(yard.pile.material, "Ashmarl crushed stone 4/10", by=yard.company.manager)
    approved = yard.approved()
    yard.correction(approved, heap(6.0))
    yard.company.proposed_base(yard.pile, valid_from=approved.surveyed_on)
    proposed = yard.company.proposed_density(yard.pile.material, pile=yard.pile)
    token, _ = AuthToken.objects.create(user=yard.surveyor)
    marks = known(yard)
    book = received(yard, field_book(), approved.surveyed_on - dt.timedelta(days=1))
    yard.survey(approved.surveyed_on, note="wind from the quarry face, dust on the prism")
    return {
        "code": [yard.site.code, yard.pile.material.code],
        "pile": [yard.pile.code],
        "version": list(yard.pile.bases.values_list("version", flat=True)),
        "site_id": [yard.site.pk],
        "material_id": [yard.pile.material_id],
        "density_id": [proposed.pk],
        "pile_id": [yard.pile.pk],
        "base_id": [yard.pile.bases.first().pk],
        "survey_id": [approved.survey_id, book.survey_id],
        "file_id": [*approved.survey.files.values_list("pk", flat=True), book.pk],
        "measurement_id": list(yard.pile.measurements.values_list("pk", flat=True)),
        "token_key": [token.token_key],
        "digest": [approved.digest],
        "control_id": [point.pk for point in marks],
        "person_id": [yard.surveyor.pk, yard.company.manager.pk],
        "reduction_id": list(book.reductions.values_list("pk", flat=True)),
        **rows_of_outlook(yard.company, yard.pile),
        **rows_of_yards(yard.company, yard.pile),
        **rows_of_movements(yard.company, yard.pile),
        **money_of(yard, approved.surveyed_on),
        **rows_of_months(yard.company, yard.pile, approved.surveyed_on),
    }


def money_of(yard: Yard, day: dt.date) -> dict[str, list[Any]]:
    """What money has, less the names of months and years, which are nobody's."""
    rows = rows_of_money(yard.company, yard.pile, day)
    return {name: rows[name] for name in rows if name not in NEUTRAL}


@pytest.fixture
def intruder(values: dict[str, list[Any]], others: Cast) -> Intruder:
    cache.clear()
    return Intruder(others.outsider, others.a.organization, others.b.organization, values, NEUTRAL)


def test_no_address_lets_anything_through(intruder):
    table = routes()
    got_through = intruder.walk(table)
    assert not got_through, "\n".join(got_through)
    assert intruder.tried > 5 * len(table)


def test_the_addresses_lead_to_real_things(values, yard):
    """Otherwise 404 would prove nothing: for one of ours at least one way to fill each route is open."""
    shut = []
    for route in routes():
        if not any(name in values for name in route.parameters):
            continue
        statuses = set()
        for address in route.addresses(values | NEUTRAL):
            client = Client()
            client.force_login(yard.surveyor)
            statuses.add(client.get(address).status_code)
        if statuses <= {404}:
            shut.append(route.template)
    assert shut == []


@pytest.mark.urls("tests.api.leaky_urls")
def test_planted_leaks_are_found(intruder):
    planted = [route for route in routes() if route.template.startswith("planted/")]
    found = "\n".join(intruder.walk(planted))
    for leak in (
        "get /planted/one/",
        "get /planted/all/ tells",
        "planted/change/<int:pile_id>/ changed what is not theirs",
        "get /planted/exists/",
    ):
        assert leak in found
