"""People of an organization and their roles. Everybody sees who may do what; an administrator changes it."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import Prefetch
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import people
from inventory.api.doors import Door, Nothing, Posts, Row, RowsAndPost
from inventory.models import Membership, Role, User


class RoleShown(serializers.ModelSerializer):
    """`ends_on` is the first day without the role."""

    class Meta:
        model = Membership
        fields = ["role", "ends_on"]


class PersonShown(serializers.ModelSerializer):
    """`has_accepted` is false until an invited person has set a password."""

    name = serializers.CharField(source="get_full_name", allow_blank=True)
    has_accepted = serializers.BooleanField(source="has_usable_password")
    roles = RoleShown(source="roles_here", many=True)

    class Meta:
        model = User
        fields = ["id", "username", "name", "is_active", "has_accepted", "roles"]


class LinkShown(serializers.Serializer):
    """The address that the invited person opens to set a password. It works once."""

    username = serializers.CharField(source="user.username")
    uid = serializers.CharField()
    token = serializers.CharField()


class RoleGiven(serializers.Serializer):
    """An auditor's access needs an end; `ends_on` is the first day without the role."""

    role = serializers.ChoiceField(Role.choices)
    ends_on = serializers.DateField(required=False, allow_null=True, default=None)


class RoleEnded(serializers.Serializer):
    role = serializers.ChoiceField(Role.choices)


class InvitationGiven(serializers.Serializer):
    organization = serializers.SlugField(required=False)
    username = serializers.CharField(max_length=150)
    email = serializers.EmailField(required=False, allow_blank=True, default="")
    roles = serializers.ListField(child=serializers.CharField(max_length=20), allow_empty=False)
    ends_on = serializers.DateField(required=False, allow_null=True, default=None)


class OfPeople(Door):
    """Rows of `organization`, which is the one named in the address or the one the person stands in."""

    model, queryset = User, User.objects.none()
    serializer_class = PersonShown

    def get_queryset(self) -> Any:
        organization = self.organization(self.request.query_params.get("organization"))
        here = Membership.objects.filter(organization=organization)
        found = User.objects.for_user(self.request.user).filter(pk__in=here.values("user_id"))
        return found.prefetch_related(Prefetch("memberships", here.order_by("role"), to_attr="roles_here"))

    def person(self, pk: int) -> Any:
        return self.get_queryset().get(pk=pk)


class People(RowsAndPost, OfPeople):
    """The people of an organization, former ones too; inviting one. The link is a door of its own."""

    given_class = InvitationGiven

    def act(self, given: dict[str, Any]) -> Response:
        organization = self.organization(given.pop("organization", None))
        invitation = people.invite_person(
            organization, given.pop("username"), given.pop("roles"), by=self.request.user, **given
        )
        return self.show(self.person(invitation.user.pk))


class PersonRow(Row, OfPeople):
    """One person."""

    lookup_url_kwarg = "person_id"


class PersonStep(Posts, OfPeople):
    """A step on a person's roles."""

    lookup_url_kwarg = "person_id"
    status = HTTPStatus.OK

    def here(self) -> Any:
        return self.organization(self.request.query_params.get("organization"))


class GiveRole(PersonStep):
    """Give a role, or another end to one."""

    given_class = RoleGiven

    def act(self, given: dict[str, Any]) -> Response:
        user = self.get_object()
        people.give_role(user, self.here(), given["role"], by=self.request.user, ends_on=given["ends_on"])
        return self.show(self.person(user.pk))


class EndRole(PersonStep):
    """Take a role away from today on. The last administrator stays."""

    given_class = RoleEnded

    def act(self, given: dict[str, Any]) -> Response:
        user = self.get_object()
        people.end_role(user, self.here(), given["role"], by=self.request.user)
        return self.show(self.person(user.pk))


class InvitationLink(OfPeople):
    """The link of somebody who has not accepted yet, made anew. No answer of this door is kept."""

    lookup_url_kwarg = "person_id"
    given_class, answer_class, status = Nothing, LinkShown, HTTPStatus.OK

    def post(self, request: Request, **kwargs: Any) -> Response:
        organization = self.organization(request.query_params.get("organization"))
        return self.show(people.renew_invitation(self.get_object(), organization, by=request.user))
