"""Control points of a site: their places by date, proposed, approved, doubted, restored, gone."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any, ClassVar

import django_filters as filters
from rest_framework import serializers
from rest_framework.response import Response

from inventory.api.doors import Comment, Posts, Reason, Row, RowsAndPost
from inventory.models import Site
from surveys import control
from surveys.models import ControlPoint

PLACE = {"max_digits": 14, "decimal_places": 4}
UNCERTAINTY = {"max_digits": 6, "decimal_places": 4, "min_value": 0, "required": False}
RELATED = ("site__organization", "proposed_by", "approved_by")


class ControlPointShown(serializers.ModelSerializer):
    """Site frame, metres; `plan_u_m` and `height_u_m` are standard uncertainties (1 σ)."""

    proposed_by = serializers.CharField(allow_null=True)
    approved_by = serializers.CharField(allow_null=True)

    class Meta:
        model = ControlPoint
        fields = ["id", "site", "name", "northing_m", "easting_m", "elevation_m", "plan_u_m", "height_u_m"]
        fields += ["source", "valid_from", "valid_to", "approval", "standing", "standing_since"]
        fields += ["proposed_by", "approved_by"]


class ControlPointGiven(serializers.Serializer):
    """Site frame, metres."""

    name = serializers.CharField(max_length=40)
    northing_m = serializers.DecimalField(**PLACE)
    easting_m = serializers.DecimalField(**PLACE)
    elevation_m = serializers.DecimalField(max_digits=10, decimal_places=4)
    valid_from = serializers.DateField()
    source = serializers.CharField(required=False, allow_blank=True)
    plan_u_m = serializers.DecimalField(**UNCERTAINTY)
    height_u_m = serializers.DecimalField(**UNCERTAINTY)


class StandingGiven(Reason):
    on = serializers.DateField()


class OfControl(filters.FilterSet):
    name = filters.CharFilter("name")
    approval = filters.CharFilter("approval")


class ControlPoints(RowsAndPost):
    """The control points of a site, every version; proposing the place of a mark from a day on."""

    model, related = ControlPoint, RELATED
    parents, owner = {"site_id": "site_id"}, ("site_id", Site)
    serializer_class, given_class = ControlPointShown, ControlPointGiven
    filterset_class = OfControl

    def act(self, given: dict[str, Any]) -> Response:
        site = self.mine(Site, self.kwargs["site_id"], "organization")
        return self.show(
            control.propose_control_point(site, given.pop("name"), by=self.request.user, **given)
        )


class ControlPointRow(Row):
    """One version of one mark."""

    model, related = ControlPoint, RELATED
    parents = {"site_id": "site_id"}
    lookup_url_kwarg = "control_id"
    serializer_class = ControlPointShown


class ControlStep(Posts):
    """A step in the life of a mark."""

    model, related = ControlPoint, RELATED
    parents = {"site_id": "site_id"}
    lookup_url_kwarg = "control_id"
    serializer_class, status = ControlPointShown, HTTPStatus.OK
    given_class: Any = StandingGiven
    verb: ClassVar[Callable[..., Any]]

    def act(self, given: dict[str, Any]) -> Response:
        on = (given["on"],) if "on" in given else ()
        return self.show(type(self).verb(self.get_object(), self.request.user, *on, given["reason"]))


class ApproveControl(ControlStep):
    """Bring a proposal into force, by another person; the version before it ends on its first day."""

    given_class, verb = Comment, control.approve_control_point


class WithdrawControl(ControlStep):
    """Take a proposal back."""

    given_class, verb = Reason, control.withdraw_control_point


class DoubtControl(ControlStep):
    """From `on` no traverse hangs on the mark."""

    verb = control.mark_suspect


class RestoreControl(ControlStep):
    """The mark was checked and is where it was."""

    verb = control.restore


class DestroyControl(ControlStep):
    """The mark is gone from `on`."""

    verb = control.mark_destroyed
