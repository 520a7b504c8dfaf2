"""What surveys saw of the control: checks of a mark, the steps of its life, and marks on the move."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.api.doors import Door, Rows
from inventory.models import Site
from surveys import control_history
from surveys.models import CheckMeasurement, ControlEvent, ControlPoint


class CheckShown(serializers.ModelSerializer):
    """What one survey saw of the mark: measured minus known, metres; uncertainties (1 σ) of the check."""

    class Meta:
        model = CheckMeasurement
        fields = ["id", "survey", "file", "reduction", "control_point", "kind", "measured_on", "from_mark"]
        fields += ["backsight", "north_m", "east_m", "up_m", "distance_m", "plan_u_m", "height_u_m"]


class EventShown(serializers.ModelSerializer):
    by = serializers.CharField()

    class Meta:
        model = ControlEvent
        fields = ["what", "on", "reason", "by", "at"]


class PlainFinding(serializers.Serializer):
    """A finding of the field: of a book, or of a mark on the move. Lengths in words are in the unit of the
    book, millimetres for marks."""

    code = serializers.CharField()
    severity = serializers.CharField()
    message = serializers.CharField()
    where = serializers.CharField(allow_blank=True)
    remedy = serializers.CharField(allow_blank=True)


class MotionsShown(serializers.Serializer):
    """The marks of a site that move, the surest first."""

    moving = PlainFinding(many=True)


class OfMark(Rows):
    """Rows of one version of a mark."""

    parents = {"control_id": "control_point_id", "site_id": "control_point__site_id"}
    owner = ("control_id", ControlPoint)


class Checks(OfMark):
    """What surveys saw of one version of a mark. Rows of superseded reductions are among them."""

    model = CheckMeasurement
    serializer_class = CheckShown


class Events(OfMark):
    """The steps in the life of one version of a mark."""

    model, related = ControlEvent, ("by",)
    serializer_class = EventShown


class Motion(Door):
    """The marks of a site that move, by what every survey saw of them."""

    model, related = Site, ("organization",)
    lookup_url_kwarg = "site_id"
    serializer_class = MotionsShown

    def get(self, request: Request, **kwargs: Any) -> Response:
        return self.show({"moving": control_history.marks_on_the_move(self.get_object())}, 200)
