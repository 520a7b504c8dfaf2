"""What a field book came to: its reductions, their corrections, and what each survey said of the control."""

from __future__ import annotations

import uuid
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory.scope import ScopedQuerySet
from surveys.models.evidence import ControlPoint, Survey, SurveyFile

SOMEBODY = {"on_delete": models.PROTECT, "related_name": "+"}
NOBODY_YET = {**SOMEBODY, "null": True, "blank": True}
OFFSET_M = {"max_digits": 9, "decimal_places": 4, "null": True, "blank": True}


class BookReductionQuerySet(ScopedQuerySet):
    def live(self) -> BookReductionQuerySet:
        """What stands: neither sent back nor superseded. Of one book the highest version is meant."""
        return self.filter(state__in=[BookReduction.State.COMPUTED, BookReduction.State.ACCEPTED])


class BookReduction(models.Model):
    """One version of what a field book came to. Write-once but for the steps of its life.

    `request` pins the bytes by hash, the control by its values, the settings and every correction;
    `record` is the calculator's record in the unit of the book, `digest` its hash. A book that does not
    close gives no shots (`gives_shots`) until it is corrected or its misclosure is accepted with a reason.

    computed → accepted → superseded;  computed → rejected (sent back);  computed → superseded
    """

    organization_path = "file__survey__site__organization"

    class State(models.TextChoices):
        COMPUTED = "computed", "computed"
        ACCEPTED = "accepted", "accepted"
        REJECTED = "rejected", "sent back"
        SUPERSEDED = "superseded", "superseded"

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    file = models.ForeignKey(SurveyFile, on_delete=models.PROTECT, related_name="reductions")
    version = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=State, default=State.COMPUTED)
    request = models.JSONField()
    record = models.JSONField()
    digest = models.CharField(max_length=80)
    gives_shots = models.BooleanField()
    shots_n = models.PositiveIntegerField()
    reason = models.TextField(blank=True, default="")
    prepared_by = models.ForeignKey(settings.AUTH_USER_MODEL, **SOMEBODY)
    prepared_at = models.DateTimeField(auto_now_add=True)
    accepted_by = models.ForeignKey(settings.AUTH_USER_MODEL, **NOBODY_YET)
    accepted_at = models.DateTimeField(null=True, blank=True)
    accept_comment = models.TextField(blank=True, default="")
    sent_back_by = models.ForeignKey(settings.AUTH_USER_MODEL, **NOBODY_YET)
    sent_back_at = models.DateTimeField(null=True, blank=True)
    sent_back_reason = models.TextField(blank=True, default="")

    objects = BookReductionQuerySet.as_manager()

    class Meta:
        ordering = ["file", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["file", "version"], name="reduction_version_once"),
            models.UniqueConstraint(
                fields=["file"], condition=Q(state="accepted"), name="one_accepted_reduction_per_book"
            ),
            models.CheckConstraint(
                name="accepted_reduction_has_a_name",
                condition=~Q(state="accepted") | Q(accepted_by__isnull=False, accepted_at__isnull=False),
            ),
            models.CheckConstraint(
                name="preparer_accepts_no_reduction",
                condition=Q(accepted_by__isnull=True) | ~Q(accepted_by=F("prepared_by")),
            ),
            models.CheckConstraint(name="reduction_two_has_a_reason", condition=Q(version=1) | ~Q(reason="")),
        ]

    def __str__(self) -> str:
        return f"{self.file.name} v{self.version}"

    @property
    def findings(self) -> list[dict[str, Any]]:
        return list(self.record.get("findings", []))


class SetupCorrection(models.Model):
    """What a person corrects in a set-up, and why. The observations stay; later versions carry it on."""

    organization_path = "reduction__file__survey__site__organization"

    reduction = models.ForeignKey(BookReduction, on_delete=models.PROTECT, related_name="corrections")
    setup = models.CharField(max_length=40)
    field = models.CharField(max_length=20)
    value = models.CharField(max_length=60)
    reason = models.TextField()
    first_shot = models.CharField(max_length=40, blank=True, default="")
    last_shot = models.CharField(max_length=40, blank=True, default="")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, **SOMEBODY)
    at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(name="correction_has_a_reason", condition=~Q(reason="")),
        ]

    def __str__(self) -> str:
        return f"{self.field} of set-up {self.setup} = {self.value}"


class CheckMeasurement(models.Model):
    """What one survey saw of one mark: measured minus known, metres.

    `north_m`, `east_m`, `up_m` where the mark was placed from a set-up; `distance_m` where only the
    distance was compared. `from_mark` and `backsight` are the marks that the set-up hung on, empty in a
    file of coordinates. Uncertainties are of the check alone (1 σ), without the control's own.
    """

    organization_path = "survey__site__organization"

    class Kind(models.TextChoices):
        BACKSIGHT = "backsight-distance", "back-sight distance against coordinates"
        RE_SHOT = "re-shot", "mark shot again"
        CLOSING = "closing", "closing shot"

    survey = models.ForeignKey(Survey, on_delete=models.PROTECT, related_name="control_checks")
    reduction = models.ForeignKey(
        BookReduction, on_delete=models.PROTECT, null=True, blank=True, related_name="checks"
    )
    file = models.ForeignKey(SurveyFile, on_delete=models.PROTECT, related_name="checks")
    control_point = models.ForeignKey(ControlPoint, on_delete=models.PROTECT, related_name="checks")
    from_mark = models.CharField(max_length=40, blank=True, default="")
    backsight = models.CharField(max_length=40, blank=True, default="")
    kind = models.CharField(max_length=20, choices=Kind)
    measured_on = models.DateField()
    north_m = models.DecimalField(**OFFSET_M)
    east_m = models.DecimalField(**OFFSET_M)
    up_m = models.DecimalField(**OFFSET_M)
    distance_m = models.DecimalField(**OFFSET_M)
    plan_u_m = models.DecimalField(max_digits=6, decimal_places=4)
    height_u_m = models.DecimalField(max_digits=6, decimal_places=4)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["measured_on", "id"]
        indexes = [models.Index(fields=["control_point", "measured_on"])]

    def __str__(self) -> str:
        return f"{self.control_point} on {self.measured_on}"


class ControlEvent(models.Model):
    """One step in the life of a mark: proposed, approved, doubted, destroyed, restored. Write-once."""

    organization_path = "control_point__site__organization"

    class What(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        APPROVED = "approved", "approved"
        WITHDRAWN = "withdrawn", "withdrawn"
        SUSPECT = "suspect", "marked as suspect"
        DESTROYED = "destroyed", "marked as destroyed"
        RESTORED = "restored", "restored"

    control_point = models.ForeignKey(ControlPoint, on_delete=models.PROTECT, related_name="events")
    what = models.CharField(max_length=10, choices=What)
    on = models.DateField()
    reason = models.TextField(blank=True, default="")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, **SOMEBODY)
    at = models.DateTimeField(auto_now_add=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.control_point} {self.what} on {self.on}"
