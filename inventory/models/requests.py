from __future__ import annotations

from typing import Any

from django.db import models

from inventory.models.people import User


class KeptAnswerQuerySet(models.QuerySet[Any]):
    def for_user(self, user: Any) -> KeptAnswerQuerySet:
        """An answer is its asker's alone, in whatever organization they asked."""
        return self.filter(user_id=user.pk) if user.is_authenticated else self.none()


class KeptAnswer(models.Model):
    """What was answered to a write under its `Idempotency-Key`, so that the same request sent again gets
    the same answer and does nothing. `status` is empty while the first request is still at work.

    `asked_sha256` is taken over the method, the address and what was sent.
    """

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=200)
    asked_sha256 = models.CharField(max_length=64)
    asked_at = models.DateTimeField(auto_now_add=True)
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    body = models.JSONField(null=True, blank=True)

    objects = KeptAnswerQuerySet.as_manager()

    class Meta:
        ordering = ["user", "-asked_at"]
        constraints = [models.UniqueConstraint(fields=["user", "key"], name="answer_kept_once_a_key")]

    def __str__(self) -> str:
        return self.key
