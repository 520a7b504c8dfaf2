"""Limits and their tests, hazards, alerts that one person owns, and the outlook of each pile."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import hazards, limits
from inventory.api.doors import Door, Nothing, Own, Posts, Reason, Row, RowsAndPost
from inventory.api.shown import DATED, DatedShown, Named
from inventory.models import Limit, Pile, PileHazard, Site, User
from inventory.stock import StockNow, stock_now
from surveys import alerts
from surveys.api.shown import AlertShown
from surveys.limit_tests import LimitTest, limit_tests
from surveys.models import Alert
from surveys.outlook_sheet import Row as OutlookRow
from surveys.outlook_sheet import outlook_of

OF_LIMIT = ("site__organization", "pile", "proposed_by", "approved_by", "withdrawn_by")
LIMIT_UNITS = tuple(dict.fromkeys(unit for units in limits.UNITS.values() for unit in units))


class LimitShown(DatedShown):
    """`value` in metres, m², m³, tonnes, days or degrees; `given` and `unit` as the document has it."""

    site = Named()
    pile = Named(allow_null=True)
    label = serializers.CharField()

    class Meta:
        model = Limit
        fields = ["id", "label", "site", "pile", "quantity", "operator", "value", "given", "unit"]
        fields += [
            "reference_surface",
            "reference_level_m",
            "boundary",
            "source",
            "page",
            "consequence",
            *DATED,
        ]


class LimitGiven(serializers.Serializer):
    site = Own(Site, ("organization",))
    pile = Own(Pile, required=False, allow_null=True)
    quantity = serializers.ChoiceField(Limit.Quantity.choices)
    operator = serializers.ChoiceField(Limit.Operator.choices)
    given = serializers.DecimalField(max_digits=18, decimal_places=6)
    unit = serializers.ChoiceField(LIMIT_UNITS)
    source = serializers.CharField(max_length=200)
    page = serializers.CharField(max_length=40, required=False, allow_blank=True)
    consequence = serializers.CharField()
    reference_surface = serializers.CharField(max_length=200, required=False, allow_blank=True)
    reference_level_m = serializers.DecimalField(
        max_digits=9, decimal_places=4, required=False, allow_null=True
    )
    boundary = serializers.ListField(
        child=serializers.ListField(child=serializers.FloatField(), min_length=2, max_length=2),
        required=False,
    )
    reason = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True)


class TestShown(serializers.Serializer):
    """One limit against the last approved measurement, in the unit that the limit is kept in. Days are when
    the limit is reached if the months go on so; `no_trend` says why they are empty."""

    limit = serializers.IntegerField(source="limit.pk")
    pile = Named(allow_null=True)
    state = serializers.ChoiceField(["within", "near", "over", "not-testable"])
    value = serializers.FloatField(allow_null=True)
    u95 = serializers.FloatField(allow_null=True)
    margin = serializers.FloatField(allow_null=True)
    measured_on = serializers.DateField(allow_null=True)
    measurement = serializers.IntegerField(source="measurement_id", allow_null=True)
    why = serializers.CharField(allow_blank=True)
    expected_on = serializers.DateField(source="trend.expected_on", allow_null=True)
    earliest_on = serializers.DateField(source="trend.earliest_on", allow_null=True)
    latest_on = serializers.DateField(source="trend.latest_on", allow_null=True)
    no_trend = serializers.CharField(source="trend.refused", allow_blank=True)


class TestsShown(serializers.Serializer):
    tests = TestShown(many=True)


class HazardShown(serializers.ModelSerializer):
    recorded_by = serializers.CharField()
    ended_by = serializers.CharField(allow_null=True)

    class Meta:
        model = PileHazard
        fields = ["id", "kind", "words", "recorded_by", "recorded_at", "ended_by", "ended_at", "ended_reason"]


class HazardGiven(serializers.Serializer):
    kind = serializers.ChoiceField(PileHazard.Kind.choices)
    words = serializers.CharField()


class AlertOwnerGiven(serializers.Serializer):
    """Without `person` the one who asks."""

    person = serializers.CharField(required=False, allow_null=True, help_text="username")


class AcceptGiven(serializers.Serializer):
    until = serializers.DateField()
    reason = serializers.CharField()


class OutlookShown(serializers.Serializer):
    """What a pile holds and how long it lasts. `rolled_t`: with what was recorded to move since the survey,
    up to `reckoned_from`, from which days count. `cover_*_days` are stock over use ahead, k = 2; empty where
    it lasts longer than a year or `refused` says why there is no rate."""

    pile = Named()
    counted_on = serializers.DateField(source="oldest_on", allow_null=True)
    measured_t = serializers.DecimalField(
        source="total.tonnes", max_digits=16, decimal_places=3, allow_null=True
    )
    u95_t = serializers.DecimalField(
        source="total.tonnes_u95_t", max_digits=16, decimal_places=3, allow_null=True
    )
    rolled_t = serializers.DecimalField(max_digits=16, decimal_places=3, allow_null=True)
    reckoned_from = serializers.DateField(source="ahead.reckoned_from", allow_null=True)
    months_known = serializers.IntegerField(source="ahead.months")
    use_next_t = serializers.FloatField(source="ahead.use_next_t", allow_null=True)
    cover_days = serializers.SerializerMethodField()
    cover_earliest_days = serializers.SerializerMethodField()
    cover_latest_days = serializers.SerializerMethodField()
    refused = serializers.CharField(source="ahead.refused", allow_blank=True)
    last_out_at = serializers.DateTimeField(source="last_out", allow_null=True)

    def get_cover_days(self, row: OutlookRow) -> float | None:
        return None if row.ahead.cover is None else row.ahead.cover.days

    def get_cover_earliest_days(self, row: OutlookRow) -> float | None:
        return None if row.ahead.cover is None else row.ahead.cover.earliest

    def get_cover_latest_days(self, row: OutlookRow) -> float | None:
        return None if row.ahead.cover is None else row.ahead.cover.latest


class OfLimit(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    pile = filters.NumberFilter("pile_id")
    quantity = filters.ChoiceFilter(choices=Limit.Quantity.choices)
    status = filters.CharFilter("status")


class Limits(RowsAndPost):
    """Limits as documents state them; proposing one. Another person approves it."""

    model, related = Limit, OF_LIMIT
    serializer_class, given_class = LimitShown, LimitGiven
    filterset_class = OfLimit

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(limits.propose_limit(by=self.request.user, **given))


class LimitRow(Row):
    """One limit."""

    model, related = Limit, OF_LIMIT
    lookup_url_kwarg = "limit_id"
    serializer_class = LimitShown


class LimitStep(Posts):
    """A step on a limit."""

    model, related = Limit, OF_LIMIT
    lookup_url_kwarg = "limit_id"
    serializer_class, status = LimitShown, HTTPStatus.OK


class ApproveLimit(LimitStep):
    """Bring a limit into force, by another person than who proposed it."""

    given_class = Nothing

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(limits.approve_limit(self.get_object(), self.request.user))


class WithdrawLimit(LimitStep):
    """Take a proposal back."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(limits.withdraw_limit(self.get_object(), self.request.user, given["reason"]))


