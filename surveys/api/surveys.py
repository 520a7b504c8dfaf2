"""Surveys and their files: open, send, declare, set aside, measure."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework.parsers import FormParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.api.doors import Door, Posts, Reason, Row, Rows, RowsAndPost
from inventory.api.shown import BaseShown
from inventory.models import BaseVersion, Pile
from surveys import grounds, intake, measuring
from surveys.api import given as g
from surveys.api import problems
from surveys.api import shown as s
from surveys.models import Alert, Survey, SurveyFile
from surveys.opening import open_survey, progress_of

OF_SURVEY = ("site__organization", "prepared_by")
OF_FILE = ("survey__site__organization", "stored_file__received_by", "pile", "added_by")
MULTIPART = [MultiPartParser, FormParser]


class OfSite(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    since = filters.DateFilter("surveyed_on", lookup_expr="gte")


class Surveys(RowsAndPost):
    """The surveys you may see; opening one."""

    model, related = Survey, OF_SURVEY
    serializer_class, given_class = s.SurveyShown, g.SurveyGiven
    filterset_class = OfSite

    def act(self, given: dict[str, Any]) -> Response:
        site, day, method = (given.pop(name) for name in ("site", "surveyed_on", "method"))
        return self.show(open_survey(site, day, method, self.request.user, **given))


class SurveyRow(Row):
    """One survey."""

    model, related = Survey, OF_SURVEY
    lookup_url_kwarg = "survey_id"
    serializer_class = s.SurveyShown


class SurveyProgress(Door):
    """How far one survey has come."""

    model, related = Survey, OF_SURVEY
    lookup_url_kwarg = "survey_id"
    serializer_class = s.ProgressShown

    def get(self, request: Request, **kwargs: Any) -> Response:
        return self.show(progress_of(self.get_object()), 200)


class Files(RowsAndPost):
    """The files of a survey; sending one. The same bytes again give the file that is there."""

    model, related = SurveyFile, OF_FILE
    parents, owner = {"survey_id": "survey_id"}, ("survey_id", Survey)
    serializer_class, given_class = s.FileShown, g.FileGiven
    parser_classes = MULTIPART

    def act(self, given: dict[str, Any]) -> Response:
        survey = self.mine(Survey, self.kwargs["survey_id"], "site__organization")
        file, how = given["file"], g.reading(given)
        return self.show(
            intake.receive_file(
                survey,
                file.name,
                file,
                self.request.user,
                given["pile"],
                purpose=given["purpose"],
                **how,
            )
        )


class FileRow(Row):
    """One file of a survey."""

    model, related = SurveyFile, OF_FILE
    parents = {"survey_id": "survey_id"}
    lookup_url_kwarg = "file_id"
    serializer_class = s.FileShown


class FileStep(Posts):
    """A step on a file."""

    model, related = SurveyFile, OF_FILE
    parents = {"survey_id": "survey_id"}
    lookup_url_kwarg = "file_id"
    serializer_class, status = s.FileShown, HTTPStatus.OK


class DeclareColumns(FileStep):
    """Settle how the file is read, and read it again."""

    given_class = g.ReadAs

    def act(self, given: dict[str, Any]) -> Response:
        how = g.reading(given)
        return self.show(intake.declare_columns(self.get_object(), **how, by=self.request.user))


class SetAside(FileStep):
    """Leave the file out of measurements to come. Its bytes and earlier results stay."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(intake.set_aside(self.get_object(), self.request.user, given["reason"]))


class Measure(Posts):
    """Ask for measurements; workers compute them, and each tells its progress."""

    model, related = Survey, OF_SURVEY
    lookup_url_kwarg = "survey_id"
    serializer_class, given_class = s.AskedShown, g.MeasureGiven
    status = HTTPStatus.ACCEPTED

    def act(self, given: dict[str, Any]) -> Response:
        survey, by, reason = self.get_object(), self.request.user, given["reason"]
        if given["pile"] is None:
            asked = measuring.measure_survey(survey, by, reason)
        else:
            one = measuring.request_measurement(survey, given["pile"], by, reason)
            asked = measuring.Asked((one,), (), ())
        return self.show(
            {
                "measurements": asked.measurements,
                "unchanged": asked.unchanged,
                "refused": [s.refused_of(pile, problems.body_of(why)) for pile, why in asked.refused],
            }
        )


class SurveyedBases(Posts):
    """Propose a surveyed ground as a pile's next base, with its file."""

    model, owner = BaseVersion, ("pile_id", Pile)
    serializer_class, given_class = BaseShown, g.GroundGiven
    parser_classes = MULTIPART

    def act(self, given: dict[str, Any]) -> Response:
        pile = self.mine(Pile, self.kwargs["pile_id"], "site__organization")
        file = given.pop("file")
        return self.show(grounds.propose_surveyed_base(pile, file.name, file, self.request.user, **given))


class OfAlert(filters.FilterSet):
    site = filters.NumberFilter("site_id")
    kind = filters.CharFilter("kind")
    open = filters.BooleanFilter("resolved_at", lookup_expr="isnull")


class Alerts(Rows):
    """What somebody has to see to; `open=true` for what is not settled."""

    model, related = Alert, ("site", "pile", "owner", "accepted_by")
    serializer_class = s.AlertShown
    filterset_class = OfAlert
