"""What the API shows of the evidence. Amounts are decimals written as text; `u95` is expanded, k = 2."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.problems import Problem
from inventory.api.shown import Named
from surveys.models import Alert, FindingAcceptance, Measurement, Survey, SurveyFile, Transition
from surveys.site_words import told_at


class SurveyShown(serializers.ModelSerializer):
    site = Named()
    prepared_by = serializers.CharField()

    class Meta:
        model = Survey
        fields = ["id", "site", "surveyed_on", "started_at", "ended_at", "method", "note"]
        fields += ["prepared_by", "opened_at"]


class ProgressShown(serializers.Serializer):
    """How far the survey has come. `next_step` is what a person has to do now."""

    files = serializers.DictField(child=serializers.IntegerField())
    jobs = serializers.DictField(child=serializers.IntegerField())
    states = serializers.DictField(child=serializers.IntegerField())
    fraction = serializers.FloatField()
    is_working = serializers.BooleanField()
    next_step = serializers.CharField()


class FileShown(serializers.ModelSerializer):
    """`unclear` waits for its columns to be declared; `refused` says all that is wrong in `problems`."""

    pile = Named(allow_null=True)
    sha256 = serializers.CharField(source="stored_file.sha256")
    bytes = serializers.IntegerField(source="stored_file.bytes")
    columns = serializers.ListField(child=serializers.CharField(), allow_null=True)
    problems = serializers.DictField()
    preview = serializers.DictField()
    split = serializers.DictField()
    already = serializers.CharField()
    added_by = serializers.CharField()

    class Meta:
        model = SurveyFile
        fields = ["id", "survey", "name", "purpose", "pile", "sha256", "bytes", "columns", "unit"]
        fields += ["delimiter", "decimal", "state", "points_n", "problems", "preview", "split", "already"]
        fields += ["added_by", "added_at", "set_aside_at", "set_aside_reason"]


class FindingShown(serializers.Serializer):
    """`stop` must be corrected or accepted with a reason before approval."""

    code = serializers.CharField()
    severity = serializers.CharField()
    message = serializers.CharField(help_text="In metres, m² and m³, as every figure here.")
    message_in_site_units = serializers.CharField()
    where = serializers.CharField(allow_blank=True)
    effect_m3 = serializers.FloatField(allow_null=True)
    remedy = serializers.CharField(allow_blank=True, default="")


class AcceptanceShown(serializers.ModelSerializer):
    by = serializers.CharField()

    class Meta:
        model = FindingAcceptance
        fields = ["code", "reason", "by", "at"]


class TransitionShown(serializers.ModelSerializer):
    by = serializers.CharField(allow_null=True)

    class Meta:
        model = Transition
        fields = ["from_state", "to_state", "by", "role", "at", "comment", "hash_before", "hash_after"]


class MeasurementShown(serializers.ModelSerializer):
    """One version of one pile on one date, with its job and its figures once they are there."""

    pile = Named()
    prepared_by = serializers.CharField()
    reviewed_by = serializers.CharField(allow_null=True)
    approved_by = serializers.CharField(allow_null=True)
    error = serializers.DictField(allow_null=True)

    class Meta:
        model = Measurement
        fields = ["id", "uuid", "survey", "pile", "surveyed_on", "version", "supersedes", "state"]
        fields += ["job_state", "stage", "progress", "attempt", "error", "digest", "net_m3", "above_m3"]
        fields += ["below_m3", "u95_m3", "tonnes", "u95_t", "density", "base_version", "evidence_ref"]
        fields += ["prepared_by", "requested_at", "computed_at", "submitted_at", "reviewed_by"]
        fields += ["approved_by", "approved_at", "sent_back_reason", "correction_reason"]

    evidence_ref = serializers.CharField()


class MeasurementWhole(MeasurementShown):
    """With findings, what was accepted, its life so far, every input pinned and the full record."""

    findings = serializers.SerializerMethodField()
    acceptances = AcceptanceShown(many=True)
    transitions = TransitionShown(many=True)
    request = serializers.DictField()
    record = serializers.DictField(allow_null=True)

    class Meta(MeasurementShown.Meta):
        fields = [*MeasurementShown.Meta.fields, "findings", "acceptances", "transitions"]
        fields += ["request", "record"]

    @extend_schema_field(FindingShown(many=True))
    def get_findings(self, measurement: Measurement) -> Any:
        site = measurement.pile.site
        told = [
            {**finding, "message_in_site_units": told_at(site, finding)} for finding in measurement.findings
        ]
        return FindingShown(told, many=True).data


class ReplayShown(serializers.Serializer):
    """A recomputation changes nothing. Another digest under the same algorithm needs an administrator."""

    is_same = serializers.BooleanField()
    digest = serializers.CharField()
    recomputed_digest = serializers.CharField()
    algorithm = serializers.CharField()
    recomputed_algorithm = serializers.CharField()


class RefusedPile(serializers.Serializer):
    pile = Named()
    problem = Problem()


class AskedShown(serializers.Serializer):
    """`unchanged` stand because their inputs are the same; `refused` could not be asked for."""

    measurements = MeasurementShown(many=True)
    unchanged = MeasurementShown(many=True)
    refused = RefusedPile(many=True)


class AlertShown(serializers.ModelSerializer):
    site = Named()
    pile = Named(allow_null=True)
    owner = serializers.CharField(allow_null=True)
    accepted_by = serializers.CharField(allow_null=True)

    class Meta:
        model = Alert
        fields = ["id", "site", "pile", "kind", "subject", "message", "owner_role", "owner", "owned_at"]
        fields += ["due_on", "accepted_by", "accepted_until", "accepted_reason", "raised_at", "resolved_at"]


def refused_of(pile: Any, body: dict[str, Any]) -> dict[str, Any]:
    return {"pile": pile, "problem": body}
