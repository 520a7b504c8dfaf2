"""What entered and left the piles: movements, transfers, openings, reversals, and what the book holds."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import movements
from inventory.api.doors import Door, Own, Posts, Row, RowsAndPost
from inventory.api.shown import Named, OrganizationShown
from inventory.balances import Book, book_of
from inventory.models import Movement, Pile, Scale, Site
from inventory.units import WEIGHED_IN_T

OF_MOVEMENT = ("site__organization", "pile", "scale", "belongs_to", "recorded_by", "reversed_by")
OF_PILE = ("site__organization", "material", "owner")
TONNES = {"max_digits": 16, "decimal_places": 3}
QUANTITY = {"max_digits": 18, "decimal_places": 6}
UNITS = list(WEIGHED_IN_T)
RECORDED = list(movements.RECORDABLE)


class MovementShown(serializers.ModelSerializer):
    """`tonnes` is the effect on the pile. `reversed_by` names the row that took it back."""

    site = Named()
    pile = Named()
    scale = Named(allow_null=True)
    belongs_to = serializers.CharField(source="belongs_to.name", allow_null=True, default=None)
    given = serializers.DictField()
    reversed_by = serializers.SerializerMethodField()
    recorded_by = serializers.CharField()

    class Meta:
        model = Movement
        fields = ["id", "site", "pile", "kind", "tonnes", "moved_at", "book_on", "belongs_to", "source"]
        fields += ["document", "scale", "gross_t", "tare_t", "given", "counterparty", "haulier", "unit_price"]
        fields += ["note", "other_leg", "reverses", "reversed_by", "reversed_at", "from_import", "line"]
        fields += ["recorded_by", "recorded_at"]

    def get_reversed_by(self, movement: Any) -> int | None:
        answer = getattr(movement, "reversed_by", None)
        return None if answer is None else answer.pk


class TransferShown(serializers.Serializer):
    out = MovementShown()
    into = MovementShown()
    loss = MovementShown(allow_null=True)


class Words(serializers.Serializer):
    """`accept_late`: take it as a correction in the next open period where its own is closed."""

    moved_at = serializers.DateTimeField()
    unit = serializers.ChoiceField(UNITS, default="tonne")
    source = serializers.CharField(required=False, allow_blank=True, max_length=40, default="")
    document = serializers.CharField(required=False, allow_blank=True, max_length=60, default="")
    note = serializers.CharField(required=False, allow_blank=True, max_length=300, default="")
    accept_late = serializers.BooleanField(default=False)


class MovementGiven(Words):
    """`quantity` above zero, or `gross` and `tare`. Source, document and kind again: the same one."""

    pile = Own(Pile, OF_PILE)
    kind = serializers.ChoiceField(RECORDED)
    quantity = serializers.DecimalField(**QUANTITY, required=False, allow_null=True, default=None)
    gross = serializers.DecimalField(**QUANTITY, required=False, allow_null=True, default=None)
    tare = serializers.DecimalField(**QUANTITY, required=False, allow_null=True, default=None)
    scale = Own(Scale, ("site",), required=False, allow_null=True, default=None)
    unit_price = serializers.DecimalField(
        max_digits=14, decimal_places=4, required=False, allow_null=True, default=None
    )
    counterparty = serializers.CharField(required=False, allow_blank=True, max_length=120, default="")
    haulier = serializers.CharField(required=False, allow_blank=True, max_length=120, default="")
    owner = serializers.CharField(
        required=False, allow_null=True, allow_blank=True, default=None, source="owner_code"
    )


class TransferGiven(Words):
    """`received`: where less arrived than left."""

    from_pile = Own(Pile, OF_PILE)
    to_pile = Own(Pile, OF_PILE)
    quantity = serializers.DecimalField(**QUANTITY)
    received = serializers.DecimalField(**QUANTITY, required=False, allow_null=True, default=None)


class ReclassGiven(Words):
    from_pile = Own(Pile, OF_PILE)
    to_pile = Own(Pile, OF_PILE)
    quantity = serializers.DecimalField(**QUANTITY)
    reason = serializers.CharField(max_length=300)
    note = None


class OpeningGiven(Words):
    """What a pile holds at the start of the day `on`."""

    pile = Own(Pile, OF_PILE)
    quantity = serializers.DecimalField(**QUANTITY)
    on = serializers.DateField()
    moved_at = None


class ReverseGiven(serializers.Serializer):
    reason = serializers.CharField(max_length=300)
    accept_late = serializers.BooleanField(default=False)


class OfMovement(filters.FilterSet):
    pile = filters.NumberFilter("pile_id")
    site = filters.NumberFilter("site_id")
    material = filters.NumberFilter("pile__material_id")
    kind = filters.MultipleChoiceFilter(choices=Movement.Kind.choices)
    since = filters.DateFilter("book_on", lookup_expr="gte")
    until = filters.DateFilter("book_on", lookup_expr="lt")
    moved_since = filters.IsoDateTimeFilter("moved_at", lookup_expr="gte")
    moved_until = filters.IsoDateTimeFilter("moved_at", lookup_expr="lt")
    source = filters.CharFilter("source")
    document = filters.CharFilter("document")
    from_import = filters.NumberFilter("from_import_id")
    standing = filters.BooleanFilter(method="of_standing")

    def of_standing(self, rows: Any, name: str, value: bool) -> Any:
        return rows.standing() if value else rows


class Movements(RowsAndPost):
    """Movements you may see, reversals among them; recording one of a single pile."""

    model, related = Movement, OF_MOVEMENT
    serializer_class, given_class = MovementShown, MovementGiven
    filterset_class = OfMovement

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(movements.record_movement(given.pop("pile"), by=self.request.user, **given))


class MovementRow(Row):
    """One movement."""

    model, related = Movement, OF_MOVEMENT
    lookup_url_kwarg = "movement_id"
    serializer_class = MovementShown


class Reverse(Posts):
    """A row of opposite sign, with a reason; the other leg of a transfer goes with it."""

    model, related = Movement, OF_MOVEMENT
    lookup_url_kwarg = "movement_id"
    serializer_class, given_class = MovementShown, ReverseGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(movements.reverse_movement(self.get_object(), by=self.request.user, **given))


class Transfers(Posts):
    """From one pile to another of the same material and owner: two legs."""

    model, serializer_class, given_class = Movement, TransferShown, TransferGiven

    def act(self, given: dict[str, Any]) -> Response:
        piles = given.pop("from_pile"), given.pop("to_pile")
        return self.show(movements.record_transfer(*piles, by=self.request.user, **given))


class Reclassifications(Posts):
    """From the pile of one material to that of another, at cost, with a reason."""

    model, serializer_class, given_class = Movement, TransferShown, ReclassGiven

    def act(self, given: dict[str, Any]) -> Response:
        piles = given.pop("from_pile"), given.pop("to_pile")
        return self.show(movements.reclassify(*piles, by=self.request.user, **given))


class Openings(Posts):
    """The opening balance of a pile."""

    model, serializer_class, given_class = Movement, MovementShown, OpeningGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(movements.record_opening(given.pop("pile"), by=self.request.user, **given))


class BalanceShown(serializers.Serializer):
    """Tonnes by the book; the company's own and what lies there for others, apart."""

    site = Named(allow_null=True)
    material = Named(allow_null=True)
    owner = Named(allow_null=True)
    pile = Named(allow_null=True)
    own_t = serializers.DecimalField(**TONNES)
    of_others_t = serializers.DecimalField(**TONNES)


