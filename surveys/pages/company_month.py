"""One month of all sites: sums by site, by material and by owner, and that transfers cancel."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_GET

from inventory.sheet import OWN, Sheet, organization_sheets, owner_code
from inventory.sheet_lines import Line, added, grouped
from surveys.pages.access import member_page, show
from surveys.pages.month_sheet import Row, Ruler
from surveys.pages.stock import common_units


@require_GET
@member_page
def company_month_page(request: HttpRequest, month: str) -> HttpResponse:
    """The identity over all sites of one organization; 404 where no site has that month."""
    sheets = organization_sheets(request.standing.organization, month, request.user)
    if not sheets:
        raise Http404
    lines = tuple(line for sheet in sheets for line in sheet.lines)
    ruler = Ruler(lines, common_units([sheet.period.site for sheet in sheets]))
    total = added(request.standing.organization, lines)
    context = {
        "here": "stock",
        "month": month,
        "sheets": [(sheet, _site_row(ruler, sheet)) for sheet in sheets],
        "heads": ruler.heads,
        "by_material": _rows(ruler, lines, lambda line: line.pile.material, lambda key: key.name),
        "by_owner": _rows(ruler, lines, lambda line: line.pile.owner or OWN, _owner),
        "total": ruler.row(total, request.standing.organization.name),
        "unit": ruler.units.symbol("mass"),
        "transfers_off": _off(total.transfers_in_t, total.transfers_out_t, ruler),
    }
    return show(request, "pages/company_month.html", context)


def _site_row(ruler: Ruler, sheet: Sheet) -> Row:
    return ruler.row(sheet.total, sheet.period.site.name)


def _rows(
    ruler: Ruler, lines: tuple[Line, ...], key_of: Callable[[Line], Any], name_of: Callable[[Any], str]
) -> list[Row]:
    ordered = sorted(lines, key=lambda line: (owner_code(line), line.pile.material.code, line.pile.code))
    return [ruler.row(group, name_of(group.key)) for group in grouped(ordered, key_of)]


def _owner(key: Any) -> str:
    return "Own stock" if isinstance(key, str) else f"{key.name} (theirs)"


def _off(into_t: Decimal, out_t: Decimal, ruler: Ruler) -> str:
    """By how much transfers in and out differ, which they never should; empty where they cancel."""
    return "" if into_t == out_t else ruler.text(into_t - out_t, signed=True)
