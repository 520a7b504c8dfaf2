"""What every door of the API has in common: parse, call one verb, show; described as it is written.

Every lookup begins at `for_user`, so that a thing of another organization is a 404 like one that does
not exist. Rights are asked by the verbs.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.http import Http404
from django.shortcuts import get_object_or_404
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework import generics, pagination, serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import rights
from inventory.api import keeping, problems

WRITES = ("POST", "PATCH")


class Pages(pagination.CursorPagination):
    """Newest first; `next` and `previous` are whole addresses. A row that comes meanwhile moves no page."""

    page_size = 50
    max_page_size = 500
    page_size_query_param = "page_size"
    ordering = "-pk"

    def get_paginated_response_schema(self, schema: Any) -> dict[str, Any]:
        address = {"type": ["string", "null"], "format": "uri"}
        return {
            "type": "object",
            "required": ["next", "previous", "results"],
            "properties": {"next": address, "previous": address, "results": schema},
        }


class DoorSchema(AutoSchema):
    """Reads what a door takes and shows from its attributes, and adds the problems each may answer with."""

    def get_request_serializer(self) -> Any:
        return self.view.given_class if self.method in WRITES else None

    def get_response_serializers(self) -> Any:
        view, good = self.view, {"GET": 200, "PATCH": 200, "DELETE": 204, "POST": self.view.status}
        if self.method == "DELETE":
            shown: Any = None
        elif self.method == "GET":
            shown = view.serializer_class
        else:
            shown = view.answer_class or view.serializer_class
        wrong = [401, 403, 404] + ([409, 422] if self.method in WRITES else [])
        problem = {(code, problems.MEDIA_TYPE): problems.Problem for code in wrong}
        return {good[self.method]: shown, **problem}

    def get_override_parameters(self) -> list[Any]:
        if self.method != "POST":
            return list(self.view.asked)
        said = "The same write sent again under the same key gets the first answer and does nothing."
        key = OpenApiParameter(keeping.HEADER, OpenApiTypes.STR, OpenApiParameter.HEADER, description=said)
        return [key]

    def get_tags(self) -> list[str]:
        return [self._tokenize_path()[2]] if len(self._tokenize_path()) > 2 else super().get_tags()

    def get_operation_id(self) -> str:
        return super().get_operation_id().removeprefix("api_v1_").replace(".", "")


class Door(generics.GenericAPIView):
    """Subclasses name `model`, `serializer_class` (what is shown) and, for writes, `given_class` and `act`.

    status       : of a POST that was done
    answer_class : what a POST shows where that differs from a GET
    parents      : argument of the address → lookup of the row it must belong to
    owner        : argument of the address and the model of the row that a list or a POST belongs to
    """

    schema = DoorSchema()
    pagination_class = Pages
    lookup_field = "pk"
    model: Any = None
    related: tuple[str, ...] = ()
    parents: dict[str, str] = {}
    owner: tuple[str, Any] | None = None
    given_class: Any = None
    answer_class: Any = None
    status = HTTPStatus.CREATED
    asked: tuple[OpenApiParameter, ...] = ()

    def get_queryset(self) -> Any:
        if self.owner is not None and self.owner[0] in self.kwargs:
            self.mine(self.owner[1], self.kwargs[self.owner[0]])
        rows = self.model.objects.for_user(self.request.user).select_related(*self.related)
        lookups = {path: self.kwargs[name] for name, path in self.parents.items() if name in self.kwargs}
        return rows.filter(**lookups)

    def mine(self, model: Any, pk: Any, *related: str) -> Any:
        """A row of `model` that the person may see, or 404."""
        rows = model.objects.for_user(self.request.user).select_related(*related)
        return get_object_or_404(rows, pk=pk)

    def reach(self) -> None:
        """404 unless what the address names is the person's to see, before a word of the body is read."""
        if self.lookup_url_kwarg in self.kwargs:
            self.get_object()
        else:
            self.get_queryset()

    def organization(self, slug: str | None = None) -> Any:
        """The organization named, or the one the person stands in; 404 where that is none of theirs."""
        standing = rights.membership_of(self.request, slug or None)
        if standing is None:
            raise Http404
        return standing.organization

    def given(self, request: Request) -> dict[str, Any]:
        form = self.given_class(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        return dict(form.validated_data)

    def show(self, thing: Any, status: int | None = None, shown: Any = None) -> Response:
        serializer = shown or self.answer_class or self.serializer_class
        body = serializer(thing, context=self.get_serializer_context()).data
        return Response(body, status=self.status if status is None else status)


class Posts(Door):
    """A door that takes a POST, once a key."""

    def post(self, request: Request, **kwargs: Any) -> Response:
        self.reach()
        return keeping.once(request, lambda: self.act(self.given(request)))

    def act(self, given: dict[str, Any]) -> Response:
        raise NotImplementedError


class Rows(generics.ListAPIView, Door):
    """A list, by pages."""


class RowsAndPost(Rows, Posts):
    """A list, and its next row."""


class Row(generics.RetrieveAPIView, Door):
    """One thing."""


class Own(serializers.PrimaryKeyRelatedField):
    """The id of a row that the person may see; another one is refused as if it did not exist."""

    def __init__(self, model: Any, related: tuple[str, ...] = (), **kwargs: Any) -> None:
        self.model, self.related = model, related
        super().__init__(queryset=model.objects.none(), **kwargs)

    def get_queryset(self) -> Any:
        if self.model is None:
            return None
        rows = self.model.objects.select_related(*self.related)
        return rows.for_user(self.context["request"].user)


class Reason(serializers.Serializer):
    reason = serializers.CharField()


class Comment(serializers.Serializer):
    reason = serializers.CharField(required=False, allow_blank=True, default="")


class Nothing(serializers.Serializer):
    """An empty body."""
