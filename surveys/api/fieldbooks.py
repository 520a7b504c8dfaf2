"""Field books: their reductions, corrections, sheets, and the steps of a reduction's life."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from http import HTTPStatus
from typing import Any, ClassVar

from django.shortcuts import get_object_or_404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from compute.traverse.corrections import FIELDS, NUMBERS, SetupCorrection
from inventory.api.doors import Comment, Door, Posts, Reason, Row, RowsAndPost
from surveys import fieldbook_sheets as sheets
from surveys import fieldbooks
from surveys.api.control_history import PlainFinding
from surveys.fieldbook_request import BookSettings, GivenStation, settings_from
from surveys.models import BookReduction, SurveyFile
from surveys.models import SetupCorrection as CorrectionRow

OF_REDUCTION = ("file__survey__site__organization", "file__stored_file", "prepared_by", "accepted_by")
OF_REDUCTION += ("sent_back_by",)
LENGTH = {"max_digits": 14, "decimal_places": 4}


class StationGiven(serializers.Serializer):
    """A known place that comes with the book, metres."""

    name = serializers.CharField(max_length=40)
    northing_m = serializers.DecimalField(**LENGTH)
    easting_m = serializers.DecimalField(**LENGTH)
    elevation_m = serializers.DecimalField(**LENGTH, required=False, allow_null=True, default=None)
    source = serializers.CharField(required=False, allow_blank=True, default="")


class AzimuthGiven(serializers.Serializer):
    start = serializers.CharField(max_length=40)
    end = serializers.CharField(max_length=40)
    degrees = serializers.FloatField()


class ReductionGiven(serializers.Serializer):
    """What is left out stays as in the version before. `held`: names of the control held fixed, null for all
    that is in force and trusted. `stored`: id of a file of coordinates brought beside the book."""

    rule = serializers.CharField(required=False, max_length=20)
    preset = serializers.CharField(required=False, allow_blank=True, max_length=40)
    limits = serializers.DictField(child=serializers.FloatField(), required=False)
    precision = serializers.DictField(child=serializers.FloatField(), required=False)
    held = serializers.ListField(child=serializers.CharField(), required=False, allow_null=True)
    stations = StationGiven(many=True, required=False)
    azimuths = AzimuthGiven(many=True, required=False)
    accept_misclosure = serializers.CharField(required=False, allow_blank=True)
    stored = serializers.IntegerField(required=False, allow_null=True)
    move_stored = serializers.BooleanField(required=False)
    reason = serializers.CharField(required=False, allow_blank=True, default="")


class CorrectionGiven(serializers.Serializer):
    """`target_height` from `first_shot` to `last_shot` in the order of the book, or all shots of the set-up;
    `orientation` in degrees, clockwise; heights in the unit of the book."""

    setup = serializers.CharField(max_length=40)
    field = serializers.ChoiceField(FIELDS)
    value = serializers.CharField(max_length=60)
    reason = serializers.CharField()
    first_shot = serializers.CharField(required=False, allow_blank=True, default="", max_length=40)
    last_shot = serializers.CharField(required=False, allow_blank=True, default="", max_length=40)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["field"] in NUMBERS:
            try:
                attrs["value"] = float(attrs["value"])
            except ValueError as fault:
                raise serializers.ValidationError({"value": "Give a number."}) from fault
        return attrs


class CorrectionsGiven(serializers.Serializer):
    corrections = CorrectionGiven(many=True, allow_empty=False)
    reason = serializers.CharField()


class CorrectionShown(serializers.ModelSerializer):
    by = serializers.CharField()

    class Meta:
        model = CorrectionRow
        fields = ["setup", "field", "value", "reason", "first_shot", "last_shot", "by", "at"]


class ReductionShown(serializers.ModelSerializer):
    """One version of what a field book came to. Without `gives_shots` it does not close."""

    name = serializers.CharField(source="file.name")
    survey = serializers.IntegerField(source="file.survey_id")
    prepared_by = serializers.CharField()
    accepted_by = serializers.CharField(allow_null=True)
    sent_back_by = serializers.CharField(allow_null=True)
    corrections = CorrectionShown(many=True)

    class Meta:
        model = BookReduction
        fields = ["id", "uuid", "survey", "file", "name", "version", "state", "digest", "gives_shots"]
        fields += ["shots_n", "reason", "prepared_by", "prepared_at", "accepted_by", "accepted_at"]
        fields += ["accept_comment", "sent_back_by", "sent_back_at", "sent_back_reason", "corrections"]


class ReductionWhole(ReductionShown):
    """With its findings, what it pins, and the full record in the unit of the book."""

    findings = PlainFinding(many=True)
    request = serializers.DictField()
    record = serializers.DictField()

    class Meta(ReductionShown.Meta):
        fields = [*ReductionShown.Meta.fields, "findings", "request", "record"]


class SheetShown(serializers.Serializer):
    """Reduction line by line, closure sheet, network to scale, stored coordinates; unit of the book."""

    unit = serializers.CharField()
    rows = serializers.ListField(child=serializers.DictField())
    closure = serializers.DictField()
    network = serializers.DictField()
    stored = serializers.ListField(child=serializers.DictField())


class Reductions(RowsAndPost):
    """The reductions of a field book, the newest first; the next version."""

    model, related = BookReduction, OF_REDUCTION
    parents = {"survey_id": "file__survey_id", "file_id": "file_id"}
    owner = ("file_id", SurveyFile)
    serializer_class, given_class = ReductionShown, ReductionGiven

    def get_queryset(self) -> Any:
        return super().get_queryset().defer("record", "request").prefetch_related("corrections__by")

    def act(self, given: dict[str, Any]) -> Response:
        file, reason = _book(self), given.pop("reason")
        settings = settings_given(file, given) if given else None
        return self.show(fieldbooks.reduce_book(file, self.request.user, settings, reason=reason))


def settings_given(file: SurveyFile, given: dict[str, Any]) -> BookSettings:
    """The settings of the version before, with what was given laid over them."""
    before = file.reductions.order_by("-version").first()
    standing = BookSettings() if before is None else settings_from(before.request["settings"])
    changes: dict[str, Any] = dict(given)
    for name in ("limits", "precision"):
        if name in changes:
            changes[name] = tuple(sorted(changes[name].items()))
    if "stations" in changes:
        changes["stations"] = tuple(GivenStation(**one) for one in changes["stations"])
    if "azimuths" in changes:
        changes["azimuths"] = tuple((a["start"], a["end"], a["degrees"]) for a in changes["azimuths"])
    if changes.get("held") is not None:
        changes["held"] = tuple(changes["held"])
    return BookSettings(**{**vars(standing), **changes})


class BookStep(Posts):
    """A step on a field book that makes the next version of its reduction."""

    model, related = SurveyFile, ("survey__site__organization", "stored_file")
    parents = {"survey_id": "survey_id"}
    lookup_url_kwarg = "file_id"
    serializer_class = ReductionShown


class Corrections(BookStep):
    """Correct set-ups, each with a reason. The observations stay as they are."""

    given_class = CorrectionsGiven

    def act(self, given: dict[str, Any]) -> Response:
        corrections = [SetupCorrection(**one) for one in given["corrections"]]
        by = self.request.user
        return self.show(fieldbooks.correct_setups(self.get_object(), by, corrections, given["reason"]))


class AcceptMisclosure(BookStep):
    """Adjust in spite of a misclosure beyond its limit; the reason stays on record."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        by = self.request.user
        return self.show(fieldbooks.accept_misclosure(self.get_object(), by, given["reason"]))