class LimitTests(Door):
    """Every limit in force today, tested against the last approved measurement."""

    model = Limit
    serializer_class = TestsShown

    @extend_schema(responses={200: TestsShown})
    def get(self, request: Request) -> Response:
        tests: list[LimitTest] = limit_tests(request.user, timezone.now().date())
        return Response(TestsShown({"tests": tests}).data)


class Hazards(RowsAndPost):
    """The known dangers of one pile, ended ones too; recording one."""

    model, related = PileHazard, ("recorded_by", "ended_by")
    serializer_class, given_class = HazardShown, HazardGiven
    parents, owner = {"pile_id": "pile_id"}, ("pile_id", Pile)

    def act(self, given: dict[str, Any]) -> Response:
        pile = self.mine(Pile, self.kwargs["pile_id"], "site__organization")
        return self.show(hazards.record_hazard(pile, by=self.request.user, **given))


class EndHazard(Posts):
    """The danger is gone, and why."""

    model, related = PileHazard, ("pile__site__organization",)
    lookup_url_kwarg = "hazard_id"
    serializer_class, given_class, status = HazardShown, Reason, HTTPStatus.OK

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(hazards.end_hazard(self.get_object(), self.request.user, given["reason"]))


class AlertStep(Posts):
    """A step on an alert."""

    model, related = Alert, ("site__organization", "pile", "owner", "accepted_by")
    lookup_url_kwarg = "alert_id"
    serializer_class, status = AlertShown, HTTPStatus.OK


class OwnAlert(AlertStep):
    """Make one person its owner."""

    given_class = AlertOwnerGiven

    def act(self, given: dict[str, Any]) -> Response:
        alert = self.get_object()
        person = None
        if given.get("person"):
            members = User.objects.filter(memberships__organization=alert.site.organization_id)
            person = members.filter(username=given["person"]).first()
            if person is None:
                raise serializers.ValidationError({"person": ["Nobody of that name is here."]})
        return self.show(alerts.own(alert, self.request.user, person))


class AcceptAlert(AlertStep):
    """Live with it up to a day, for a reason."""

    given_class = AcceptGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(alerts.accept(self.get_object(), self.request.user, given["until"], given["reason"]))


class PileOutlook(Door):
    """What one pile holds and how long it lasts at its own rate."""

    model, related = Pile, ("site", "material")
    lookup_url_kwarg = "pile_id"
    serializer_class = OutlookShown

    @extend_schema(responses={200: OutlookShown})
    def get(self, request: Request, pile_id: int) -> Response:
        pile = self.get_object()
        seen = stock_now(request.user, site=pile.site)
        stock = StockNow(tuple(each for each in seen.piles if each.pile.pk == pile_id))
        rows = outlook_of(stock, timezone.now().date()).piles
        if not rows:
            return Response(status=HTTPStatus.NOT_FOUND)
        return Response(OutlookShown(rows[0]).data)
