"""Where is this from? One figure unfolded to field shots and hashes."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from inventory.models import PeriodLine, StockCount
from surveys.pages.access import enter, member_page, show
from surveys.pages.figures import SI
from surveys.trail import trail_of_count, trail_of_line


@require_GET
@member_page
def count_trail(request: HttpRequest, count_id: int) -> HttpResponse:
    """From a count to its measurement, its files, its shots, and the months it was used in."""
    counts = StockCount.objects.for_user(request.user).select_related(
        "pile__site__organization", "pile__material", "density", "base", "recorded_by"
    )
    count = get_object_or_404(counts, pk=count_id)
    enter(request, count.pile.site.organization)
    context = {
        "here": "trail",
        "site": count.pile.site,
        "trail": trail_of_count(count),
        "count": count,
        "units": SI,
        "zone": count.pile.site.timezone,
    }
    return show(request, "pages/trail_count.html", context)


@require_GET
@member_page
def line_trail(request: HttpRequest, code: str, month: str, pile: str) -> HttpResponse:
    """From a pile's month to its movements, its count, its adjustments and who signed."""
    lines = PeriodLine.objects.for_user(request.user).select_related(
        "period__site__organization", "pile__material", "pile__owner", "count__density"
    )
    line = get_object_or_404(
        lines,
        period__site__organization=request.standing.organization,
        period__site__code=code,
        period__name=month,
        pile__code=pile,
    )
    context = {
        "here": "trail",
        "site": line.period.site,
        "line": line,
        "trail": trail_of_line(line),
        "sees_money": request.standing.can("see_money"),
        "units": SI,
        "zone": line.period.site.timezone,
    }
    return show(request, "pages/trail_line.html", context)
