"""Money of the book: values by date, accounts, what a period is worth, its journal and its export.

Amounts are only for roles that see them; to anybody else these doors are shut, not empty.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import accounts, closing_entries, journals, rights, unit_values
from inventory.api.doors import Door, Nothing, Own, Posts, Reason, Row, Rows, RowsAndPost
from inventory.api.problems import MEDIA_TYPE, Problem
from inventory.api.shown import DATED, DatedShown, Named
from inventory.models import (
    AccountCode,
    JournalEntry,
    JournalLine,
    Material,
    Organization,
    Period,
    PeriodValue,
    Site,
    UnitValue,
)
from inventory.period_export import export_period
from inventory.period_forms import FORMS
from inventory.scope import memberships_in_force

OF_VALUE = ("organization", "material", "site", "proposed_by", "approved_by", "withdrawn_by")


class ValueShown(DatedShown):
    """What a tonne costs, brings, or is sold at. Without a site: at every site."""

    material = Named()
    site = Named(allow_null=True)
    label = serializers.CharField()

    class Meta:
        model = UnitValue
        fields = ["id", "label", "material", "site", "kind", "per_t", "source", *DATED]


class ValueGiven(serializers.Serializer):
    material = Own(Material, ("organization",))
    site = Own(Site, ("organization",), required=False, allow_null=True)
    kind = serializers.ChoiceField(UnitValue.Kind.choices)
    per_t = serializers.DecimalField(max_digits=14, decimal_places=4)
    source = serializers.CharField(max_length=200)
    reason = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True)


class AccountShown(serializers.ModelSerializer):
    site = Named(allow_null=True)
    set_by = serializers.CharField()

    class Meta:
        model = AccountCode
        fields = ["id", "site", "part", "account", "cost_centre", "valid_from", "set_by", "set_at"]


class AccountGiven(serializers.Serializer):
    organization = serializers.SlugField(required=False)
    site = Own(Site, ("organization",), required=False, allow_null=True)
    part = serializers.CharField(max_length=40)
    account = serializers.CharField(max_length=60)
    cost_centre = serializers.CharField(max_length=60, required=False, allow_blank=True)
    valid_from = serializers.DateField()


class JournalLineShown(serializers.ModelSerializer):
    pile = serializers.CharField(source="pile.code", allow_null=True, default=None)

    class Meta:
        model = JournalLine
        fields = [
            "line",
            "part",
            "account",
            "cost_centre",
            "pile",
            "tonnes",
            "unit_amount",
            "debit",
            "credit",
        ]


class EntryShown(serializers.ModelSerializer):
    """One entry of a period's journal; `posted_at` is empty while it waits for another person."""

    period = serializers.CharField(source="period.name")
    site = serializers.CharField(source="period.site.code")
    lines = JournalLineShown(many=True)
    prepared_by = serializers.CharField()
    approved_by = serializers.CharField(allow_null=True)

    class Meta:
        model = JournalEntry
        fields = ["id", "site", "period", "number", "posting_on", "case_code", "text", "subject", "lines"]
        fields += ["prepared_by", "approved_by", "posted_at", "reverses"]


class WorthShown(serializers.ModelSerializer):
    """What a pile's book stock was worth at the end of a period; `allowance` is written down in all."""

    period = serializers.CharField(source="period.name")
    pile = Named()
    carrying_amount = serializers.DecimalField(max_digits=16, decimal_places=2)

    class Meta:
        model = PeriodValue
        fields = ["id", "period", "pile", "tonnes", "unit_cost", "cost_amount", "nrv_unit", "allowance"]
        fields += ["allowance_change", "carrying_amount"]


class MoneyDoor(Door):
    """Rows of the organizations in which the person sees money; `NotAllowed` where there is none."""

    def get_queryset(self) -> Any:
        sees = memberships_in_force(self.request.user).filter(role__in=rights.ACTIONS["see_money"])
        organizations = list(sees.values_list("organization_id", flat=True))
        if not organizations:
            for standing in Organization.objects.for_user(self.request.user):
                rights.require(self.request.user, standing, "see_money")
        return super().get_queryset().filter(**{f"{self.model.organization_path}__in": organizations})


class OfValue(filters.FilterSet):
    material = filters.NumberFilter("material_id")
    site = filters.NumberFilter("site_id")
    kind = filters.ChoiceFilter(choices=UnitValue.Kind.choices)
    status = filters.CharFilter("status")


class Values(MoneyDoor, RowsAndPost):
    """Costs, net realisable values and prices by date; proposing one. Another person approves it."""

    model, related = UnitValue, OF_VALUE
    serializer_class, given_class = ValueShown, ValueGiven
    filterset_class = OfValue

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(unit_values.propose_value(by=self.request.user, **given))


