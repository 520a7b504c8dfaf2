from __future__ import annotations

from django.db import models


class Status(models.TextChoices):
    """Life of a density record or a base version. Database triggers allow only
    proposed → approved, proposed → withdrawn and approved → superseded."""

    PROPOSED = "proposed", "proposed"
    APPROVED = "approved", "approved"
    SUPERSEDED = "superseded", "superseded"
    WITHDRAWN = "withdrawn", "withdrawn"


class Dated(models.Model):
    """In force on the days `valid_from <= day < valid_to`; open while `valid_to` is empty."""

    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)
    status = models.CharField(max_length=12, choices=Status, default=Status.PROPOSED)
    reason = models.TextField()
    proposed_by = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    proposed_at = models.DateTimeField(auto_now_add=True)
    approved_by = models.ForeignKey(
        "inventory.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(
        "inventory.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    withdrawn_reason = models.TextField(blank=True)
    supersedes = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="successors"
    )

    class Meta:
        abstract = True

    @property
    def is_in_force(self) -> bool:
        """Approved and not replaced as a whole; whether a date is covered is for `covers`."""
        return self.status == Status.APPROVED

    def covers(self, on: object) -> bool:
        """Whether the day `on` lies in `[valid_from, valid_to)`."""
        return self.valid_from <= on and (self.valid_to is None or on < self.valid_to)


def dated_constraints(table: str) -> list[models.BaseConstraint]:
    """What the database itself holds true of a dated record; overlap is kept out by triggers."""
    approved_names = models.Q(approved_by__isnull=False, approved_at__isnull=False)
    unapproved_names = models.Q(approved_by__isnull=True, approved_at__isnull=True)
    approved = models.Q(status__in=[Status.APPROVED, Status.SUPERSEDED])
    return [
        models.CheckConstraint(
            condition=models.Q(valid_to__isnull=True) | models.Q(valid_to__gt=models.F("valid_from")),
            name=f"{table}_validity_has_days",
        ),
        models.CheckConstraint(condition=models.Q(status__in=Status.values), name=f"{table}_status_known"),
        models.CheckConstraint(
            condition=(approved & approved_names) | (~approved & unapproved_names),
            name=f"{table}_approval_is_named",
        ),
        models.CheckConstraint(
            condition=models.Q(approved_by__isnull=True) | ~models.Q(approved_by=models.F("proposed_by")),
            name=f"{table}_preparer_is_not_approver",
        ),
        models.CheckConstraint(condition=~models.Q(reason=""), name=f"{table}_has_reason"),
    ]
