from __future__ import annotations

from typing import Any

from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models

from inventory.scope import ScopedQuerySet, organizations_of


class Role(models.TextChoices):
    SURVEYOR = "surveyor", "surveyor"
    LEAD_SURVEYOR = "lead_surveyor", "lead surveyor"
    MANAGER = "manager", "manager"
    ACCOUNTANT = "accountant", "accountant"
    CONTROLLER = "controller", "controller"
    AUDITOR = "auditor", "auditor"
    ADMINISTRATOR = "administrator", "administrator"


class UserQuerySet(models.QuerySet[Any]):
    def for_user(self, user: Any) -> Any:
        """People of the user's organizations, former members too: their names stand on old records."""
        colleagues = Membership.objects.filter(organization__in=organizations_of(user)).order_by()
        return self.filter(pk__in=colleagues.values("user_id"))


class PeopleManager(UserManager.from_queryset(UserQuerySet)):
    # Migrations need no manager, and must not import this one.
    use_in_migrations = False


class User(AbstractUser):
    """A person who signs in. What they may do comes from `Membership` alone."""

    objects = PeopleManager()

    class Meta:
        ordering = ["username"]

    def __str__(self) -> str:
        return self.get_full_name() or self.username


class Organization(models.Model):
    """Whose stock it is. Nothing crosses from one organization to another."""

    organization_path = "pk"

    name = models.CharField(max_length=200)
    slug = models.SlugField(max_length=60, unique=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]
        constraints = [models.CheckConstraint(condition=~models.Q(name=""), name="organization_has_name")]

    def __str__(self) -> str:
        return self.name


class Membership(models.Model):
    """One role of one person in one organization; a person with two roles has two rows.

    `ends_on` is the first day without the role. An auditor's access always has an end.
    """

    organization_path = "organization"

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="memberships")
    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=20, choices=Role)
    ends_on = models.DateField(null=True, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "user", "role"]
        constraints = [
            models.UniqueConstraint(
                fields=["user", "organization", "role"], name="membership_one_row_a_role"
            ),
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="membership_role_known"),
            models.CheckConstraint(
                condition=~models.Q(role=Role.AUDITOR) | models.Q(ends_on__isnull=False),
                name="membership_auditor_has_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} as {self.get_role_display()}"