class ValueRow(MoneyDoor, Row):
    """One value."""

    model, related = UnitValue, OF_VALUE
    lookup_url_kwarg = "value_id"
    serializer_class = ValueShown


class ValueStep(MoneyDoor, Posts):
    """A step on a value."""

    model, related = UnitValue, OF_VALUE
    lookup_url_kwarg = "value_id"
    serializer_class, status = ValueShown, HTTPStatus.OK


class ApproveValue(ValueStep):
    """Bring a value into force, by another person than who proposed it."""

    given_class = Nothing

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(unit_values.approve_value(self.get_object(), self.request.user))


class WithdrawValue(ValueStep):
    """Take a proposal back."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(unit_values.withdraw_value(self.get_object(), self.request.user, given["reason"]))


class Accounts(MoneyDoor, RowsAndPost):
    """Which account plays which part, from a day on; naming one."""

    model, related = AccountCode, ("site", "set_by")
    serializer_class, given_class = AccountShown, AccountGiven

    def act(self, given: dict[str, Any]) -> Response:
        organization = self.organization(given.pop("organization", None))
        return self.show(accounts.set_account(organization, by=self.request.user, **given))


class OfEntry(filters.FilterSet):
    period = filters.NumberFilter("period_id")
    site = filters.NumberFilter("period__site_id")
    case_code = filters.CharFilter("case_code")
    is_posted = filters.BooleanFilter("posted_at", lookup_expr="isnull", exclude=True)


class Journals(MoneyDoor, Rows):
    """Journal entries with their lines."""

    model, related = JournalEntry, ("period__site", "prepared_by", "approved_by")
    serializer_class = EntryShown
    filterset_class = OfEntry

    def get_queryset(self) -> Any:
        return super().get_queryset().prefetch_related("lines__pile")


class PeriodWorth(MoneyDoor, Rows):
    """What each pile's stock was worth at the end of a period, as it was last valued."""

    model, related = PeriodValue, ("period", "pile")
    parents, owner = {"period_id": "period_id"}, ("period_id", Period)
    serializer_class = WorthShown


class PeriodMoney(Door):
    """A step on the money of a period."""

    model, related = Period, ("site__organization",)
    lookup_url_kwarg = "period_id"
    given_class, serializer_class, status = Nothing, EntryShown, HTTPStatus.OK

    def entries(self, made: list[JournalEntry]) -> Response:
        rows = JournalEntry.objects.filter(pk__in=[entry.pk for entry in made]).order_by("pk")
        seen = rows.select_related("period__site", "prepared_by", "approved_by").prefetch_related(
            "lines__pile"
        )
        shown = EntryShown(seen, many=True, context=self.get_serializer_context())
        return Response({"entries": shown.data}, status=HTTPStatus.OK)


class EntriesShown(serializers.Serializer):
    entries = EntryShown(many=True)


class ValuePeriod(PeriodMoney, Posts):
    """Value a period and prepare its journal; what waits to be posted is shown. Twice is once."""

    answer_class = EntriesShown

    def act(self, given: dict[str, Any]) -> Response:
        return self.entries(closing_entries.close_journals(self.get_object(), self.request.user))


class PostJournals(PeriodMoney, Posts):
    """Post what was prepared in a period, by another person than who prepared it."""

    answer_class = EntriesShown

    def act(self, given: dict[str, Any]) -> Response:
        return self.entries(journals.post_journals(self.get_object(), self.request.user))


class PeriodFile(Door):
    """The export of a period: site by its code, period by its name. A locked one: the same bytes always."""

    model = Period
    serializer_class = Nothing

    def perform_content_negotiation(self, request: Request, force: bool = False) -> Any:
        renderer = self.get_renderers()[0]
        return renderer, renderer.media_type

    @extend_schema(
        parameters=[
            OpenApiParameter("organization", OpenApiTypes.STR, description="Slug; else where you stand."),
            OpenApiParameter("form", OpenApiTypes.STR, OpenApiParameter.PATH, enum=list(FORMS)),
        ],
        responses={
            **{(200, form.media_type.partition(";")[0]): OpenApiTypes.BINARY for form in FORMS.values()},
            **{(code, MEDIA_TYPE): Problem for code in (401, 403, 404, 422)},
        },
    )
    def get(self, request: Request, site: str, period: str, form: str) -> HttpResponse:
        if form not in FORMS:
            raise Http404
        organization = self.organization(request.query_params.get("organization"))
        periods = Period.objects.for_user(request.user).select_related("site__organization")
        found = get_object_or_404(periods, site__organization=organization, site__code=site, name=period)
        response = HttpResponse(export_period(found, form, request.user), content_type=FORMS[form].media_type)
        response["Content-Disposition"] = f'attachment; filename="{file_name(found, form)}"'
        return response


def file_name(period: Period, form: str) -> str:
    code = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in period.site.code)
    return f"{code}-{period.name}.{form}"
