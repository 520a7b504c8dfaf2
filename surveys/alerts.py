"""Alerts: raised once while a thing stands, resolved when it is gone; taken on by one person, accepted for a
while with a reason.

An alert that stands is found again by site, pile, kind and subject, whatever its due date, so that a run of
the scheduler adds nothing and takes nothing away from who took it on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory.audit import record_event
from inventory.errors import BadEntry
from inventory.models import Pile, Site, User
from inventory.rights import require
from inventory.validity import required_text
from surveys.models import Alert

LONGEST_ACCEPTANCE = dt.timedelta(days=366)
Key = tuple[int, int | None, str, str]


@dataclass(frozen=True)
class Condition:
    """Something that stands now. `role` is who sees to it until a person takes it on."""

    site: Site
    pile: Pile | None
    kind: str
    subject: str
    role: str
    due_on: dt.date
    message: str

    @property
    def key(self) -> Key:
        return (self.site.pk, None if self.pile is None else self.pile.pk, self.kind, self.subject)


@transaction.atomic
def settle(
    conditions: Iterable[Condition], kinds: Iterable[str], sites: Iterable[Site], now: dt.datetime
) -> list[Alert]:
    """Make the open alerts of `kinds` at `sites` those of `conditions`; returns the ones newly raised.

    However often it runs, one thing has one open alert. Its words follow what is known now; its owner,
    due date and acceptance stay. A thing that comes back is raised again, without its old owner.
    """
    wanted = {condition.key: condition for condition in conditions}
    site_ids = [site.pk for site in sites]
    # Two runs of the scheduler stand in line, or both would raise the same thing.
    list(Site.objects.select_for_update().filter(pk__in=site_ids).order_by("pk").values_list("pk"))
    standing = Alert.objects.filter(site__in=site_ids, kind__in=list(kinds), resolved_at__isnull=True)
    for alert in standing:
        condition = wanted.pop((alert.site_id, alert.pile_id, alert.kind, alert.subject), None)
        if condition is None:
            alert.resolved_at = now
            alert.save(update_fields=["resolved_at"])
        elif alert.message != condition.message:
            alert.message = condition.message
            alert.save(update_fields=["message"])
    return [_raised(condition, now) for condition in wanted.values()]


def _raised(condition: Condition, now: dt.datetime) -> Alert:
    alert, _ = Alert.objects.update_or_create(
        site=condition.site,
        pile=condition.pile,
        kind=condition.kind,
        subject=condition.subject,
        due_on=condition.due_on,
        defaults={
            "message": condition.message,
            "owner_role": condition.role,
            "raised_at": now,
            "resolved_at": None,
            "owner": None,
            "owned_at": None,
            "accepted_by": None,
            "accepted_reason": "",
            "accepted_until": None,
        },
    )
    return alert


def standing(alerts: QuerySet[Alert], today: dt.date) -> QuerySet[Alert]:
    """Those that ask for somebody today: not resolved, and not accepted up to today or later."""
    return alerts.filter(
        Q(accepted_until__isnull=True) | Q(accepted_until__lt=today), resolved_at__isnull=True
    )


@transaction.atomic
def own(alert: Alert, by: User, person: User | None = None) -> Alert:
    """`person` (by default who asks) is its one owner from now on.

    Raises `NotAllowed`, and `BadEntry` for what is resolved or a person who may not own it.
    """
    alert = _held(alert)
    organization = alert.site.organization
    require(by, organization, "own_alert")
    person = person or by
    require(person, organization, "own_alert")
    alert.owner, alert.owned_at = person, timezone.now()
    alert.save(update_fields=["owner", "owned_at"])
    record_event(organization, by=by, verb="own_alert", subject=alert, detail=_detail(alert))
    return alert


@transaction.atomic
def accept(alert: Alert, by: User, until: dt.date, reason: str) -> Alert:
    """Live with it up to and on the day `until`, for a reason; then it stands again.

    Raises `NotAllowed`, `BadEntry`.
    """
    alert = _held(alert)
    require(by, alert.site.organization, "accept_alert")
    today = alert.site.date_of(timezone.now())
    if not today <= until <= today + LONGEST_ACCEPTANCE:
        raise BadEntry(
            f"until: {until} is not within a year from today. Nothing was changed.",
            where="until",
            remedy="Give a day up to which this is lived with; after it the alert stands again.",
        )
    alert.accepted_by, alert.accepted_until = by, until
    alert.accepted_reason = required_text(reason, "reason")
    alert.save(update_fields=["accepted_by", "accepted_until", "accepted_reason"])
    record_event(
        alert.site.organization,
        by=by,
        verb="accept_alert",
        subject=alert,
        detail={**_detail(alert), "until": until, "reason": alert.accepted_reason},
    )
    return alert


def _held(alert: Alert) -> Alert:
    row = Alert.objects.select_for_update(of=("self",)).select_related("site__organization", "pile")
    alert = row.get(pk=alert.pk)
    if alert.resolved_at is not None:
        raise BadEntry("This is settled already. Nothing was changed.", where="alert")
    return alert


def _detail(alert: Alert) -> dict[str, Any]:
    return {
        "kind": alert.kind,
        "site": alert.site.code,
        "pile": None if alert.pile is None else alert.pile.code,
        "owner": str(alert.owner) if alert.owner_id else None,
    }
