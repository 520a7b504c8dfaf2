"""What asks for attention, and the sign of life of the workers."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.db.models import Q

from inventory.scope import ScopedQuerySet


class Alert(models.Model):
    """Something that a role has to see to. One row per site, pile, kind and due date, ever."""

    organization_path = "site__organization"

    class Kind(models.TextChoices):
        SURVEY_DUE = "survey-due", "survey due"
        SURVEY_OVERDUE = "survey-overdue", "survey overdue"
        NOT_REPRODUCIBLE = "not-reproducible", "measurement not reproducible"

    site = models.ForeignKey("inventory.Site", on_delete=models.CASCADE, related_name="alerts")
    pile = models.ForeignKey(
        "inventory.Pile", on_delete=models.CASCADE, null=True, blank=True, related_name="alerts"
    )
    kind = models.CharField(max_length=30, choices=Kind)
    message = models.TextField()
    owner_role = models.CharField(max_length=40)
    due_on = models.DateField()
    raised_at = models.DateTimeField()
    resolved_at = models.DateTimeField(null=True, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["due_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "kind", "due_on"], condition=Q(pile__isnull=True), name="site_alert_once"
            ),
            models.UniqueConstraint(
                fields=["pile", "kind", "due_on"], condition=Q(pile__isnull=False), name="pile_alert_once"
            ),
        ]

    def __str__(self) -> str:
        return self.message


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
