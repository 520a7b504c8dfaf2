"""What the API shows of the book. Amounts are decimals written as text, so that no reader rounds them."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from inventory.density import signatures_missing
from inventory.models import BaseVersion, DensityApproval, DensityRecord, Material, Pile, Site, StockCount


class Named(serializers.Serializer):
    """A thing by id, code and name."""

    id = serializers.IntegerField(source="pk")
    code = serializers.CharField()
    name = serializers.CharField()


class OrganizationShown(serializers.Serializer):
    slug = serializers.CharField()
    name = serializers.CharField()


class SiteShown(serializers.ModelSerializer):
    organization = OrganizationShown()
    code_rules = serializers.DictField()
    uncertainty = serializers.DictField()
    limits = serializers.DictField()

    class Meta:
        model = Site
        fields = ["id", "organization", "code", "name", "timezone", "length_unit", "volume_unit"]
        fields += ["mass_unit", "code_rules", "survey_method", "survey_every_days", "day_end"]
        fields += ["uncertainty", "limits"]


class MaterialShown(serializers.ModelSerializer):
    organization = OrganizationShown()

    class Meta:
        model = Material
        fields = ["id", "organization", "code", "name"]


class PileShown(serializers.ModelSerializer):
    site = Named()
    material = Named()
    outline = serializers.ListField(child=serializers.ListField(child=serializers.FloatField()))

    class Meta:
        model = Pile
        fields = ["id", "site", "code", "name", "material", "outline", "opened_on", "closed_on", "hazards"]


class DatedShown(serializers.ModelSerializer):
    """Who proposed it, who approved it, and for which days."""

    proposed_by = serializers.CharField()
    approved_by = serializers.CharField(allow_null=True)
    withdrawn_by = serializers.CharField(allow_null=True)


DATED = ["valid_from", "valid_to", "status", "reason", "proposed_by", "proposed_at", "approved_by"]
DATED += ["approved_at", "withdrawn_by", "withdrawn_reason", "supersedes"]


class SignatureShown(serializers.ModelSerializer):
    by = serializers.CharField()

    class Meta:
        model = DensityApproval
        fields = ["role", "by", "at"]


class DensityShown(DatedShown):
    material = Named()
    site = Named(allow_null=True)
    pile = Named(allow_null=True)
    scope = serializers.CharField()
    approvals = SignatureShown(many=True)
    approvals_missing = serializers.SerializerMethodField()

    class Meta:
        model = DensityRecord
        fields = ["id", "label", "material", "scope", "site", "pile", "t_per_m3", "state", "moisture_basis"]
        fields += ["moisture_percent", "moisture_percent_of", "grade", "standard_uncertainty_percent"]
        fields += ["tests_n", "method", "approvals", "approvals_missing", *DATED]

    label = serializers.CharField()

    def get_approvals_missing(self, record: Any) -> list[str]:
        return [str(role) for role in signatures_missing(record)]


class BaseShown(DatedShown):
    pile = Named()

    class Meta:
        model = BaseVersion
        fields = ["id", "pile", "version", "kind", "level_m", "evidence_name", "evidence_sha256"]
        fields += ["height_uncertainty_m", *DATED]


class CountShown(serializers.ModelSerializer):
    """Uncertainties (`u95`) are expanded, k = 2. A count that left force says since when."""

    pile = Named()
    recorded_by = serializers.CharField()

    class Meta:
        model = StockCount
        fields = ["id", "pile", "counted_on", "counted_at", "volume_m3", "below_base_m3", "volume_u95_m3"]
        fields += ["tonnes", "tonnes_u95_t", "density", "base", "evidence_ref", "evidence_digest"]
        fields += ["recorded_by", "recorded_at", "supersedes", "superseded_at", "withdrawn_reason"]


AMOUNT = {"max_digits": 20, "decimal_places": 3}


class TotalShown(serializers.Serializer):
    """A sum with its own ± (k = 2), which is not the sum of the ±."""

    volume_m3 = serializers.DecimalField(**AMOUNT)
    volume_u95_m3 = serializers.DecimalField(**AMOUNT)
    tonnes = serializers.DecimalField(**AMOUNT, allow_null=True)
    tonnes_u95_t = serializers.DecimalField(**AMOUNT, allow_null=True)
    without_tonnes_n = serializers.IntegerField()
    is_mixed_basis = serializers.BooleanField()


class RollShown(serializers.Serializer):
    material = Named(allow_null=True)
    site = Named(allow_null=True)
    pile = Named(allow_null=True)
    piles_n = serializers.IntegerField()
    not_counted_n = serializers.IntegerField()
    oldest_age_days = serializers.IntegerField(allow_null=True)
    total = TotalShown()


class StockShown(serializers.Serializer):
    organization = OrganizationShown()
    by = serializers.CharField()
    rows = RollShown(many=True)
    everything = RollShown()
