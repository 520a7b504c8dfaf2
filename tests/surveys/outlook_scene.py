"""Rows of limits, hazards and alerts for tests that try every address."""

from __future__ import annotations

import datetime as dt
from typing import Any

from inventory import hazards, limits
from inventory.models import Limit, Pile, PileHazard
from surveys import alerts
from surveys.models import Alert
from tests.cast import OPENED_ON, Company

RAISED_AT = dt.datetime(2025, 7, 24, tzinfo=dt.UTC)


def limit_of(company: Company, pile: Pile, given: str = "5.2", **more: Any) -> Limit:
    """An approved height limit in metres unless said otherwise."""
    said = {
        "pile": pile,
        "quantity": "height",
        "operator": "max",
        "unit": "metre",
        "source": "Permit 7 of the fire officer",
        "consequence": "Tipping stops until the officer agrees.",
        "reason": "renewed every year",
        "valid_from": OPENED_ON,
        "by": company.surveyor,
        **more,
    }
    return limits.approve_limit(limits.propose_limit(site=pile.site, given=given, **said), company.manager)


def rows_of_outlook(company: Company, pile: Pile) -> dict[str, list[Any]]:
    """Parameter → ids: a limit in force and one proposed, a hazard, an alert owned and accepted."""
    kept = limit_of(company, pile)
    waiting = limits.propose_limit(
        site=pile.site,
        quantity="slope",
        operator="max",
        given="3",
        unit="horizontal-to-one",
        source="Grading plan of the yard",
        consequence="The face is trimmed.",
        reason="first grading plan",
        valid_from=OPENED_ON,
        by=company.surveyor,
    )
    hazard: PileHazard = hazards.record_hazard(pile, "feeder", "Feeder under the west third", company.manager)
    alert = Alert.objects.create(
        site=pile.site,
        pile=pile,
        kind=Alert.Kind.LIMIT_NEAR,
        subject=f"limit:{kept.pk}",
        message="Little room is left under the permitted height.",
        owner_role="manager",
        due_on=RAISED_AT.date(),
        raised_at=RAISED_AT,
    )
    alerts.own(alert, company.manager)
    return {"limit_id": [kept.pk, waiting.pk], "hazard_id": [hazard.pk], "alert_id": [alert.pk]}
