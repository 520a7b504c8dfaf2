"""Measurements: progress, findings, and the steps from a computed figure to a count."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any, ClassVar

import django_filters as filters
from rest_framework.response import Response

from inventory.api.doors import Comment, Nothing, Posts, Reason, Row, Rows
from surveys import review
from surveys.api import given as g
from surveys.api import shown as s
from surveys.models import Measurement
from surveys.replaying import replay

RELATED = (
    *("survey__site__organization", "pile__site__organization", "pile__material", "density", "base_version"),
    *("prepared_by", "reviewed_by", "approved_by"),
)


class OfMeasurement(filters.FilterSet):
    survey = filters.NumberFilter("survey_id")
    pile = filters.NumberFilter("pile_id")
    site = filters.NumberFilter("survey__site_id")
    state = filters.CharFilter("state")
    job_state = filters.CharFilter("job_state")
    since = filters.DateFilter("surveyed_on", lookup_expr="gte")


class Measurements(Rows):
    """The measurements you may see, without their records."""

    model, related = Measurement, RELATED
    serializer_class = s.MeasurementShown
    filterset_class = OfMeasurement

    def get_queryset(self) -> Any:
        return super().get_queryset().defer("record", "request")


class MeasurementRow(Row):
    """One measurement with its findings, its life, its inputs and its full record."""

    model, related = Measurement, RELATED
    lookup_url_kwarg = "measurement_id"
    serializer_class = s.MeasurementWhole

    def get_queryset(self) -> Any:
        return super().get_queryset().prefetch_related("acceptances__by", "transitions__by")


class MeasurementStep(Posts):
    """A step in the life of a measurement."""

    model, related = Measurement, RELATED
    lookup_url_kwarg = "measurement_id"
    serializer_class, status = s.MeasurementShown, HTTPStatus.OK
    given_class: Any = Reason
    verb: ClassVar[Callable[..., Any]]

    def act(self, given: dict[str, Any]) -> Response:
        measurement = self.get_object()
        type(self).verb(measurement, self.request.user, given["reason"])
        return self.show(measurement)


class Submit(MeasurementStep):
    """Hand a computed measurement over for review."""

    given_class, verb = Comment, review.submit


class Review(MeasurementStep):
    """Mark a submitted measurement as looked over, by another person than the preparer."""

    given_class, verb = Comment, review.review


class Approve(MeasurementStep):
    """Make the figure the stock, by another person than the preparer."""

    given_class, verb = Comment, review.approve


class SendBack(MeasurementStep):
    """Refuse a computed or reviewed measurement; the answer to it is a new version."""

    verb = review.send_back


class Withdraw(MeasurementStep):
    """Take a measurement back before approval."""

    verb = review.withdraw


class Revoke(MeasurementStep):
    """Take an approved figure out of the stock without another in its place."""

    verb = review.revoke


class Recompute(MeasurementStep):
    """Work the figure out once more from the received files and compare digests. Changes nothing."""

    serializer_class, given_class = s.ReplayShown, Nothing

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(replay(self.get_object(), self.request.user))


class AcceptFinding(MeasurementStep):
    """Take responsibility for the findings of one code, in words."""

    serializer_class, given_class = s.AcceptanceShown, g.AcceptanceGiven
    status = HTTPStatus.CREATED

    def act(self, given: dict[str, Any]) -> Response:
        by = self.request.user
        return self.show(review.accept_finding(self.get_object(), given["code"], by, given["reason"]))
