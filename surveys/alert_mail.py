"""Alerts by e-mail: plain text, one digest a person and organization, each alert once for each time it was
raised, to its owner or, while it has none, to those who hold its role."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.conf import settings
from django.core.mail import send_mail
from django.db import transaction
from django.urls import reverse

from inventory.models import Membership, Organization, User
from surveys.alerts import standing
from surveys.models import Alert, AlertMail
from surveys.pages.wording import day, plural

Digest = tuple[User, Organization, list[Alert]]


def send_digests(now: dt.datetime) -> int:
    """Send what was not sent yet; returns how many. A failure leaves the rest for the next run."""
    sent = 0
    for person, organization, alerts in digests(now):
        with transaction.atomic():
            # In one transaction with the sending: what could not be sent is not called sent.
            AlertMail.objects.bulk_create(
                AlertMail(alert=alert, to=person, raised_at=alert.raised_at, sent_at=now) for alert in alerts
            )
            send_mail(subject(organization, alerts), body(organization, alerts), None, [person.email])
        sent += 1
    return sent


def digests(now: dt.datetime) -> list[Digest]:
    """(person, organization, alerts not yet told to them), the earliest due date first."""
    rows = standing(Alert.objects.all(), now.date()).select_related("site__organization", "pile", "owner")
    open_alerts = list(rows.order_by("due_on", "pk"))
    told = set(AlertMail.objects.filter(alert__in=open_alerts).values_list("alert", "to", "raised_at"))
    holders = _holders({alert.site.organization_id for alert in open_alerts}, now.date())
    found: dict[tuple[int, int], Digest] = {}
    for alert in open_alerts:
        organization = alert.site.organization
        for person in _recipients(alert, holders):
            if person.email and (alert.pk, person.pk, alert.raised_at) not in told:
                key = (person.pk, organization.pk)
                found.setdefault(key, (person, organization, []))[2].append(alert)
    return [found[key] for key in sorted(found)]


def _recipients(alert: Alert, holders: dict[tuple[int, str], list[User]]) -> Iterable[User]:
    in_force = holders.get((alert.site.organization_id, alert.owner_role), [])
    if alert.owner_id is None:
        return in_force
    everybody = {
        p.pk for (org, _), people in holders.items() if org == alert.site.organization_id for p in people
    }
    # An owner who left the organization is told nothing more: the role hears of it again.
    return [alert.owner] if alert.owner_id in everybody else in_force


def _holders(organizations: set[int], today: dt.date) -> dict[tuple[int, str], list[User]]:
    rows = Membership.objects.filter(organization__in=organizations, user__is_active=True)
    found: dict[tuple[int, str], list[User]] = {}
    for row in rows.select_related("user").order_by("user_id", "pk"):
        if row.ends_on is None or row.ends_on > today:
            found.setdefault((row.organization_id, row.role), []).append(row.user)
    return found


def subject(organization: Organization, alerts: list[Alert]) -> str:
    return f"{organization.name}: {plural(len(alerts), 'thing')} to be seen to".replace("\u00a0", " ")


def body(organization: Organization, alerts: list[Alert]) -> str:
    lines = [f"{organization.name}. To be seen to, the earliest due first:", ""]
    for alert in alerts:
        place = alert.site.name if alert.pile is None else f"{alert.site.name}, {alert.pile.code}"
        yours = "yours" if alert.owner_id else "nobody's yet"
        lines += [
            f"- {place}: {alert.get_kind_display()}, by {day(alert.due_on)} ({yours})",
            f"  {alert.message}",
            "",
        ]
    lines += [f"Take on or accept: {settings.PUBLIC_ADDRESS.rstrip('/')}{reverse('alerts')}", ""]
    return "\n".join(lines).replace("\u00a0", " ")
