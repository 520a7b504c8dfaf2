"""Stock: the counts of each pile, and what stands now by pile, material and site."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.api import shown as s
from inventory.api.doors import Door, Rows
from inventory.models import Material, Pile, Site, StockCount
from inventory.stock import RollUp, StockNow, stock_now


class OfCount(filters.FilterSet):
    pile = filters.NumberFilter("pile_id")
    site = filters.NumberFilter("pile__site_id")
    current = filters.BooleanFilter("superseded_at", lookup_expr="isnull")
    since = filters.DateFilter("counted_on", lookup_expr="gte")


class Counts(Rows):
    """Stock counts, those that left force too; `current=true` for those that stand."""

    model, related = StockCount, ("pile", "recorded_by")
    serializer_class = s.CountShown
    filterset_class = OfCount


GROUPS = {
    "pile": lambda stock: stock.grouped(lambda pile: pile),
    "material": StockNow.by_material,
    "site": StockNow.by_site,
    "site-material": StockNow.by_site_and_material,
}


class StockAsked(serializers.Serializer):
    organization = serializers.SlugField(required=False)
    by = serializers.ChoiceField(list(GROUPS), default="material")
    on = serializers.DateField(required=False, default=None)


def stock_of(door: Door, slug: str | None, on: Any = None) -> tuple[Any, StockNow]:
    """The organization asked for, and its open piles out of all that the person may see."""
    organization = door.organization(slug)
    seen = stock_now(door.request.user, on=on)
    return organization, StockNow(
        tuple(each for each in seen.piles if each.pile.site.organization_id == organization.pk)
    )


class Stock(Door):
    """What stands: as measured, nothing rolled forward."""

    model = StockCount
    serializer_class = s.StockShown
    asked = (
        OpenApiParameter("organization", OpenApiTypes.STR, description="Slug; else the one you stand in."),
        OpenApiParameter("by", OpenApiTypes.STR, enum=list(GROUPS), default="material"),
        OpenApiParameter("on", OpenApiTypes.DATE, description="As it stood on this day."),
    )

    def get(self, request: Request) -> Response:
        form = StockAsked(data=request.query_params)
        form.is_valid(raise_exception=True)
        asked = form.validated_data
        organization, stock = stock_of(self, asked.get("organization"), asked["on"])
        body = {
            "organization": organization,
            "by": asked["by"],
            "rows": [_row(roll) for roll in GROUPS[asked["by"]](stock)],
            "everything": _row(stock.everything),
        }
        return self.show(body, 200)


def _row(roll: RollUp) -> dict[str, Any]:
    keys = roll.key if isinstance(roll.key, tuple) else (roll.key,)
    pile = next((key for key in keys if isinstance(key, Pile)), None)
    if pile is not None:
        keys = (pile.site, pile.material)
    return {
        "site": next((key for key in keys if isinstance(key, Site)), None),
        "material": next((key for key in keys if isinstance(key, Material)), None),
        "pile": pile,
        "piles_n": len(roll.piles),
        "not_counted_n": roll.not_counted_n,
        "oldest_age_days": roll.oldest_age_days,
        "total": roll.total,
    }
