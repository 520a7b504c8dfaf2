"""What comes into force by approval: densities and bases."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework.response import Response

from inventory import basing, density
from inventory.api import given as g
from inventory.api import shown as s
from inventory.api.doors import Nothing, Posts, Reason, Row, RowsAndPost
from inventory.models import BaseVersion, DensityRecord, Pile

BY = ("proposed_by", "approved_by", "withdrawn_by")
OF_DENSITY = ("organization", "material", "site", "pile", *BY)
OF_BASE = ("pile__site__organization", *BY)


class OfDensity(filters.FilterSet):
    material = filters.NumberFilter("material_id")
    site = filters.NumberFilter("site_id")
    pile = filters.NumberFilter("pile_id")
    status = filters.CharFilter("status")


class Densities(RowsAndPost):
    """Densities by date; proposing one. It comes into force with two approvals."""

    model, related = DensityRecord, OF_DENSITY
    serializer_class, given_class = s.DensityShown, g.DensityGiven
    filterset_class = OfDensity

    def get_queryset(self) -> Any:
        return super().get_queryset().prefetch_related("approvals__by")

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(density.propose_density(by=self.request.user, **given))


class DensityRow(Row):
    """One density."""

    model, related = DensityRecord, OF_DENSITY
    lookup_url_kwarg = "density_id"
    serializer_class = s.DensityShown


class DensityStep(Posts):
    """A step on a density."""

    model, related = DensityRecord, OF_DENSITY
    lookup_url_kwarg = "density_id"
    serializer_class, status = s.DensityShown, HTTPStatus.OK


class ApproveDensity(DensityStep):
    """One of the two signatures: a lead surveyor's or a manager's."""

    given_class = Nothing

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(density.approve_density(self.get_object(), self.request.user))


class WithdrawDensity(DensityStep):
    """Take a proposal back."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(density.withdraw_density(self.get_object(), self.request.user, given["reason"]))


class Bases(RowsAndPost):
    """The base versions of a pile; proposing one that needs no file."""

    model, related = BaseVersion, OF_BASE
    parents, owner = {"pile_id": "pile_id"}, ("pile_id", Pile)
    serializer_class, given_class = s.BaseShown, g.BaseGiven

    def act(self, given: dict[str, Any]) -> Response:
        pile = self.mine(Pile, self.kwargs["pile_id"], "site__organization")
        return self.show(basing.propose_base(pile=pile, by=self.request.user, **given))


class BaseRow(Row):
    """One base version."""

    model, related = BaseVersion, OF_BASE
    parents = {"pile_id": "pile_id"}
    lookup_url_kwarg = "base_id"
    serializer_class = s.BaseShown


class BaseStep(Posts):
    """A step on a base version."""

    model, related = BaseVersion, OF_BASE
    parents = {"pile_id": "pile_id"}
    lookup_url_kwarg = "base_id"
    serializer_class, status = s.BaseShown, HTTPStatus.OK


class ApproveBase(BaseStep):
    """Bring a base into force, by another person than who proposed it."""

    given_class = Nothing

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(basing.approve_base(self.get_object(), self.request.user))


class WithdrawBase(BaseStep):
    """Take a proposal back."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(basing.withdraw_base(self.get_object(), self.request.user, given["reason"]))
