"""Surveys due and overdue, raised by each site's rhythm and resolved when a survey comes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db import transaction
from django.db.models import Max, Min, Q, QuerySet

from inventory import due
from inventory.models import Role, Site
from surveys.models import Alert, Measurement, State

MEASURED = (State.COMPUTED, State.REVIEWED, State.APPROVED, State.SUPERSEDED)
"""A survey has come when a pile of it has a figure; an opened survey without one has not."""

KIND_OF: dict[str, str] = {due.DUE: Alert.Kind.SURVEY_DUE, due.OVERDUE: Alert.Kind.SURVEY_OVERDUE}
OWNER_OF: dict[str, str] = {
    Alert.Kind.SURVEY_DUE: Role.SURVEYOR,
    Alert.Kind.SURVEY_OVERDUE: Role.LEAD_SURVEYOR,
}


def raise_due(now: dt.datetime, sites: Iterable[Site] | None = None) -> list[Alert]:
    """Bring the alerts of `sites` (all by default) up to the moment `now`; returns those newly raised.

    However often it runs, a site has one alert of a kind for one due date.
    """
    raised = []
    for site, last_on, since in with_last_survey(watched() if sites is None else sites):
        alert = look_at(site, due.survey_due(site, last_on, now, since=since), now)
        raised += [] if alert is None else [alert]
    return raised


def watched() -> QuerySet[Site]:
    """Sites with a rhythm, and those whose rhythm was taken away while an alert stood."""
    standing = Alert.objects.filter(resolved_at__isnull=True, kind__in=OWNER_OF)
    return Site.objects.filter(Q(survey_every_days__isnull=False) | Q(pk__in=standing.values("site")))


def watch_site_of(measurement_id: int, now: dt.datetime) -> None:
    """A figure has come: the site's alerts need not wait for the scheduler."""
    raise_due(now, Site.objects.filter(surveys__measurements=measurement_id))


def with_last_survey(sites: Iterable[Site]) -> list[tuple[Site, dt.date | None, dt.date]]:
    """(site, day of its last survey with a figure, day of its first pile) of each site that has piles."""
    keys = [site.pk for site in sites]
    figures: QuerySet[Measurement] = Measurement.objects.filter(
        survey__site__in=keys, state__in=MEASURED
    ).order_by()
    last = dict(figures.values_list("survey__site").annotate(last=Max("surveyed_on")))
    known = Site.objects.filter(pk__in=keys).annotate(since=Min("piles__opened_on")).order_by("pk")
    return [(site, last.get(site.pk), site.since) for site in known if site.since is not None]


@transaction.atomic
def look_at(site: Site, standing: due.Due, now: dt.datetime) -> Alert | None:
    """Resolve what no longer holds of one site and raise what does, once."""
    kind = KIND_OF.get(standing.state)
    unresolved = Alert.objects.filter(site=site, pile__isnull=True, resolved_at__isnull=True)
    holds = Q(kind=kind, due_on=standing.next_on) if kind else Q(pk__in=[])
    unresolved.filter(kind__in=OWNER_OF).exclude(holds).update(resolved_at=now)
    if kind is None:
        return None
    alert, is_new = Alert.objects.get_or_create(
        site=site,
        pile=None,
        kind=kind,
        due_on=standing.next_on,
        defaults={"message": words(site, standing), "owner_role": OWNER_OF[kind], "raised_at": now},
    )
    # The survey that resolved it was withdrawn: the old alert holds again.
    again = Alert.objects.filter(pk=alert.pk, resolved_at__isnull=False).update(
        resolved_at=None, raised_at=now
    )
    return alert if is_new or again else None


def words(site: Site, standing: due.Due) -> str:
    last = f"the last one is of {standing.last_on}" if standing.last_on else "there was none yet"
    rhythm = f"every {site.survey_every_days} days"
    if standing.state == due.OVERDUE:
        return f"{site.name}: a survey was due on {standing.next_on} ({rhythm}; {last})."
    return f"{site.name}: the next survey is due by {standing.next_on} ({rhythm}; {last})."
