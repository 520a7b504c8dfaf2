"""What came in: files as received, the survey they belong to, and the control they are held against."""

from __future__ import annotations

from decimal import Decimal

from django.conf import settings
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q

from inventory.scope import ScopedQuerySet

LENGTH_UNITS = [("metre", "metre"), ("foot", "international foot"), ("us-survey-foot", "US survey foot")]


class StoredFile(models.Model):
    """Bytes as received, kept once per organization under their SHA-256. Write-once by database triggers."""

    organization_path = "organization"

    organization = models.ForeignKey("inventory.Organization", on_delete=models.PROTECT, related_name="+")
    sha256 = models.CharField(max_length=64, validators=[RegexValidator(r"^[0-9a-f]{64}$")])
    bytes = models.PositiveBigIntegerField()
    name = models.CharField(max_length=255)
    path = models.CharField(max_length=255)
    received_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["organization", "sha256"], name="stored_once_per_organization"),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.sha256[:12]})"


class Survey(models.Model):
    """One visit to a site on one date. `uncertainty` and `limits` override those of the site."""

    organization_path = "site__organization"

    site = models.ForeignKey("inventory.Site", on_delete=models.PROTECT, related_name="surveys")
    surveyed_on = models.DateField()
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    method = models.CharField(max_length=40)
    note = models.TextField(blank=True, default="")
    uncertainty = models.JSONField(default=dict, blank=True)
    limits = models.JSONField(default=dict, blank=True)
    prepared_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    opened_at = models.DateTimeField(auto_now_add=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["-surveyed_on", "-id"]
        indexes = [models.Index(fields=["site", "-surveyed_on"])]
        constraints = [
            models.CheckConstraint(
                name="survey_ends_after_it_starts",
                condition=Q(started_at__isnull=True)
                | Q(ended_at__isnull=True)
                | Q(ended_at__gte=F("started_at")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.surveyed_on}"


class SurveyFile(models.Model):
    """One file of a survey: how its bytes are read, and what came of reading them.

    `pile` empty means the whole yard: its shots are split by the outlines of the piles.
    `problems` is the refusal with all its problems; `split` counts the shots per pile.
    """

    organization_path = "survey__site__organization"

    class Purpose(models.TextChoices):
        MEASURE = "measure", "shots to measure"
        EDGE = "edge", "drawn outer edge"
        FIELD_BOOK = "field-book", "field book"
        STORED = "stored", "coordinates as the instrument stored them"

    WITH_SHOTS = (Purpose.MEASURE, Purpose.FIELD_BOOK)
    """Purposes of files whose shots are measured."""

    class State(models.TextChoices):
        UNCLEAR = "unclear", "needs a choice"
        READ = "read", "read"
        REFUSED = "refused", "refused"

    already: str = ""
    """When the same bytes came before, in words; set by the intake of this row, not kept."""

    survey = models.ForeignKey(Survey, on_delete=models.PROTECT, related_name="files")
    stored_file = models.ForeignKey(StoredFile, on_delete=models.PROTECT, related_name="uses")
    purpose = models.CharField(max_length=10, choices=Purpose, default=Purpose.MEASURE)
    pile = models.ForeignKey(
        "inventory.Pile", on_delete=models.PROTECT, null=True, blank=True, related_name="survey_files"
    )
    name = models.CharField(max_length=255)
    columns = models.JSONField(null=True, blank=True)
    unit = models.CharField(max_length=20, choices=LENGTH_UNITS)
    delimiter = models.CharField(max_length=8, blank=True, default="")
    decimal = models.CharField(max_length=1, blank=True, default="")
    state = models.CharField(max_length=10, choices=State)
    problems = models.JSONField(default=dict, blank=True)
    preview = models.JSONField(default=dict, blank=True)
    split = models.JSONField(default=dict, blank=True)
    points_n = models.PositiveIntegerField(null=True, blank=True)
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField(auto_now_add=True)
    set_aside_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    set_aside_at = models.DateTimeField(null=True, blank=True)
    set_aside_reason = models.TextField(blank=True, default="")

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(
                fields=["survey", "stored_file"],
                condition=Q(set_aside_at__isnull=True),
                name="bytes_once_per_survey",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class ControlPointQuerySet(ScopedQuerySet):
    def in_force_on(self, day: object) -> ControlPointQuerySet:
        """Approved control as it stood on `day`: `valid_from <= day < valid_to`."""
        still = Q(valid_to__isnull=True) | Q(valid_to__gt=day)
        return self.filter(still, valid_from__lte=day, approval=ControlPoint.Approval.APPROVED)

    def trusted_on(self, day: object) -> ControlPointQuerySet:
        """Control in force on `day` that nobody doubted then: what a traverse may hang on."""
        return self.in_force_on(day).exclude(standing=ControlPoint.Standing.SUSPECT, standing_since__lte=day)


class ControlPoint(models.Model):
    """A control station of a site from `valid_from` to before `valid_to`: a moved mark is a new row.

    `plan_u_m` and `height_u_m` are standard uncertainties (1 σ), `source` says where the place is from. A
    proposal is in force from its approval by another person on; rows older than that rule have no names.
    """

    organization_path = "site__organization"

    class Standing(models.TextChoices):
        IN_FORCE = "in-force", "in force"
        SUSPECT = "suspect", "suspect"
        DESTROYED = "destroyed", "destroyed"

    class Approval(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        APPROVED = "approved", "approved"
        WITHDRAWN = "withdrawn", "withdrawn"

    site = models.ForeignKey("inventory.Site", on_delete=models.PROTECT, related_name="control_points")
    name = models.CharField(max_length=40)
    northing_m = models.DecimalField(max_digits=14, decimal_places=4)
    easting_m = models.DecimalField(max_digits=14, decimal_places=4)
    elevation_m = models.DecimalField(max_digits=10, decimal_places=4)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    source = models.TextField(blank=True, default="")
    plan_u_m = models.DecimalField(max_digits=6, decimal_places=4, default=Decimal("0.0050"))
    height_u_m = models.DecimalField(max_digits=6, decimal_places=4, default=Decimal("0.0050"))
    standing = models.CharField(max_length=10, choices=Standing, default=Standing.IN_FORCE)
    standing_since = models.DateField(null=True, blank=True)
    approval = models.CharField(max_length=10, choices=Approval, default=Approval.APPROVED)
    proposed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = ControlPointQuerySet.as_manager()

    class Meta:
        ordering = ["site", "name", "valid_from"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "name", "valid_from"],
                condition=~Q(approval="withdrawn"),
                name="control_version_once",
            ),
            models.CheckConstraint(
                name="control_ends_after_it_starts",
                condition=Q(valid_to__isnull=True) | Q(valid_to__gt=F("valid_from")),
            ),
            models.CheckConstraint(
                name="control_proposer_does_not_approve",
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("proposed_by")),
            ),
            models.CheckConstraint(
                name="control_uncertainty_positive", condition=Q(plan_u_m__gt=0, height_u_m__gt=0)
            ),
        ]

    def __str__(self) -> str:
        return self.name
