"""Tokens for programs: got with a name and a password, shown once, kept only as a hash, and they end."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.contrib.auth import authenticate
from django.shortcuts import get_object_or_404
from knox.models import AuthToken
from rest_framework import exceptions, permissions, serializers, throttling
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.api.doors import Door, Rows
from inventory.api.given import TokenGiven


class TokenShown(serializers.ModelSerializer):
    key = serializers.CharField(source="token_key", help_text="First signs of the token; names it here.")

    class Meta:
        model = AuthToken
        fields = ["key", "created", "expiry"]


class TokenIssued(TokenShown):
    token = serializers.CharField(help_text="Shown once. Send it as `Authorization: Bearer …`.")

    class Meta(TokenShown.Meta):
        fields = [*TokenShown.Meta.fields, "token"]


class ByAddress(throttling.SimpleRateThrottle):
    """Tries from one address; only who asks for a token is counted."""

    rate = "20/min"
    scope = "token-address"

    def get_cache_key(self, request: Request, view: Any) -> str | None:
        if request.method != "POST":
            return None
        return self.cache_format % {"scope": self.scope, "ident": self.get_ident(request)}


class ByName(ByAddress):
    """Tries at one name, from wherever they come."""

    rate = "10/min"
    scope = "token-name"

    def get_ident(self, request: Request) -> str:
        name = request.data.get("name", "") if hasattr(request.data, "get") else ""
        return str(name).casefold()[:150].encode().hex()


class IssueOrSignedIn(permissions.BasePermission):
    def has_permission(self, request: Request, view: Any) -> bool:
        return request.method == "POST" or request.user.is_authenticated


class Tokens(Rows):
    """Your tokens; a new one for a name and a password."""

    model = AuthToken
    serializer_class = TokenShown
    given_class = TokenGiven
    answer_class = TokenIssued
    permission_classes = [IssueOrSignedIn]
    throttle_classes = [ByAddress, ByName]

    def get_queryset(self) -> Any:
        return AuthToken.objects.filter(user_id=self.request.user.pk)

    def post(self, request: Request) -> Response:
        given = self.given(request)
        user = authenticate(request, username=given["name"], password=given["password"])
        if user is None:
            raise exceptions.AuthenticationFailed("Name and password do not belong together.")
        kept, token = AuthToken.objects.create(user=user)
        kept.token = token
        return self.show(kept)


class Token(Door):
    """One of your tokens, to revoke it."""

    model = AuthToken
    serializer_class = TokenShown

    def get_queryset(self) -> Any:
        return AuthToken.objects.filter(user_id=self.request.user.pk)

    def delete(self, request: Request, token_key: str) -> Response:
        get_object_or_404(self.get_queryset(), token_key=token_key).delete()
        return Response(status=HTTPStatus.NO_CONTENT)
