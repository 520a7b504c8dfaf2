"""What the API takes for the book: shapes only. What may be is judged by the verbs."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.doors import Own
from inventory.models import BaseVersion, DensityRecord, Material, Pile, Site


class SiteChange(serializers.Serializer):
    name = serializers.CharField(required=False)
    timezone = serializers.CharField(required=False)
    length_unit = serializers.CharField(required=False)
    volume_unit = serializers.CharField(required=False)
    mass_unit = serializers.CharField(required=False)
    survey_method = serializers.CharField(required=False)
    survey_every_days = serializers.IntegerField(required=False, allow_null=True)
    day_end = serializers.TimeField(required=False)


class SiteGiven(SiteChange):
    organization = serializers.SlugField(required=False)
    code = serializers.CharField(max_length=20)
    name = serializers.CharField(max_length=200)


class MaterialGiven(serializers.Serializer):
    organization = serializers.SlugField(required=False)
    code = serializers.CharField(max_length=20)
    name = serializers.CharField(max_length=200)


class PileGiven(serializers.Serializer):
    site = Own(Site, ("organization",))
    material = Own(Material, ("organization",))
    code = serializers.CharField(max_length=30)
    name = serializers.CharField(max_length=200)
    opened_on = serializers.DateField()
    outline = serializers.ListField(
        child=serializers.ListField(child=serializers.FloatField(), min_length=2, max_length=2),
        required=False,
    )
    hazards = serializers.CharField(required=False, allow_blank=True)


class DensityGiven(serializers.Serializer):
    """Of `site` and `pile` at most one; neither: the whole organization."""

    material = Own(Material, ("organization",))
    site = Own(Site, ("organization",), required=False, allow_null=True)
    pile = Own(Pile, ("site__organization", "material"), required=False, allow_null=True)
    t_per_m3 = serializers.DecimalField(max_digits=8, decimal_places=4)
    state = serializers.ChoiceField(DensityRecord.State.choices, required=False)
    moisture_basis = serializers.ChoiceField(DensityRecord.MoistureBasis.choices, required=False)
    moisture_percent = serializers.DecimalField(
        max_digits=5, decimal_places=2, required=False, allow_null=True
    )
    moisture_percent_of = serializers.ChoiceField(DensityRecord.PercentOf.choices, required=False)
    grade = serializers.ChoiceField(DensityRecord.Grade.choices)
    standard_uncertainty_percent = serializers.DecimalField(
        max_digits=5, decimal_places=2, required=False, allow_null=True
    )
    tests_n = serializers.IntegerField(required=False, allow_null=True, min_value=1)
    method = serializers.CharField(max_length=200)
    reason = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True)


class BaseGiven(serializers.Serializer):
    """A base other than a surveyed ground, which comes with its file at `surveyed-bases/`."""

    kind = serializers.ChoiceField([c for c in BaseVersion.Kind.choices if c[0] != BaseVersion.Kind.SURFACE])
    level_m = serializers.DecimalField(max_digits=9, decimal_places=4, required=False, allow_null=True)
    height_uncertainty_m = serializers.DecimalField(max_digits=6, decimal_places=4)
    reason = serializers.CharField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True)


class TokenGiven(serializers.Serializer):
    name = serializers.CharField(max_length=150)
    password = serializers.CharField(trim_whitespace=False, style={"input_type": "password"})
