"""What was measured: one version of one pile on one date, its job, its findings accepted, its life."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory.scope import ScopedQuerySet
from surveys.models.evidence import Survey

VOLUME = {"max_digits": 16, "decimal_places": 3, "null": True, "blank": True}


class State(models.TextChoices):
    DRAFT = "draft", "draft"
    COMPUTED = "computed", "computed"
    REVIEWED = "reviewed", "reviewed"
    APPROVED = "approved", "approved"
    SUPERSEDED = "superseded", "superseded"
    REJECTED = "rejected", "sent back"
    WITHDRAWN = "withdrawn", "withdrawn"


class JobState(models.TextChoices):
    WAITING = "waiting", "waiting"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"


class Measurement(models.Model):
    """One version of the measured volume of one pile on one date.

    `request` pins every input by hash, id and value, so that the digest can be worked out again;
    `record` is the full record of the calculator in doubles; the columns hold the decimals printed,
    where `net_m3 = above_m3 − below_m3` exactly. Uncertainties are expanded, k = 2.
    The row is the truth about its job; a message in the broker is only a doorbell.
    """

    organization_path = "survey__site__organization"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    survey = models.ForeignKey(Survey, on_delete=models.PROTECT, related_name="measurements")
    pile = models.ForeignKey("inventory.Pile", on_delete=models.PROTECT, related_name="measurements")
    surveyed_on = models.DateField()
    version = models.PositiveIntegerField()
    supersedes = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    state = models.CharField(max_length=12, choices=State, default=State.DRAFT)

    job_state = models.CharField(max_length=10, choices=JobState, default=JobState.WAITING)
    stage = models.CharField(max_length=60, blank=True, default="")
    progress = models.FloatField(default=0.0)
    attempt = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    worker = models.CharField(max_length=120, blank=True, default="")
    bell_rung_at = models.DateTimeField(null=True, blank=True)
    error = models.JSONField(null=True, blank=True)

    request = models.JSONField(default=dict)
    record = models.JSONField(null=True, blank=True)
    digest = models.CharField(max_length=80, blank=True, default="")
    net_m3 = models.DecimalField(**VOLUME)
    above_m3 = models.DecimalField(**VOLUME)
    below_m3 = models.DecimalField(**VOLUME)
    u95_m3 = models.DecimalField(**VOLUME)
    tonnes = models.DecimalField(**VOLUME)
    u95_t = models.DecimalField(**VOLUME)
    density = models.ForeignKey(
        "inventory.DensityRecord", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    base_version = models.ForeignKey(
        "inventory.BaseVersion", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    geometry_path = models.CharField(max_length=255, blank=True, default="")
    geometry_sha256 = models.CharField(max_length=64, blank=True, default="")

    prepared_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField(auto_now_add=True)
    computed_at = models.DateTimeField(null=True, blank=True)
    submitted_at = models.DateTimeField(null=True, blank=True)
    reviewed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True)
    sent_back_reason = models.TextField(blank=True, default="")
    correction_reason = models.TextField(blank=True, default="")

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["-surveyed_on", "pile", "-version"]
        indexes = [
            models.Index(fields=["pile", "-surveyed_on", "-version"]),
            models.Index(fields=["job_state", "lease_until"]),
            models.Index(fields=["survey", "state"]),
            models.Index(fields=["digest"], name="measurement_by_digest"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["pile", "surveyed_on", "version"], name="measurement_version_once"
            ),
            models.UniqueConstraint(
                fields=["pile", "surveyed_on"],
                condition=Q(state="approved"),
                name="one_approved_measurement_per_pile_and_date",
            ),
            models.CheckConstraint(
                name="measured_means_all_figures",
                condition=Q(state__in=["draft", "rejected", "withdrawn"])
                | Q(
                    digest__gt="",
                    record__isnull=False,
                    net_m3__isnull=False,
                    above_m3__isnull=False,
                    below_m3__isnull=False,
                    u95_m3__isnull=False,
                ),
            ),
            models.CheckConstraint(
                name="approved_means_all_names",
                condition=~Q(state__in=["approved", "superseded"])
                | Q(approved_by__isnull=False, approved_at__isnull=False, reviewed_by__isnull=False),
            ),
            models.CheckConstraint(
                name="preparer_neither_reviews_nor_approves",
                condition=(Q(reviewed_by__isnull=True) | ~Q(reviewed_by=F("prepared_by")))
                & (Q(approved_by__isnull=True) | ~Q(approved_by=F("prepared_by"))),
            ),
            models.CheckConstraint(
                name="tonnes_never_without_uncertainty",
                condition=Q(tonnes__isnull=True) | Q(u95_t__isnull=False, density__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pile} {self.surveyed_on} v{self.version}"

    @property
    def evidence_ref(self) -> str:
        """The opaque name under which the book knows this measurement."""
        return f"measurement:{self.uuid}"

    @property
    def findings(self) -> list[dict]:
        return list((self.record or {}).get("findings", []))


class FindingAcceptance(models.Model):
    """A person accepts the findings of one code on one measurement, and says why."""

    organization_path = "measurement__survey__site__organization"

    measurement = models.ForeignKey(Measurement, on_delete=models.PROTECT, related_name="acceptances")
    code = models.CharField(max_length=60)
    reason = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["measurement", "code"], name="finding_accepted_once"),
        ]

    def __str__(self) -> str:
        return f"{self.code} accepted"


class Transition(models.Model):
    """One step in the life of a measurement. `by` is empty where the worker moved it. Write-once.

    The hashes are SHA-256 over the canonical form of what the measurement said before and after.
    """

    organization_path = "measurement__survey__site__organization"

    measurement = models.ForeignKey(Measurement, on_delete=models.PROTECT, related_name="transitions")
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12, choices=State)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    role = models.CharField(max_length=40, blank=True, default="")
    at = models.DateTimeField()
    comment = models.TextField(blank=True, default="")
    hash_before = models.CharField(max_length=64, blank=True, default="")
    hash_after = models.CharField(max_length=64)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.from_state} → {self.to_state}"
