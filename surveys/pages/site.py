"""A site: its plan to scale, its piles, the rhythm of its surveys, its control."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
from django.core.cache import cache
from django.core.paginator import Paginator
from django.db.models import Count, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_GET

from inventory.due import survey_due
from inventory.models import Pile, Site
from surveys.drawings.section import Ruler
from surveys.drawings.siteplan import Outline, SiteSheet, site_plan
from surveys.due_alerts import with_last_survey
from surveys.models import ControlPoint, Measurement, State, Survey
from surveys.pages.access import member_page, show, site_or_404
from surveys.pages.attention import tasks_of
from surveys.pages.figures import Units, figure
from surveys.pages.geometry import places_of_shots
from surveys.pages.stock import stock_of, yards_of
from surveys.pages.wording import day, natural

SURVEYS_SHOWN = 8
SURVEYS_A_PAGE = 30
VISIT_SHOTS_DRAWN = 4000
SHOTS_KEPT_S = 24 * 3600


@require_GET
@member_page
def sites_page(request: HttpRequest) -> HttpResponse:
    sites = Site.objects.for_user(request.user).filter(organization=request.standing.organization)
    counted = sites.annotate(piles_n=Count("piles", filter=Q(piles__closed_on__isnull=True))).order_by("code")
    page = Paginator(counted, SURVEYS_A_PAGE).get_page(request.GET.get("page"))
    return show(request, "pages/sites.html", {"here": "sites", "page": page})


@require_GET
@member_page
def site_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    now = timezone.now()
    today = site.date_of(now)
    stock = stock_of(request, site)
    yards, scale = yards_of(request, stock)
    surveys = list(_surveys(request, site)[:SURVEYS_SHOWN])
    visited = next((s for s in surveys if s.approved_n or s.waiting_n), None)
    control = sorted(_control(site, today), key=lambda point: natural(point.name))
    last = with_last_survey([site])
    context = {
        "site": site,
        "units": Units.of(site),
        "today": today,
        "yard": yards[0] if yards else None,
        "scale": scale,
        "surveys": surveys,
        "visited": visited,
        "due": survey_due(site, last[0][1], now, since=last[0][2]) if last else None,
        "control": control,
        "proposed_control": ControlPoint.objects.filter(site=site, approval="proposed").order_by("name"),
        "closed": Pile.objects.for_user(request.user)
        .filter(site=site, closed_on__lte=today)
        .select_related("material"),
        "tasks": tasks_of(request.user, site.organization, stock, site),
        "drawing": _drawing(request, site, stock, control, visited),
        "can": {
            action: request.standing.can(action)
            for action in ("upload_survey", "keep_piles", "keep_sites", "propose_control", "approve_control")
        },
    }
    return show(request, "pages/site.html", context)


@require_GET
@member_page
def surveys_page(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    page = Paginator(_surveys(request, site), SURVEYS_A_PAGE).get_page(request.GET.get("page"))
    return show(request, "pages/surveys.html", {"site": site, "page": page})


def _surveys(request: HttpRequest, site: Site) -> QuerySet[Survey]:
    """Surveys of the site, the newest first, with how many piles of each stand where."""
    live = ~Q(measurements__state__in=[State.WITHDRAWN, State.SUPERSEDED, State.REJECTED])

    def piles(*states: str) -> Count:
        return Count("measurements__pile", filter=live & Q(measurements__state__in=states), distinct=True)

    return (
        Survey.objects.for_user(request.user)
        .filter(site=site)
        .select_related("prepared_by")
        .annotate(
            approved_n=piles(State.APPROVED),
            waiting_n=piles(State.COMPUTED, State.REVIEWED),
            unmeasured_n=piles(State.DRAFT),
        )
        .order_by("-surveyed_on", "-pk")
    )


def _control(site: Site, today: Any) -> QuerySet[ControlPoint]:
    return ControlPoint.objects.filter(site=site).in_force_on(today).order_by("name")


def _drawing(
    request: HttpRequest, site: Site, stock: Any, control: list[Any], survey: Survey | None
) -> SafeString:
    """The plan of the yard; empty where no pile has an outline yet."""
    units = Units.of(site)
    outlines = []
    for each in stock.piles:
        if each.pile.outline:
            total = each.total
            said = (
                figure(total.tonnes, total.tonnes_u95_t, "mass", units) if total.tonnes is not None else None
            )
            words = (
                f"{said.value} {said.unit}" if said else ("no density" if each.counts else "not yet measured")
            )
            outlines.append(
                Outline(
                    each.pile.code,
                    np.array(each.pile.outline, dtype=float),
                    words,
                    reverse("pile", args=[site.code, each.pile.code]),
                    "measured" if each.counts else "unmeasured",
                )
            )
    if not outlines:
        return SafeString("")
    places = {point.name: (float(point.easting_m), float(point.northing_m)) for point in control}
    sheet = SiteSheet(outlines, places, _visit_shots(request, survey) if survey else None)
    ruler = Ruler(1.0 / units.shown(1.0, "length"), units.symbol("length"))
    name = f"Plan of {site.name}" + (f" with the shots of {day(survey.surveyed_on)}" if survey else "")
    return mark_safe(site_plan(sheet, ruler=ruler, name=name))  # noqa: S308  built and escaped by the drawing


def _visit_shots(request: HttpRequest, survey: Survey) -> Any:
    """Where the crew of the last survey shot, site frame; thinned evenly where there are very many."""
    seen = Measurement.objects.for_user(request.user).filter(survey=survey).exclude(geometry_path="")
    read = ("geometry_path", "geometry_sha256", "surveyed_on", "pile__code", "pile__name", "version")
    rows = list(seen.exclude(state=State.WITHDRAWN).select_related("pile").only(*read))
    if not rows:
        return None
    # Geometry is named by its hash: what was gathered of the same geometry is the same.
    hashes = "".join(sorted(row.geometry_sha256 for row in rows))
    key = f"visit-shots-{hashlib.sha256(hashes.encode()).hexdigest()}"
    return cache.get_or_set(key, lambda: _places_of(rows), SHOTS_KEPT_S)


def _places_of(rows: list[Measurement]) -> Any:
    places = [places for row in rows if (places := places_of_shots(row)) is not None]
    if not places:
        return None
    shots = np.unique(np.vstack(places), axis=0)
    return shots[:: max(1, len(shots) // VISIT_SHOTS_DRAWN)]
