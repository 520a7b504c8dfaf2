"""Thresholds by date: the default, the company's, the site's."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory.errors import AcrossOrganizations, BadEntry, NotAllowed
from inventory.models import AuditEvent
from inventory.policy import DEFAULTS, Thresholds, set_policy, thresholds_of

DAY = dt.date(2025, 6, 1)


def test_the_defaults_hold_until_somebody_sets_something(company):
    assert thresholds_of(company.site(), DAY) == Thresholds()


def test_a_site_stands_over_its_company_and_a_later_day_over_an_earlier_one(company):
    site, other = company.site(), company.site("OTH")
    given = {"by": company.controller, "reason": "board decision"}
    set_policy(company.organization, {"materiality": "500", "run_length": 5}, valid_from=DAY, **given)
    set_policy(company.organization, {"materiality": 900}, valid_from=DAY, site=site, **given)
    set_policy(company.organization, {"run_length": 6}, valid_from=DAY + dt.timedelta(days=30), **given)
    assert thresholds_of(site, DAY - dt.timedelta(days=1)) == Thresholds()
    mine = thresholds_of(site, DAY)
    assert (mine.materiality, mine.run_length) == (Decimal(900), 5)
    assert thresholds_of(other, DAY).materiality == Decimal(500)
    later = thresholds_of(other, DAY + dt.timedelta(days=30))
    assert (later.materiality, later.run_length) == (DEFAULTS["materiality"], 6)
    assert AuditEvent.objects.filter(verb="set_policy").count() == 3


def test_natural_loss_is_by_material(company):
    site = company.site()
    table = {"natural_loss_percent": {"M8": "1.2"}}
    set_policy(company.organization, table, valid_from=DAY, by=company.controller, reason="chips dry out")
    assert thresholds_of(site, DAY).loss_percent_of("M8") == Decimal("1.2")
    assert thresholds_of(site, DAY).loss_percent_of("M2") == 0


@pytest.mark.parametrize(
    "wrong",
    [
        {"no_such": 1},
        {"run_length": 2},
        {"run_length": "4.5"},
        {"materiality": "a lot"},
        {"materiality": "NaN"},
        {"year_end_month": 13},
        {"natural_loss_percent": 3},
        {"natural_loss_percent": {"M8": 101}},
    ],
)
def test_what_cannot_be_a_threshold_is_refused(company, wrong):
    with pytest.raises(BadEntry):
        set_policy(company.organization, wrong, valid_from=DAY, by=company.controller, reason="x")


def test_only_a_controller_sets_it_and_only_for_their_own(cast):
    company = cast.a
    with pytest.raises(NotAllowed):
        set_policy(company.organization, {}, valid_from=DAY, by=company.accountant, reason="x")
    with pytest.raises(AcrossOrganizations):
        set_policy(
            company.organization, {}, valid_from=DAY, by=company.controller, reason="x", site=cast.b.site()
        )
