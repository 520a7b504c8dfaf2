"""Every page of the URL table, with data, in a real browser: nothing against WCAG 2.2 AA that a program sees.

The addresses are those of the isolation walk, so that a page that is new there is audited without a line
here.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from inventory.models import Membership, Role
from tests.api.test_isolation_walk import NEUTRAL, others, values
from tests.api.urltable import routes
from tests.cast import Cast, found_cast
from tests.pages import audit
from tests.pages.test_browser import Visitor, visitor
from tests.surveys.scene import Yard, yard_of

__all__ = ["others", "values", "visitor"]

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

OF_EACH = 3
"""States of one kind of page that are looked at, such as an approved, a superseded and a new measurement."""


@pytest.fixture
def cast(transactional_db: None) -> Cast:
    return found_cast()


@pytest.fixture
def yard(cast: Cast) -> Yard:
    return yard_of(cast.a)


def pages_of(person: Any, values: dict[str, list[Any]]) -> list[str]:
    """Addresses that answer the person with a whole page."""
    client = Client()
    client.force_login(person)
    found = []
    for route in routes():
        if route.template.startswith("api/"):
            continue
        shown = 0
        for address in route.addresses(values | NEUTRAL):
            answer = client.get(address)
            is_page = answer.status_code == 200 and answer.headers["Content-Type"].startswith("text/html")
            if is_page and b"<html" in answer.content:
                found.append(address)
                shown += 1
            if shown == OF_EACH:
                break
    return found


def test_no_page_shuts_anybody_out(visitor: Visitor, yard: Yard, values: dict[str, list[Any]]) -> None:
    person = yard.company.lead_surveyor
    for role in set(Role) - {Role.LEAD_SURVEYOR, Role.AUDITOR}:
        Membership.objects.create(user=person, organization=yard.company.organization, role=role)
    places = pages_of(person, values)
    assert len(places) > 40
    visitor.sign_in(person)
    found = []
    for place in places:
        visitor.go(place)
        found += audit.violations(visitor.page, place)
    visitor.page.context.clear_cookies()
    for place in ("/sign-in/", "/sign-in/?next=/"):
        visitor.go(place)
        found += audit.violations(visitor.page, place)
    assert not found, f"{len(found)}:\n" + "\n".join(found)


def test_the_audit_sees_what_is_wrong(visitor: Visitor) -> None:
    """A page with one fault of each kind that we rely on."""
    visitor.go("/sign-in/")
    visitor.page.evaluate(
        """() => { document.querySelector('main').insertAdjacentHTML('beforeend', `
          <h5>Out of order</h5><input id="nameless"><svg role="img" width="40" height="40"></svg>
          <p id="faint">too faint to read</p><table><tr><th></th></tr><tr><td>1</td></tr></table>
          <p><a href="/1" id="small-1">1</a><a href="/2" id="small-2">2</a></p><p id="wide">wide</p>`);
          document.getElementById('faint').style.color = '#c9c9c0';
          document.getElementById('wide').style.width = '700px';
          for (const each of document.querySelectorAll('[id^=small]')) {
            each.style.display = 'inline-block'; each.style.width = '8px'; each.style.overflow = 'hidden';
            each.style.height = '8px'; } }"""
    )
    found = "\n".join(audit.violations(visitor.page, "planted"))
    for rule in (
        "heading-order",
        "label",
        "svg-img-alt",
        "color-contrast",
        "empty-table-header",
        "target-size",
        "(phone): ",
        "700px",
    ):
        assert rule in found, rule
