"""Money on pages: values by date, accounts, what a month is worth, its journal and what to take away."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from inventory import accounts, closing_entries, journals, unit_values
from inventory.api.money import file_name
from inventory.models import (
    AccountCode,
    JournalEntry,
    Material,
    Period,
    PeriodPool,
    PeriodValue,
    Site,
    UnitValue,
)
from inventory.period_export import export_period
from inventory.period_forms import FORMS
from inventory.valuation import NOTHING
from surveys.api.evidence import sent
from surveys.evidence_pack import scope_of
from surveys.pages.access import acted, member_page, show, site_or_404
from surveys.pages.exports import attached
from surveys.pages.filling import FORM, filled
from surveys.pages.forms import DateField, PlainForm
from surveys.pages.month import period_or_404


class ValueForm(PlainForm):
    """What a tonne costs, brings or is sold at, from a day on."""

    material = forms.ModelChoiceField(Material.objects.none(), label="Material")
    kind = forms.ChoiceField(label="What it is", choices=UnitValue.Kind.choices)
    per_t = forms.DecimalField(
        label="Per tonne", min_value=0, max_digits=14, decimal_places=4, help_text="In the site's currency."
    )
    site = forms.ModelChoiceField(
        Site.objects.none(), label="Holds for", required=False, empty_label="every site"
    )
    source = forms.CharField(
        label="Where it is from",
        max_length=200,
        help_text="Cost sheet 2025-11, price list 4, a broker's letter.",
    )
    valid_from = DateField(label="In force from")
    valid_to = DateField(label="To before", required=False, help_text="Empty: until another follows.")
    reason = forms.CharField(label="Reason", widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, organization: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["material"].queryset = Material.objects.filter(organization=organization).order_by("code")
        self.fields["site"].queryset = Site.objects.filter(organization=organization).order_by("code")


class AccountForm(PlainForm):
    part = forms.ChoiceField(
        label="Part", choices=[(name, part.words) for name, part in accounts.PARTS.items()]
    )
    account = forms.CharField(label="Account", max_length=60)
    cost_centre = forms.CharField(label="Cost centre", max_length=60, required=False)
    site = forms.ModelChoiceField(
        Site.objects.none(), label="Holds for", required=False, empty_label="every site"
    )
    valid_from = DateField(label="From")

    def __init__(self, organization: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = Site.objects.filter(organization=organization).order_by("code")


# --- values and accounts -----------------------------------------------------------------------------


@require_GET
@member_page
def values_page(request: HttpRequest) -> HttpResponse:
    request.standing.require("see_money")
    organization, today = request.standing.organization, timezone.now().date()
    values = list(
        UnitValue.objects.for_user(request.user)
        .filter(organization=organization)
        .select_related("material", "site", "proposed_by", "approved_by", "withdrawn_by")
        .order_by("material__code", "kind", "-valid_from", "-pk")
    )
    context = {
        "here": "values",
        "values": values,
        "in_force": {value.pk for value in values if value.status == "approved" and value.covers(today)},
        "can_propose": request.standing.can("propose_value"),
        "can_approve": request.standing.can("approve_value"),
    }
    return show(request, "pages/values.html", context)


@FORM
@member_page
def propose_value(request: HttpRequest) -> HttpResponse:
    request.standing.require("propose_value")
    form = ValueForm(
        request.standing.organization, request.POST or None, initial={"valid_from": timezone.now().date()}
    )
    page = {
        "heading": "Propose a value of a tonne",
        "button": "Propose it",
        "here": "values",
        "back": reverse("values"),
        "pairs": True,
        "lead": "It comes into force when a controller, another person, has approved it.",
    }
    return filled(
        request,
        form,
        lambda given: unit_values.propose_value(by=request.user, **given),
        page,
        lambda _: reverse("values"),
    )


@require_POST
@member_page
def value_step(request: HttpRequest, value_id: int, step: str) -> HttpResponse:
    seen = UnitValue.objects.for_user(request.user).filter(organization=request.standing.organization)
    value, back = get_object_or_404(seen, pk=value_id), reverse("values")
    if step == "approve":
        done = f"{value.label} is in force."
        return acted(request, lambda: unit_values.approve_value(value, request.user), done, back)
    if step == "withdraw":
        reason = request.POST.get("reason", "")
        done = f"{value.label} is withdrawn."
        return acted(request, lambda: unit_values.withdraw_value(value, request.user, reason), done, back)
    raise Http404


@FORM
@member_page
def accounts_page(request: HttpRequest) -> HttpResponse:
    """The accounts by part and site, and below them the form that names another from a day on."""
    request.standing.require("see_money")
    organization, today = request.standing.organization, timezone.now().date()
    form = AccountForm(organization, request.POST or None, initial={"valid_from": today})
    sites = list(Site.objects.filter(organization=organization).order_by("code"))
    on = {site.pk: accounts.accounts_on(site, today) for site in sites}
    named = AccountCode.objects.filter(organization=organization).select_related("site", "set_by")
    page = {
        "template": "pages/accounts.html",
        "here": "accounts",
        "sites": sites,
        "rows": [
            (part.words, [on[site.pk][name] for site in sites]) for name, part in accounts.PARTS.items()
        ],
        "named": list(named.order_by("-valid_from", "-pk")),
        "can_keep": request.standing.can("keep_accounts"),
    }
    if request.method == "POST":
        request.standing.require("keep_accounts")

    def verb(given: dict[str, Any]) -> Any:
        return accounts.set_account(organization, by=request.user, **given)

    return filled(request, form, verb, page, lambda _: reverse("accounts"))


# --- a month -------------------------------------------------------------------------------------------


@require_GET
@member_page
def month_money(request: HttpRequest, code: str, month: str) -> HttpResponse:
    """What the month's stock is worth, its journal, what is left to do, and its export."""
    request.standing.require("see_money")
    period = period_or_404(request, code, month)
    values = list(PeriodValue.objects.filter(period=period).select_related("pile__material"))
    entries = list(
        JournalEntry.objects.filter(period=period)
        .select_related("prepared_by", "approved_by", "reverses")
        .prefetch_related("lines__pile")
    )
    pools = list(PeriodPool.objects.filter(period=period).select_related("material"))
    context = {
        "here": "months",
        "site": period.site,
        "period": period,
        "values": values,
        "total": _total(values),
        "rounding": sum((pool.rounding for pool in pools), NOTHING),
        "pools": pools,
        "entries": sorted(entries, key=lambda entry: (entry.posted_at is None, entry.number, entry.pk)),
        "waiting": sum(1 for entry in entries if entry.posted_at is None),
        "cases": {name: case.words for name, case in journals.CASES.items()},
        "tasks": closing_entries.money_tasks(period),
        "is_locked": period.state == Period.State.LOCKED,
        "can_post": request.standing.can("post_journal"),
        "can_export": request.standing.can("export_period"),
        "exports": list(period.exports.select_related("by").order_by("-pk")[:12]),
    }
    return show(request, "pages/month_money.html", context)


