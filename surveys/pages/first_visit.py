"""First visit of an organization without a figure: three steps to a measured pile, with a sample file."""

from __future__ import annotations

import math

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_GET

from inventory.models import Material, Pile, Site
from surveys.models import Measurement, Survey
from surveys.pages.access import member_page, show

CENTRE_EASTING_M, CENTRE_NORTHING_M, PAD_M = 1040.0, 1030.0, 100.0
TOE_RADIUS_M, CREST_RADIUS_M, HEIGHT_M = 14.0, 6.0, 5.6
SAMPLE_NAME = "sample-pile.csv"


def page(request: HttpRequest) -> HttpResponse:
    """The page in place of an empty stock table. Steps done are ticked, the next one has its button."""
    organization = request.standing.organization
    sites = list(Site.objects.for_user(request.user).filter(organization=organization).order_by("pk"))
    piles = Pile.objects.for_user(request.user).filter(site__organization=organization)
    pile = piles.select_related("site", "material").order_by("pk").first()
    surveys = Survey.objects.for_user(request.user).filter(site__organization=organization)
    measured = Measurement.objects.for_user(request.user).filter(survey__site__organization=organization)
    context = {
        "here": "stock",
        "sample_shots": sample_csv().count("\n") - 1,
        "sites_there": sites,
        "pile_there": pile,
        "base_there": pile.bases.order_by("pk").first() if pile else None,
        "material_there": Material.objects.for_user(request.user).filter(organization=organization).exists(),
        "survey_there": surveys.select_related("site").first(),
        "measured_there": measured.filter(net_m3__isnull=False).order_by("-pk").first(),
    }
    return show(request, "pages/first_visit.html", context)


@require_GET
@member_page
def sample_file(request: HttpRequest) -> HttpResponse:
    response = HttpResponse(sample_csv(), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{SAMPLE_NAME}"'
    return response


def sample_csv() -> str:
    """Shots of an invented round heap with a flat top on a level pad: 24 toe, 12 crest, spots, one check.

    Coded as a crew would code them; metres, with a header, point by point the same on every download.
    """
    lines = ["point,northing,easting,elevation,code,note"]

    def shot(easting: float, northing: float, elevation: float, code: str, note: str = "") -> None:
        lines.append(f"{len(lines)},{northing:.3f},{easting:.3f},{elevation:.3f},{code},{note}")

    def ring(radius: float, count: int, height: float, code: str) -> None:
        for index in range(count):
            turn = 2 * math.pi * index / count
            wobble = 1 + 0.04 * math.sin(3 * turn) + 0.03 * math.cos(5 * turn)
            shot(
                CENTRE_EASTING_M + 1.3 * radius * wobble * math.cos(turn),
                CENTRE_NORTHING_M + radius * wobble * math.sin(turn),
                PAD_M + height + 0.02 * math.sin(7 * turn),
                code,
            )

    ring(TOE_RADIUS_M, 24, 0.0, "TOE")
    for share in (0.25, 0.5, 0.75):
        radius = TOE_RADIUS_M + share * (CREST_RADIUS_M - TOE_RADIUS_M)
        ring(radius, 16, share * HEIGHT_M, "SPT")
    ring(CREST_RADIUS_M, 12, HEIGHT_M, "CRS 1")
    ring(CREST_RADIUS_M / 2, 6, HEIGHT_M + 0.15, "SPT")
    shot(CENTRE_EASTING_M, CENTRE_NORTHING_M, PAD_M + HEIGHT_M + 0.2, "SPT")
    shot(CENTRE_EASTING_M - 30, CENTRE_NORTHING_M - 12, PAD_M + 0.35, "CHK", "back on station before leaving")
    return "\n".join(lines) + "\n"
