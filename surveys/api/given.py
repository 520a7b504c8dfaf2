"""What the API takes for the evidence: shapes only. What may be is judged by the verbs."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from inventory.api.doors import Own
from inventory.models import Pile, Site
from surveys.models import SurveyFile
from surveys.models.evidence import LENGTH_UNITS


class SurveyGiven(serializers.Serializer):
    site = Own(Site, ("organization",))
    surveyed_on = serializers.DateField()
    method = serializers.CharField(required=False, allow_blank=True, default="", max_length=40)
    note = serializers.CharField(required=False, allow_blank=True, default="")
    started_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    ended_at = serializers.DateTimeField(required=False, allow_null=True, default=None)


class ReadAs(serializers.Serializer):
    """How a file is read. `columns` is the order of the columns, divided by commas."""

    columns = serializers.CharField(required=False, allow_blank=True, default="")
    unit = serializers.ChoiceField(LENGTH_UNITS, required=False, allow_blank=True, default="")
    delimiter = serializers.CharField(
        required=False, allow_blank=True, default="", trim_whitespace=False, max_length=8
    )
    decimal = serializers.ChoiceField([".", ","], required=False, allow_blank=True, default="")

    def validate_columns(self, value: str) -> list[str] | None:
        return [part.strip() for part in value.split(",")] if value.strip() else None


class FileGiven(ReadAs):
    """Without `pile` the file serves the whole yard and is split by the piles' outlines."""

    file = serializers.FileField()
    pile = Own(Pile, ("site__organization",), required=False, allow_null=True, default=None)
    purpose = serializers.ChoiceField(SurveyFile.Purpose.choices, default=SurveyFile.Purpose.MEASURE)


class GroundGiven(ReadAs):
    """A surveyed ground as the pile's next base."""

    file = serializers.FileField()
    height_uncertainty_m = serializers.DecimalField(max_digits=6, decimal_places=4)
    reason = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True, default=None)


class MeasureGiven(serializers.Serializer):
    """Without `pile` every pile that the files touch. A correction of an approved figure needs a reason."""

    pile = Own(Pile, ("site__organization",), required=False, allow_null=True, default=None)
    reason = serializers.CharField(required=False, allow_blank=True, default="")


class AcceptanceGiven(serializers.Serializer):
    code = serializers.CharField(max_length=60)
    reason = serializers.CharField()


def reading(given: dict[str, Any]) -> dict[str, Any]:
    return {name: given[name] for name in ("columns", "unit", "delimiter", "decimal")}
