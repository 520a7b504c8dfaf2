"""Scales, belt readings, and owners of what lies in the yard."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import belts, owners, scales
from inventory.api.doors import Own, Posts, Row, RowsAndPost
from inventory.api.movements import OF_PILE, QUANTITY, UNITS, MovementShown
from inventory.api.shown import Named, OrganizationShown, PileShown
from inventory.models import BeltReading, Pile, Scale, Site, StockOwner

PERCENT = {"max_digits": 5, "decimal_places": 2}


class ScaleShown(serializers.ModelSerializer):
    """`standard_uncertainty_percent` is relative, k = 1."""

    site = Named()

    class Meta:
        model = Scale
        fields = ["id", "site", "code", "name", "kind", "standard_uncertainty_percent", "certified_until"]


class ScaleChange(serializers.Serializer):
    name = serializers.CharField(max_length=200, required=False)
    standard_uncertainty_percent = serializers.DecimalField(**PERCENT, required=False)
    certified_until = serializers.DateField(required=False)


class ScaleGiven(ScaleChange):
    site = Own(Site, ("organization",))
    code = serializers.CharField(max_length=30)
    name = serializers.CharField(max_length=200)
    kind = serializers.ChoiceField(Scale.Kind.choices)
    standard_uncertainty_percent = serializers.DecimalField(**PERCENT)


class OfScale(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    kind = filters.CharFilter("kind")


class Scales(RowsAndPost):
    """What weighs on the sites you may see; adding one."""

    model, related = Scale, ("site__organization",)
    serializer_class, given_class = ScaleShown, ScaleGiven
    filterset_class = OfScale

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(scales.add_scale(given.pop("site"), by=self.request.user, **given))


class ScaleRow(Row):
    """One scale; changing it, after a calibration say."""

    model, related = Scale, ("site__organization",)
    lookup_url_kwarg = "scale_id"
    serializer_class, given_class = ScaleShown, ScaleChange

    def patch(self, request: Request, **kwargs: Any) -> Response:
        return self.show(scales.change_scale(self.get_object(), by=request.user, **self.given(request)), 200)


class ReadingShown(serializers.ModelSerializer):
    scale = Named()
    pile = Named()
    recorded_by = serializers.CharField()

    class Meta:
        model = BeltReading
        fields = ["id", "scale", "pile", "read_at", "totaliser_t", "recorded_by", "recorded_at"]


class ReadShown(serializers.Serializer):
    """A reading, and the production between it and the one before."""

    reading = ReadingShown()
    production = MovementShown(allow_null=True)


class ReadingGiven(serializers.Serializer):
    scale = Own(Scale, ("site__organization",))
    pile = Own(Pile, OF_PILE)
    read_at = serializers.DateTimeField()
    totaliser = serializers.DecimalField(**QUANTITY)
    unit = serializers.ChoiceField(UNITS, default="tonne")
    accept_late = serializers.BooleanField(default=False)


class OfReading(filters.FilterSet):
    scale = filters.NumberFilter("scale_id")
    pile = filters.NumberFilter("pile_id")


class BeltReadings(RowsAndPost):
    """What belt totalisers showed; recording one makes the production since the last."""

    model, related = BeltReading, ("scale__site__organization", "pile", "recorded_by")
    serializer_class, given_class, answer_class = ReadingShown, ReadingGiven, ReadShown
    filterset_class = OfReading

    def act(self, given: dict[str, Any]) -> Response:
        scale, pile = given.pop("scale"), given.pop("pile")
        return self.show(belts.record_reading(scale, pile, by=self.request.user, **given))


class OwnerShown(serializers.ModelSerializer):
    organization = OrganizationShown()

    class Meta:
        model = StockOwner
        fields = ["id", "organization", "code", "name"]


class OwnerChange(serializers.Serializer):
    name = serializers.CharField(max_length=200)


class OwnerGiven(OwnerChange):
    organization = serializers.SlugField(required=False)
    code = serializers.CharField(max_length=20)


class Owners(RowsAndPost):
    """Customers and consignors whose stock is kept apart; adding one."""

    model, related = StockOwner, ("organization",)
    serializer_class, given_class = OwnerShown, OwnerGiven

    def act(self, given: dict[str, Any]) -> Response:
        organization = self.organization(given.pop("organization", None))
        return self.show(owners.add_owner(organization, by=self.request.user, **given))


class OwnerRow(Row):
    """One owner; renaming it."""

    model, related = StockOwner, ("organization",)
    lookup_url_kwarg = "owner_id"
    serializer_class, given_class = OwnerShown, OwnerChange

    def patch(self, request: Request, **kwargs: Any) -> Response:
        return self.show(
            owners.rename_owner(self.get_object(), self.given(request)["name"], by=request.user), 200
        )


class PileOwnerGiven(serializers.Serializer):
    """Without an owner the pile is the company's own."""

    owner = Own(StockOwner, ("organization",), allow_null=True)


class GivePile(Posts):
    """Whose material a pile holds; only while its book is empty."""

    model, related = Pile, OF_PILE
    lookup_url_kwarg = "pile_id"
    serializer_class, given_class, status = PileShown, PileOwnerGiven, HTTPStatus.OK

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(owners.give_pile_to(self.get_object(), given["owner"], by=self.request.user))
