"""People of an organization: who may do what, and for an administrator how that changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from inventory import people
from inventory.errors import BookRefused
from inventory.models import Membership, User
from surveys.pages.access import acted, member_page, show
from surveys.pages.filling import FORM, filled
from surveys.pages.people_forms import InvitationForm, PasswordForm, RoleForm
from surveys.pages.wording import ROLES, day

INVITE_LEAD = (
    "You get a link to pass on. Whoever opens it sets a password; it works once. Nobody approves what they "
    "prepared themselves, so give the roles of preparer and approver to different people."
)


@dataclass(frozen=True)
class Row:
    """One person with the roles they have today and those that ended."""

    person: User
    roles: list[Membership]
    ended: list[Membership]


@require_GET
@member_page
def people_page(request: HttpRequest) -> HttpResponse:
    today = timezone.now().date()
    rows = []
    for person in people_of(request).order_by("username"):
        here = person.roles_here
        runs = [role for role in here if role.ends_on is None or role.ends_on > today]
        rows.append(Row(person, runs, [role for role in here if role not in runs]))
    context = {
        "here": "people",
        "rows": [row for row in rows if row.roles],
        "former": [row for row in rows if not row.roles],
        "may_keep": request.standing.can("keep_people"),
        "role_form": RoleForm(),
    }
    return show(request, "pages/people.html", context)


def people_of(request: HttpRequest) -> QuerySet[User]:
    """People of the organization that is looked at, former ones too."""
    here = Membership.objects.for_user(request.user).filter(organization=request.standing.organization)
    found = User.objects.for_user(request.user).filter(pk__in=here.order_by().values("user_id"))
    in_order = here.order_by("role")
    return found.prefetch_related(Prefetch("memberships", in_order, to_attr="roles_here"))


@FORM
@member_page
def invite(request: HttpRequest) -> HttpResponse:
    request.standing.require("keep_people")

    def invited(given: dict[str, Any]) -> people.Invitation:
        organization, username = request.standing.organization, given.pop("username")
        return people.invite_person(organization, username, given.pop("roles"), by=request.user, **given)

    page = {
        "heading": "Invite a person",
        "button": "Make the invitation",
        "lead": INVITE_LEAD,
        "back": reverse("people"),
    }
    return filled(
        request,
        InvitationForm(request.POST or None),
        invited,
        page,
        lambda invitation: reverse("invitation-link", args=[invitation.user.pk]),
    )


@require_GET
@never_cache
@member_page
def invitation_link(request: HttpRequest, person_id: int) -> HttpResponse:
    """The link to pass on, made anew each time it is looked at; it is kept nowhere."""
    person = get_object_or_404(people_of(request), pk=person_id)
    try:
        made = people.renew_invitation(person, request.standing.organization, by=request.user)
    except people.InvitationNotValid as refusal:
        messages.error(request, f"{refusal.message} {refusal.remedy}", extra_tags="is-stop")
        return redirect("people")
    link = request.build_absolute_uri(reverse("accept-invitation", args=[made.uid, made.token]))
    return show(request, "pages/invitation_link.html", {"person": person, "link": link})


@require_POST
@member_page
def give_role(request: HttpRequest, person_id: int) -> HttpResponse:
    person = get_object_or_404(people_of(request), pk=person_id)
    request.standing.require("keep_people")
    form = RoleForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Choose a role from the list and a day.", extra_tags="is-stop")
        return redirect("people")
    role, ends_on = form.cleaned_data["role"], form.cleaned_data["ends_on"]
    until = f" until {day(ends_on)}" if ends_on else ""
    return acted(
        request,
        lambda: people.give_role(
            person, request.standing.organization, role, by=request.user, ends_on=ends_on
        ),
        f"{person} is {ROLES[role].lower()}{until}.",
        reverse("people"),
    )


@require_POST
@member_page
def end_role(request: HttpRequest, person_id: int) -> HttpResponse:
    person = get_object_or_404(people_of(request), pk=person_id)
    role = request.POST.get("role", "")
    said = f"{person} is no longer {ROLES.get(role, role).lower()}. What they signed stays signed."
    return acted(
        request,
        lambda: people.end_role(person, request.standing.organization, role, by=request.user),
        said,
        reverse("people"),
    )


@FORM
@never_cache
@sensitive_post_parameters()
def accept_invitation(request: HttpRequest, uid: str, token: str) -> HttpResponse:
    """The page behind a link: the first password. A link that is wrong, old or used says only that."""
    invited = people.invited_by_link(uid, token)
    if invited is None:
        return render(request, "pages/invitation_over.html", status=404)
    form = PasswordForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            people.accept_invitation(uid, token, form.cleaned_data["password"])
        except BookRefused as refusal:
            form.refuse(refusal)
        else:
            messages.success(request, "The password is set. Sign in with it.", extra_tags="is-settled")
            return redirect("sign-in")
    context = {"form": form, "person": invited}
    return render(request, "pages/accept_invitation.html", context, status=422 if form.errors else 200)
