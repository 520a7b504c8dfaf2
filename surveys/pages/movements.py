"""The movements of a pile with their running balance, one movement by keyboard, and its reversal."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_GET

from inventory import movements
from inventory.balances import book_balances
from inventory.errors import BookRefused, NotAllowed
from inventory.models import Movement, Pile
from surveys.pages.access import enter, member_page, pile_or_404, show, site_or_404
from surveys.pages.figures import Units
from surveys.pages.filling import FORM, filled
from surveys.pages.movement_forms import MovementForm, ReverseForm
from surveys.pages.wording import MONTHS, MOVEMENT_KINDS

ROWS_A_PAGE = 300


@dataclass(frozen=True)
class BookLine:
    """A movement with what the book held after it; empty where some kinds are left out."""

    row: Movement
    balance_t: Decimal | None


@require_GET
@member_page
def pile_movements(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    """One month of a pile's book; the newest with movements unless `month` says another."""
    found = pile_or_404(request, code, pile)
    rows = Movement.objects.for_user(request.user).filter(pile=found)
    months = list(rows.order_by().dates("book_on", "month", order="DESC"))
    month = _month(request.GET.get("month", ""), months)
    kind = request.GET.get("kind", "")
    kind = kind if kind in MOVEMENT_KINDS else ""
    context = {
        "pile": found,
        "site": found.site,
        "units": Units.of(found.site),
        "months": [(each, f"{MONTHS[each.month - 1]} {each.year}") for each in months],
        "month": month,
        "kinds": list(MOVEMENT_KINDS.items()),
        "kind": kind,
        "can_record": request.standing.can("record_movement"),
    }
    if month is not None:
        context |= _month_of(request, found, rows, month, kind)
    return show(request, "pages/movements.html", context)


def _month(asked: str, months: list[dt.date]) -> dt.date | None:
    wanted = next((month for month in months if f"{month:%Y-%m}" == asked), None)
    return wanted or (months[0] if months else None)


def _month_of(
    request: HttpRequest, pile: Pile, rows: QuerySet[Movement], month: dt.date, kind: str
) -> dict[str, Any]:
    after = (month + dt.timedelta(days=32)).replace(day=1)
    opening_t = book_balances([pile], on=month - dt.timedelta(days=1))[pile.pk]
    of_month = rows.filter(book_on__gte=month, book_on__lt=after).order_by("book_on", "moved_at", "pk")
    amounts = list(of_month.values_list("kind", "tonnes"))
    shown = of_month.filter(kind=kind) if kind else of_month
    names = ("scale", "belongs_to", "other_leg__pile__site", "reversed_by", "recorded_by", "from_import")
    page = Paginator(shown.select_related(*names), ROWS_A_PAGE).get_page(request.GET.get("page"))
    before = 0 if kind else page.start_index() - 1
    balance_t = opening_t + sum((tonnes for _, tonnes in amounts[: max(before, 0)]), Decimal(0))
    lines = []
    for row in page.object_list:
        balance_t += row.tonnes
        lines.append(BookLine(row, None if kind else balance_t))
    sums: dict[str, list[Any]] = {}
    for each, tonnes in amounts:
        total = sums.setdefault(each, [0, Decimal(0)])
        total[0] += 1
        total[1] += tonnes
    return {
        "page": page,
        "lines": lines,
        "opening_t": opening_t,
        "closing_t": opening_t + sum((tonnes for _, tonnes in amounts), Decimal(0)),
        "sums": [(each, *sums[each]) for each in MOVEMENT_KINDS if each in sums],
        "month_name": f"{MONTHS[month.month - 1]} {month.year}",
    }


@FORM
@member_page
def new_movement(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    request.standing.require("record_movement")
    asked: dict[str, Any] = {"kind": request.GET["kind"]} if "kind" in request.GET else {}
    pile = site.piles.filter(code=request.GET.get("pile", "")).first()
    if pile is not None:
        asked["pile"] = pile
    form = MovementForm(site, request.POST or None, initial=asked)
    page = {
        "heading": f"Record a movement at {site.name}",
        "button": "Record it",
        "site": site,
        "back": reverse("site", args=[site.code]),
        "lead": "Net, or gross and tare. It counts on the site's day of its time. A mistake is reversed, "
        "never edited.",
        "pairs": True,
    }
    return filled(request, form, lambda given: _record(request, given), page, _book_of)


def _record(request: HttpRequest, given: dict[str, Any]) -> Movement:
    names = ("moved_at", "quantity", "unit", "document", "note", "accept_late")
    common = {name: given[name] for name in names} | {"by": request.user}
    common["source"] = "hand" if given["document"] else ""
    if given["kind"] == "transfer":
        return movements.record_transfer(given["pile"], given["to_pile"], **common).out
    texts = {name: given[name] for name in ("counterparty", "haulier", "gross", "tare")}
    return movements.record_movement(given["pile"], kind=given["kind"], **common, **texts)


def _book_of(movement: Movement) -> str:
    place = reverse("pile-movements", args=[movement.pile.site.code, movement.pile.code])
    return f"{place}?month={movement.book_on:%Y-%m}"


@FORM
@member_page
def reverse_movement(request: HttpRequest, movement_id: int) -> HttpResponse:
    rows = Movement.objects.for_user(request.user).select_related("pile__site__organization")
    movement = get_object_or_404(rows, pk=movement_id)
    enter(request, movement.site.organization)
    request.standing.require("record_movement")
    form = ReverseForm(request.POST or None)
    refusal = None
    if request.method == "POST" and form.is_valid():
        try:
            made = movements.reverse_movement(movement, by=request.user, **form.cleaned_data)
        except NotAllowed:
            raise
        except BookRefused as refused:
            refusal = refused
            form.refuse(refused)
        else:
            return redirect(_book_of(made))
    context = {
        "movement": movement,
        "site": movement.site,
        "units": Units.of(movement.site),
        "form": form,
        "back": _book_of(movement),
    }
    return show(request, "pages/reverse_movement.html", context, 422 if refusal or form.errors else 200)
