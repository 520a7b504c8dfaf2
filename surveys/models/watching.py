"""What asks for attention, and the sign of life of the workers."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory.scope import ScopedQuerySet


class Alert(models.Model):
    """Something that somebody has to see to. One row per site, pile, kind, due date and subject, ever.

    `subject` names the thing it is about where there can be several (`limit:4`). `owner` is the one person
    who took it on; until then it waits for the role. `accepted_until` is the last day on which somebody
    lives with it, for a reason; after that it stands again.
    """

    organization_path = "site__organization"

    class Kind(models.TextChoices):
        SURVEY_DUE = "survey-due", "survey due"
        SURVEY_OVERDUE = "survey-overdue", "survey overdue"
        NOT_REPRODUCIBLE = "not-reproducible", "measurement not reproducible"
        LIMIT_NEAR = "limit-near", "limit near"
        LIMIT_OVER = "limit-over", "limit passed"
        BASE_STALE = "base-stale", "base older than a year"
        DENSITY_ENDING = "density-ending", "density ends"
        DENSITY_MISSING = "density-missing", "no density in force"
        DRIFT = "drift", "variance drifts"
        TICKETS_MISSING = "tickets-missing", "ticket numbers missing"
        MONTH_UNSIGNED = "month-unsigned", "month not signed"
        STEEP_FACE = "steep-face", "steep face or overhang"

    site = models.ForeignKey("inventory.Site", on_delete=models.CASCADE, related_name="alerts")
    pile = models.ForeignKey(
        "inventory.Pile", on_delete=models.CASCADE, null=True, blank=True, related_name="alerts"
    )
    kind = models.CharField(max_length=30, choices=Kind)
    message = models.TextField()
    owner_role = models.CharField(max_length=40)
    subject = models.CharField(max_length=60, blank=True, default="")
    due_on = models.DateField()
    raised_at = models.DateTimeField()
    resolved_at = models.DateTimeField(null=True, blank=True)
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="alerts"
    )
    owned_at = models.DateTimeField(null=True, blank=True)
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_reason = models.TextField(blank=True, default="")
    accepted_until = models.DateField(null=True, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["due_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "kind", "due_on", "subject"],
                condition=Q(pile__isnull=True),
                name="site_alert_once",
            ),
            models.UniqueConstraint(
                fields=["pile", "kind", "due_on", "subject"],
                condition=Q(pile__isnull=False),
                name="pile_alert_once",
            ),
            models.CheckConstraint(
                condition=Q(accepted_by__isnull=True, accepted_until__isnull=True, accepted_reason="")
                | (Q(accepted_by__isnull=False, accepted_until__isnull=False) & ~Q(accepted_reason="")),
                name="alert_acceptance_is_named",
            ),
        ]

    def __str__(self) -> str:
        return self.message


class AlertMail(models.Model):
    """An alert that was told to a person by e-mail: once for each time it was raised."""

    organization_path = "alert__site__organization"

    alert = models.ForeignKey(Alert, on_delete=models.CASCADE, related_name="mails")
    to = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    raised_at = models.DateTimeField()
    sent_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["-sent_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["alert", "to", "raised_at"], name="alert_mailed_once_a_person")
        ]

    def __str__(self) -> str:
        return f"{self.alert_id} to {self.to_id}"


class SurfaceFacts(models.Model):
    """What limits ask of a measured surface and its record does not hold: worked out from the kept geometry,
    may be deleted and worked out again.

    `steepest_deg` from level, held or passed by `face_m2` of the surface; `edge` the outer edge as a ring
    of [easting, northing], metres, site frame, as the calculator drew it.
    """

    organization_path = "measurement__survey__site__organization"

    measurement = models.OneToOneField(
        "surveys.Measurement", on_delete=models.CASCADE, related_name="surface_facts"
    )
    steepest_deg = models.FloatField(null=True, blank=True)
    face_m2 = models.FloatField()
    edge = models.JSONField(default=list)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["measurement"]
        verbose_name_plural = "surface facts"

    def __str__(self) -> str:
        return f"surface of measurement {self.measurement_id}"


class WorkerBeatQuerySet(models.QuerySet):
    def for_user(self, user: Any) -> WorkerBeatQuerySet:
        """Machines belong to the installation, not to an organization: only its staff see them."""
        return self if user.is_authenticated and user.is_staff else self.none()


class WorkerBeat(models.Model):
    """When each worker was last seen at work."""

    name = models.CharField(max_length=120, unique=True)
    seen_at = models.DateTimeField()

    objects = WorkerBeatQuerySet.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name