class BalancesShown(serializers.Serializer):
    organization = OrganizationShown()
    by = serializers.CharField()
    rows = BalanceShown(many=True)
    everything = BalanceShown()


GROUPS = {
    "pile": Book.by_pile,
    "material": Book.by_material,
    "site": Book.by_site,
    "owner": Book.by_owner,
}


class BalancesAsked(serializers.Serializer):
    organization = serializers.SlugField(required=False)
    by = serializers.ChoiceField(list(GROUPS), default="pile")
    on = serializers.DateField(required=False, default=None)


class Balances(Door):
    """What the book holds at the end of a day, by pile, material, site or owner."""

    model = Movement
    serializer_class = BalancesShown
    asked = (
        OpenApiParameter("organization", OpenApiTypes.STR, description="Slug; else the one you stand in."),
        OpenApiParameter("by", OpenApiTypes.STR, enum=list(GROUPS), default="pile"),
        OpenApiParameter("on", OpenApiTypes.DATE, description="At the end of this day; else now."),
    )

    def get(self, request: Request) -> Response:
        form = BalancesAsked(data=request.query_params)
        form.is_valid(raise_exception=True)
        asked = form.validated_data
        organization = self.organization(asked.get("organization"))
        seen = book_of(request.user, on=asked["on"])
        rows = tuple(row for row in seen.rows if row.pile.site.organization_id == organization.pk)
        book = Book(rows)
        body = {
            "organization": organization,
            "by": asked["by"],
            "rows": [_row(asked["by"], each) for each in GROUPS[asked["by"]](book)],
            "everything": _row("", book.everything),
        }
        return self.show(body, 200)


def _row(by: str, found: Any) -> dict[str, Any]:
    key = found.key
    named = {"site": None, "material": None, "owner": None, "pile": None}
    if isinstance(key, Pile):
        named |= {"site": key.site, "material": key.material, "owner": key.owner, "pile": key}
    elif isinstance(key, Site):
        named["site"] = key
    elif by:
        named[by] = key
    return {**named, "own_t": found.own_t, "of_others_t": found.of_others_t}
