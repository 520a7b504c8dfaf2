"""Each alert with its one owner and its day; taking it on, living with it for a while."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET, require_POST

from inventory.errors import BadEntry
from inventory.models import User
from inventory.rights import ACTIONS
from surveys import alerts
from surveys.models import Alert
from surveys.pages.access import acted, member_page, show

WEIGHT = {
    Alert.Kind.LIMIT_OVER: "stop",
    Alert.Kind.STEEP_FACE: "stop",
    Alert.Kind.DENSITY_MISSING: "stop",
    Alert.Kind.NOT_REPRODUCIBLE: "stop",
    Alert.Kind.SURVEY_OVERDUE: "late",
    Alert.Kind.SURVEY_DUE: "open",
}
SETTLED_SHOWN = 20


@require_GET
@member_page
def alerts_page(request: HttpRequest) -> HttpResponse:
    organization, today = request.standing.organization, timezone.now().date()
    seen = (
        Alert.objects.for_user(request.user)
        .filter(site__organization=organization)
        .select_related("site", "pile__site", "owner", "accepted_by")
    )
    unsettled = seen.filter(resolved_at__isnull=True).order_by("due_on", "pk")
    asking = set(alerts.standing(seen, today).values_list("pk", flat=True))
    rows = [(alert, WEIGHT.get(alert.kind, "warn"), link_of(alert)) for alert in unsettled]
    context = {
        "here": "alerts",
        "today": today,
        "standing_rows": [row for row in rows if row[0].pk in asking],
        "accepted_rows": [row for row in rows if row[0].pk not in asking],
        "settled": seen.filter(resolved_at__isnull=False).order_by("-resolved_at", "-pk")[:SETTLED_SHOWN],
        "people": owners_of(organization),
        "can_own": request.standing.can("own_alert"),
        "can_accept": request.standing.can("accept_alert"),
        "in_a_month": today + dt.timedelta(days=30),
    }
    return show(request, "pages/alerts.html", context)


@require_POST
@member_page
def alert_step(request: HttpRequest, alert_id: int, step: str) -> HttpResponse:
    seen = Alert.objects.for_user(request.user).filter(site__organization=request.standing.organization)
    alert, back = get_object_or_404(seen, pk=alert_id), reverse("alerts")
    if step == "own":
        person = _person(request)
        done = f"It is now for {person or request.user}."
        return acted(request, lambda: alerts.own(alert, request.user, person), done, back)
    if step == "accept":
        return acted(request, lambda: _accept(request, alert), "Accepted until then.", back)
    raise Http404


def _accept(request: HttpRequest, alert: Alert) -> None:
    try:
        until = parse_date(request.POST.get("until", ""))
    except ValueError:
        until = None
    if until is None:
        raise BadEntry("until: no day was given. Nothing was changed.", where="until", remedy="Give a day.")
    alerts.accept(alert, request.user, until, request.POST.get("reason", ""))


def _person(request: HttpRequest) -> User | None:
    wanted = request.POST.get("person", "")
    people = {str(person.pk): person for person in owners_of(request.standing.organization)}
    if wanted and wanted not in people:
        raise Http404
    return people.get(wanted)


def owners_of(organization: Any) -> list[User]:
    """Who may own an alert there today, by name."""
    today = timezone.now().date()
    still = Q(memberships__ends_on__isnull=True) | Q(memberships__ends_on__gt=today)
    members = User.objects.filter(
        still,
        is_active=True,
        memberships__organization=organization,
        memberships__role__in=ACTIONS["own_alert"],
    )
    return sorted(set(members), key=str)


def link_of(alert: Alert) -> str:
    """The page where it can be settled."""
    kind, _, key = alert.subject.partition(":")
    if alert.kind in (Alert.Kind.LIMIT_NEAR, Alert.Kind.LIMIT_OVER):
        return reverse("limits")
    if alert.kind == Alert.Kind.MONTH_UNSIGNED:
        return reverse("months", args=[alert.site.code])
    if alert.kind == Alert.Kind.TICKETS_MISSING:
        return reverse("imports", args=[alert.site.code])
    if kind == "measurement":
        return reverse("measurement", args=[int(key)])
    if kind == "material":
        return reverse("materials")
    if alert.pile is not None:
        return reverse("pile", args=[alert.site.code, alert.pile.code])
    return reverse("site", args=[alert.site.code])