def _total(values: list[PeriodValue]) -> dict[str, Any]:
    names = ("tonnes", "cost_amount", "allowance", "allowance_change", "carrying_amount")
    return {name: sum((getattr(value, name) for value in values), NOTHING) for name in names}


@require_POST
@member_page
def month_money_step(request: HttpRequest, code: str, month: str, step: str) -> HttpResponse:
    period = period_or_404(request, code, month)
    back = reverse("month-money", args=[code, month])
    if step == "value":
        done = "The month is valued; what follows from it is prepared."
        return acted(request, lambda: closing_entries.close_journals(period, request.user), done, back)
    if step == "post":
        done = "The entries are posted."
        return acted(request, lambda: journals.post_journals(period, request.user), done, back)
    raise Http404


@require_GET
@member_page
def export_month(request: HttpRequest, code: str, month: str, form: str) -> HttpResponse:
    period = period_or_404(request, code, month)
    request.standing.require("export_period")
    if form not in FORMS:
        raise Http404
    data = export_period(period, form, request.user)
    return attached(data, FORMS[form].media_type, file_name(period, form))


# --- a year's evidence -----------------------------------------------------------------------------------


@require_GET
@member_page
def evidence_page(request: HttpRequest) -> HttpResponse:
    """Which years there are to take, and whether they are closed."""
    request.standing.require("take_evidence")
    organization = request.standing.organization
    periods = Period.objects.filter(site__organization=organization).select_related("site")
    years: dict[int, dict[str, int]] = {}
    for period in periods:
        year = years.setdefault(period.starts_on.year, {"periods": 0, "locked": 0})
        year["periods"] += 1
        year["locked"] += period.state == Period.State.LOCKED
    rows = sorted(years.items(), reverse=True)
    sites = list(Site.objects.filter(organization=organization).order_by("code"))
    return show(request, "pages/evidence.html", {"here": "evidence", "rows": rows, "sites": sites})


@require_GET
@member_page
def take_evidence(request: HttpRequest, year: int) -> StreamingHttpResponse:
    request.standing.require("take_evidence")
    code = request.GET.get("site")
    if not dt.MINYEAR <= year < dt.MAXYEAR:
        raise Http404
    site = site_or_404(request, code) if code else None
    return sent(scope_of(request.standing.organization, year, site), request.user)
