"""Sites, materials and piles."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import piles, places
from inventory.api import given as g
from inventory.api import shown as s
from inventory.api.doors import Row, RowsAndPost
from inventory.models import Material, Pile, Site


class OfOrganization(filters.FilterSet):
    organization = filters.CharFilter("organization__slug")
    code = filters.CharFilter("code")


class Sites(RowsAndPost):
    """The sites you may see; opening one."""

    model, related = Site, ("organization",)
    serializer_class, given_class = s.SiteShown, g.SiteGiven
    filterset_class = OfOrganization

    def act(self, given: dict[str, Any]) -> Response:
        organization = self.organization(given.pop("organization", None))
        return self.show(places.open_site(organization, by=self.request.user, **given))


class SiteRow(Row):
    """One site; changing its settings. Units change what is shown, never what is stored."""

    model, related = Site, ("organization",)
    lookup_url_kwarg = "site_id"
    serializer_class, given_class = s.SiteShown, g.SiteChange

    def patch(self, request: Request, **kwargs: Any) -> Response:
        return self.show(places.change_site(self.get_object(), by=request.user, **self.given(request)), 200)


class Materials(RowsAndPost):
    """The materials you may see; adding one."""

    model, related = Material, ("organization",)
    serializer_class, given_class = s.MaterialShown, g.MaterialGiven
    filterset_class = OfOrganization

    def act(self, given: dict[str, Any]) -> Response:
        organization = self.organization(given.pop("organization", None))
        return self.show(places.add_material(organization, by=self.request.user, **given))


class MaterialRow(Row):
    """One material."""

    model, related = Material, ("organization",)
    lookup_url_kwarg = "material_id"
    serializer_class = s.MaterialShown


class OfPile(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    material = filters.NumberFilter("material_id")
    code = filters.CharFilter("code")


class Piles(RowsAndPost):
    """The piles you may see, closed ones too; opening one."""

    model, related = Pile, ("site", "material")
    serializer_class, given_class = s.PileShown, g.PileGiven
    filterset_class = OfPile

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.open_pile(by=self.request.user, **given))


class PileRow(Row):
    """One pile."""

    model, related = Pile, ("site", "material")
    lookup_url_kwarg = "pile_id"
    serializer_class = s.PileShown
