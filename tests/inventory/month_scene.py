"""What month end has of one pile: an explanation, an adjustment, a policy, a restatement asked for."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from inventory import adjusting, explaining, periods, policy
from inventory.models import Pile, Restatement
from tests.cast import Company


def rows_of_months(company: Company, pile: Pile, day: dt.date) -> dict[str, list[Any]]:
    """Ids of them by the parameters of the addresses; the restatement is of a month that is open, past the
    verb, so that nothing has to be locked for it."""
    period = periods.open_period(pile.site, day, company.accountant)
    explaining.explain(period, pile, "two lorries left over the unmanned gate", company.surveyor)
    adjustment = adjusting.propose_adjustment(
        period,
        pile,
        tonnes="-3.250",
        nature="loss",
        reason_code="override",
        reason="washed into the settling pond",
        by=company.accountant,
    )
    policy.set_policy(
        company.organization,
        {"run_length": 5},
        valid_from=day,
        reason="the board of spring wants longer runs",
        by=company.controller,
    )
    restatement = Restatement.objects.create(
        period=period,
        reason="the pole was entered too short by the crew",
        asked_by=company.accountant,
        asked_role="accountant",
        asked_at=timezone.now(),
    )
    return {"adjustment_id": [adjustment.pk], "restatement_id": [restatement.pk]}
