"""Every query begins at the organizations a person belongs to today."""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.db import models
from django.utils import timezone


def memberships_in_force(user: Any) -> models.QuerySet[Any]:
    """The user's memberships that have not ended; `ends_on` is the first day without the role (UTC).

    Nobody signed in, or a user who was switched off, has none.
    """
    membership = apps.get_model("inventory", "Membership")
    if user is None or not user.is_authenticated or not user.is_active:
        return membership.objects.none()
    still_running = models.Q(ends_on__isnull=True) | models.Q(ends_on__gt=timezone.now().date())
    return membership.objects.filter(still_running, user_id=user.pk)


def organizations_of(user: Any) -> models.QuerySet[Any]:
    """Ids of the organizations the user belongs to today, as a subquery."""
    return memberships_in_force(user).order_by().values("organization_id")


class ScopedQuerySet(models.QuerySet[Any]):
    """Rows that belong to an organization through `Model.organization_path`.

    A superuser sees no more than anybody else: rights come from roles alone.
    """

    def for_user(self, user: Any) -> Any:
        return self.filter(**{f"{self.model.organization_path}__in": organizations_of(user)})
