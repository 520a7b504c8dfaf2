"""Organizations, people and their roles. Only an administrator keeps them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.tokens import default_token_generator
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_decode, urlsafe_base64_encode
from django.utils.text import slugify

from inventory.audit import record_event
from inventory.errors import BadEntry, InvitationNotValid, LastAdministrator, NameTaken
from inventory.models import Membership, Organization, Role, User
from inventory.rights import require
from inventory.validity import required_text


@dataclass(frozen=True)
class Invitation:
    """What goes into the link that the invited person opens: it works once, until a password is set."""

    user: User
    uid: str
    token: str


@transaction.atomic
def found_organization(name: str, admin_username: str, password: str) -> Organization:
    """A new organization with a new person as its administrator. `NameTaken`, `BadEntry`."""
    organization = new_organization(name)
    user = _new_person(admin_username)
    _set_password(user, password)
    membership = Membership.objects.create(user=user, organization=organization, role=Role.ADMINISTRATOR)
    _record(membership, None, "found_organization")
    return organization


def new_organization(name: str) -> Organization:
    """An organization without people. `NameTaken` where its short name exists, `BadEntry` without one."""
    name = required_text(name, "name")
    slug = slugify(name)[:60].strip("-")
    if not slug:
        raise BadEntry(
            f"“{name}” has no letter or digit that an address can hold. Nothing was changed.",
            where="name",
            remedy="Use a name with Latin letters or digits.",
        )
    if Organization.objects.filter(slug=slug).exists():
        raise NameTaken(f"An organization “{slug}” exists already. Nothing was changed.", where="name")
    return Organization.objects.create(name=name, slug=slug)


@transaction.atomic
def invite_person(
    organization: Organization,
    username: str,
    roles: Iterable[str],
    *,
    by: User,
    email: str = "",
    ends_on: dt.date | None = None,
) -> Invitation:
    """A person who cannot sign in until they accept and set a password.

    Raises `NotAllowed`, `NameTaken` (a name exists once in the installation), `BadEntry` without a role.
    """
    require(by, organization, "keep_people")
    roles = sorted(set(roles))
    if not roles:
        raise BadEntry(
            "An invitation without a role. Nothing was changed.", where="roles", remedy="Give a role."
        )
    user = _new_person(username, email)
    for role in roles:
        _record(_give(user, organization, role, ends_on), by, "invite_person")
    return _invitation(user)


def invited_by_link(uid: str, token: str) -> User | None:
    """Who may set a first password by this link; None where it is wrong, too old or used."""
    user = _invited(uid)
    if user is None or user.has_usable_password() or not default_token_generator.check_token(user, token):
        return None
    return user


def renew_invitation(user: User, organization: Organization, *, by: User) -> Invitation:
    """The link once more for somebody who has not accepted yet. Links given before still work.

    Raises `NotAllowed`, and `InvitationNotValid` where there is nothing to accept.
    """
    require(by, organization, "keep_people")
    belongs = _in_force(organization).filter(user=user).exists()
    if not belongs or user.has_usable_password():
        why = "has accepted already" if belongs else f"has no role in {organization} today"
        raise InvitationNotValid(
            f"{user} {why}. No invitation was made.", where="user", remedy="Give a role, or ask the person."
        )
    return _invitation(user)


def accept_invitation(uid: str, token: str, password: str) -> User:
    """Set the first password. `InvitationNotValid` for a link that is wrong, too old or used; `BadEntry`
    for a password that the rules refuse."""
    user = invited_by_link(uid, token)
    if user is None:
        raise InvitationNotValid(
            "This invitation is not valid: it is too old, was used, or was copied in part."
        )
    _set_password(user, password)
    return user


@transaction.atomic
def give_role(
    user: User, organization: Organization, role: str, *, by: User, ends_on: dt.date | None = None
) -> Membership:
    """Give a role to somebody of the organization, from today on or until `ends_on` (first day without).

    Raises `NotAllowed`, and `BadEntry` for an outsider, an unknown role, or an auditor without an end.
    """
    require(by, organization, "keep_people")
    if not Membership.objects.filter(user=user, organization=organization).exists():
        raise BadEntry(
            f"{user} does not belong to {organization}. Nothing was changed.",
            where="user",
            remedy="Invite the person.",
        )
    membership = _give(user, organization, role, ends_on)
    _record(membership, by, "give_role")
    return membership


@transaction.atomic
def end_role(user: User, organization: Organization, role: str, *, by: User) -> None:
    """Take a role away from today on. Raises `NotAllowed`, `LastAdministrator`, `BadEntry`."""
    require(by, organization, "keep_people")
    # All administrators' rows are held: two of them ending each other at once would leave none.
    keepers = _in_force(organization).filter(role=Role.ADMINISTRATOR).select_for_update()
    if role == Role.ADMINISTRATOR and {keeper.user_id for keeper in keepers} <= {user.pk}:
        raise LastAdministrator(f"{user} is the last administrator of {organization}. Nothing was changed.")
    today = timezone.now().date()
    if _in_force(organization).filter(user=user, role=role).update(ends_on=today) == 0:
        raise BadEntry(
            f"{user} does not have this role. Nothing was changed.", where="role", remedy="Check the person."
        )
    _record(Membership.objects.get(user=user, organization=organization, role=role), by, "end_role")


def _record(membership: Membership, by: User | None, verb: str) -> None:
    detail = {"user": membership.user_id, "role": membership.role, "ends_on": membership.ends_on}
    record_event(membership.organization, by=by, verb=verb, subject=membership, detail=detail)


def _in_force(organization: Organization) -> QuerySet[Membership]:
    running = Q(ends_on__isnull=True) | Q(ends_on__gt=timezone.now().date())
    return Membership.objects.filter(running, organization=organization, user__is_active=True)


def _give(user: User, organization: Organization, role: str, ends_on: dt.date | None) -> Membership:
    if role not in Role.values:
        raise BadEntry(
            f"Role “{role}” is unknown. Nothing was changed.",
            where="role",
            remedy=f"Choose one of: {', '.join(Role.values)}.",
        )
    if role == Role.AUDITOR and ends_on is None:
        raise BadEntry(
            "An auditor's access needs an end. Nothing was changed.", where="ends_on", remedy="Give the day."
        )
    membership, _ = Membership.objects.update_or_create(
        user=user, organization=organization, role=role, defaults={"ends_on": ends_on}
    )
    return membership


def _new_person(username: str, email: str = "") -> User:
    username = required_text(username, "username")
    if User.objects.filter(username__iexact=username).exists():
        raise NameTaken(f"The name {username} is taken. Nothing was changed.", where="username")
    user = User(username=User.normalize_username(username), email=email)
    user.set_unusable_password()
    try:
        user.clean_fields(exclude=["password"])
    except ValidationError as refused:
        message = " ".join(refused.messages)
        raise BadEntry(f"{message} Nothing was changed.", where="username", remedy="Correct it.") from refused
    user.save()
    return user


def _set_password(user: User, password: str) -> None:
    try:
        validate_password(password, user)
    except ValidationError as refused:
        message = " ".join(refused.messages)
        raise BadEntry(
            f"{message} Nothing was changed.", where="password", remedy="Choose another."
        ) from refused
    user.set_password(password)
    user.save(update_fields=["password"])


def _invitation(user: User) -> Invitation:
    uid = urlsafe_base64_encode(force_bytes(user.pk))
    return Invitation(user, uid, default_token_generator.make_token(user))


def _invited(uid: str) -> User | None:
    try:
        key = int(urlsafe_base64_decode(uid))
    except (ValueError, OverflowError):
        return None
    return User.objects.filter(pk=key, is_active=True).first()