class ReductionRow(Row):
    """One reduction with its findings, its pins and its record."""

    model, related = BookReduction, OF_REDUCTION
    lookup_url_kwarg = "reduction_id"
    serializer_class = ReductionWhole

    def get_queryset(self) -> Any:
        return super().get_queryset().prefetch_related("corrections__by")


class ReductionSheet(Door):
    """The reduction as it is checked by hand, worked out again from its pins."""

    model, related = BookReduction, OF_REDUCTION
    lookup_url_kwarg = "reduction_id"
    serializer_class = SheetShown

    def get(self, request: Request, **kwargs: Any) -> Response:
        reduction = self.get_object()
        solved = sheets.sheet_of(reduction)
        beside = frozenset(one["name"] for one in reduction.request["beside"])
        sheet = {
            "unit": solved.unit,
            "rows": sheets.reduction_rows(solved),
            "closure": sheets.closure_of(solved),
            "network": asdict(sheets.network_of(solved, beside)),
            "stored": sheets.stored_differences(solved),
        }
        return self.show(sheet, 200)


class ReductionStep(Posts):
    """A step in the life of a reduction, by another person than the preparer."""

    model, related = BookReduction, OF_REDUCTION
    lookup_url_kwarg = "reduction_id"
    serializer_class, status = ReductionShown, HTTPStatus.OK
    given_class: Any = Reason
    verb: ClassVar[Callable[..., Any]]

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(type(self).verb(self.get_object(), self.request.user, given["reason"]))


class AcceptReduction(ReductionStep):
    """Take the newest version as what the book came to."""

    given_class, verb = Comment, fieldbooks.accept


class SendReductionBack(ReductionStep):
    """Refuse a computed version; the answer to it is a new version."""

    verb = fieldbooks.send_back


def _book(door: Door) -> SurveyFile:
    rows = SurveyFile.objects.for_user(door.request.user).select_related("survey__site__organization")
    return get_object_or_404(rows, survey=door.kwargs["survey_id"], pk=door.kwargs["file_id"])
