"""The people of the invented company, by role. Nobody here has a name."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db import transaction

from inventory import people
from inventory.models import Organization, Role, User
from surveys.demo.yard import COMPANY

PASSWORD = "tip-trim-and-measure-25"  # noqa: S105 — public on purpose, see below
"""Printed by `manage.py demo`, which answers this machine alone and is not set up in production."""

ADMINISTRATOR = "administrator"
AUDIT_ENDS_ON = date(2027, 12, 31)

PEOPLE: dict[str, tuple[str, str]] = {
    "surveyor-1": ("Surveyor 1", Role.SURVEYOR),
    "surveyor-2": ("Surveyor 2", Role.SURVEYOR),
    "lead-surveyor": ("Lead surveyor", Role.LEAD_SURVEYOR),
    "manager-drv": ("Site manager DRV", Role.MANAGER),
    "manager-tul": ("Site manager TUL", Role.MANAGER),
    "manager-ktv": ("Site manager KTV", Role.MANAGER),
    "accountant": ("Accountant", Role.ACCOUNTANT),
    "controller": ("Controller", Role.CONTROLLER),
    "auditor": ("Auditor", Role.AUDITOR),
}
"""Username → what is shown, and the one role."""


@dataclass(frozen=True)
class Cast:
    """The company and its people, by username."""

    organization: Organization
    by_name: dict[str, User]

    @property
    def lead(self) -> User:
        return self.by_name["lead-surveyor"]

    def surveyor_of(self, site: str) -> User:
        return self.by_name["surveyor-1" if site == "DRV" else "surveyor-2"]

    def manager_of(self, site: str) -> User:
        return self.by_name[f"manager-{site.lower()}"]


def assemble() -> Cast:
    """Found the company and invite whoever is not there yet."""
    administrator = User.objects.filter(username=ADMINISTRATOR).first()
    if administrator is None:
        people.found_organization(COMPANY, ADMINISTRATOR, PASSWORD)
        administrator = User.objects.get(username=ADMINISTRATOR)
        _call(administrator, "Administrator")
    organization = Organization.objects.get(name=COMPANY)
    for username, (shown, role) in PEOPLE.items():
        if not User.objects.filter(username=username).exists():
            _invite(organization, username, shown, role, administrator)
    by_name = {user.username: user for user in User.objects.filter(username__in=[*PEOPLE, ADMINISTRATOR])}
    return Cast(organization, by_name)


@transaction.atomic
def _invite(organization: Organization, username: str, shown: str, role: str, by: User) -> None:
    ends_on = AUDIT_ENDS_ON if role == Role.AUDITOR else None
    invitation = people.invite_person(organization, username, [role], by=by, ends_on=ends_on)
    _call(people.accept_invitation(invitation.uid, invitation.token, PASSWORD), shown)


def _call(user: User, shown: str) -> None:
    user.first_name = shown
    user.save(update_fields=["first_name"])
