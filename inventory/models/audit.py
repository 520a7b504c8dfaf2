from __future__ import annotations

from django.db import models

from inventory.models.people import Organization, User
from inventory.scope import ScopedQuerySet


class AuditEvent(models.Model):
    """One thing that somebody did, chained to the one before it in the same organization. Write-once.

    `sha256` is taken over the canonical form (RFC 8785) of all other fields, `previous_sha256` among
    them, so that no event can be changed, left out or put in between unseen. `seq` counts from 1 without
    a gap. `subject` names a row as `model:id` and is opaque here. `before_sha256` and `after_sha256` are
    hashes of what the subject said before and after, where it changed.
    """

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="audit_events")
    seq = models.PositiveBigIntegerField()
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    roles = models.CharField(max_length=200, blank=True)
    verb = models.CharField(max_length=60)
    subject = models.CharField(max_length=120)
    detail = models.JSONField(default=dict)
    before_sha256 = models.CharField(max_length=64, blank=True)
    after_sha256 = models.CharField(max_length=64, blank=True)
    previous_sha256 = models.CharField(max_length=64, blank=True)
    sha256 = models.CharField(max_length=64)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "seq"]
        indexes = [models.Index(fields=["organization", "subject"], name="audit_by_subject")]
        constraints = [
            models.UniqueConstraint(fields=["organization", "seq"], name="audit_seq_once"),
            models.CheckConstraint(
                condition=~models.Q(verb="") & ~models.Q(subject="") & ~models.Q(sha256=""),
                name="audit_says_what",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.seq} {self.verb} {self.subject}"
