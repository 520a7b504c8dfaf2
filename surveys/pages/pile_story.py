"""The variance of one pile over its months: book beside measured, what it may be, what was posted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_GET

from inventory.models import Adjustment, Explanation, Period, PeriodLine, PileLineage
from inventory.quantity import convert
from inventory.sheet_lines import Line, read_line
from surveys.drawings.variance import MonthOf, variance_chart
from surveys.pages.access import member_page, pile_or_404, show
from surveys.pages.figures import Units
from surveys.pages.month_sheet import Row, Ruler

MONTHS_A_PAGE = 24


@dataclass(frozen=True)
class Told:
    """One month of the pile: its line as reconciled, and what people said and posted about it."""

    period: Period
    line: Line
    row: Row
    book: str
    measured: str
    increment: str
    said: tuple[Explanation, ...]
    adjustments: tuple[Adjustment, ...]


@require_GET
@member_page
def story_page(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """The last two years of reconciled months, newest first. Six queries, whatever the history."""
    found = pile_or_404(request, code, pile)
    kept = PeriodLine.objects.for_user(request.user).filter(pile=found)
    kept = kept.select_related("period", "count", "pile__material", "pile__owner")
    rows = list(kept.order_by("-period__starts_on")[:MONTHS_A_PAGE])
    units = Units.of(found.site)
    months = _told(rows, units)
    lineage = PileLineage.objects.for_user(request.user).filter(to_pile=found)
    context = {
        "site": found.site,
        "pile": found,
        "units": units,
        "months": months,
        "unit": units.symbol("mass"),
        "chart": _chart(months, units) if months else "",
        "came_from": lineage.select_related("from_pile").order_by("effective_on"),
        "sees_money": request.standing.can("see_money"),
    }
    return show(request, "pages/pile_story.html", context)


def _told(rows: Sequence[PeriodLine], units: Units) -> list[Told]:
    periods = [row.period_id for row in rows]
    pile_ids = {row.pile_id for row in rows}
    said: dict[int, list[Explanation]] = {}
    posted: dict[int, list[Adjustment]] = {}
    words = Explanation.objects.filter(period__in=periods, pile__in=pile_ids).select_related("by")
    for each in words.order_by("pk"):
        said.setdefault(each.period_id, []).append(each)
    changes = Adjustment.objects.filter(period__in=periods, pile__in=pile_ids)
    for change in changes.select_related("reverses__period").order_by("pk"):
        posted.setdefault(change.period_id, []).append(change)
    ruler = Ruler([read_line(row) for row in rows], units)
    return [
        Told(
            period=row.period,
            line=read_line(row),
            row=ruler.row(read_line(row), row.period.name),
            book=ruler.text(row.book_closing_t),
            measured=ruler.text(row.measured_closing_t),
            increment=ruler.text(row.increment_t, signed=True),
            said=tuple(said.get(row.period_id, ())),
            adjustments=tuple(posted.get(row.period_id, ())),
        )
        for row in rows
    ]


def _chart(months: Sequence[Told], units: Units) -> SafeString:
    def shown(tonnes: Decimal | None) -> float | None:
        return None if tonnes is None else float(convert(tonnes, units.mass))

    drawn = [
        MonthOf(
            month.period.name,
            shown(month.line.variance_t),
            shown(month.line.u95_t),
            shown(month.line.adjustment_t) or 0.0,
        )
        for month in reversed(months)
    ]
    drawing = variance_chart(drawn, symbol=units.symbol("mass"), name="Measured less book, month by month")
    return mark_safe(drawing)  # noqa: S308  built and escaped by the drawing
