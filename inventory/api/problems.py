"""Refusals as problem details (RFC 9457): the book's own words, and the framework's in the same form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions, serializers
from rest_framework.response import Response
from rest_framework.views import exception_handler

from inventory.errors import BookRefused

MEDIA_TYPE = "application/problem+json"
TYPES = "/api/v1/problems/"

STATUS: dict[str, int] = {
    "not-allowed": HTTPStatus.FORBIDDEN,
    "same-person": HTTPStatus.FORBIDDEN,
    "name-taken": HTTPStatus.CONFLICT,
    "outlines-overlap": HTTPStatus.CONFLICT,
    "not-proposed": HTTPStatus.CONFLICT,
    "validity-overlap": HTTPStatus.CONFLICT,
    "count-stands": HTTPStatus.CONFLICT,
    "count-not-current": HTTPStatus.CONFLICT,
    "evidence-changed": HTTPStatus.CONFLICT,
    "last-administrator": HTTPStatus.CONFLICT,
    "period-closed": HTTPStatus.CONFLICT,
    "document-changed": HTTPStatus.CONFLICT,
    "already-reversed": HTTPStatus.CONFLICT,
    "key-at-work": HTTPStatus.CONFLICT,
    "period-state": HTTPStatus.CONFLICT,
    "period-blocked": HTTPStatus.CONFLICT,
    "adjustment-state": HTTPStatus.CONFLICT,
}
"""Code of a refusal → HTTP status; 422 where none is given: the request was read and is refused."""


class KeyUsed(BookRefused):
    """The same `Idempotency-Key` came with another request."""

    code = "idempotency-key-used"
    remedy = "Give each write a key of its own."


class KeyAtWork(BookRefused):
    """The first request under this `Idempotency-Key` has not been answered yet."""

    code = "key-at-work"
    remedy = "Wait a moment, then send the same request again."


class OneProblem(serializers.Serializer):
    """One thing wrong. `line` and `column` count from 1 in a file that was sent."""

    field = serializers.CharField(required=False, allow_blank=True)
    message = serializers.CharField()
    remedy = serializers.CharField(required=False, allow_blank=True)
    line = serializers.IntegerField(required=False)
    column = serializers.IntegerField(required=False)
    value = serializers.CharField(required=False, allow_blank=True)


class Problem(serializers.Serializer):
    """Problem details (RFC 9457). `code` never changes; `remedy` says what to do; nothing was changed."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField()
    where = serializers.CharField(allow_blank=True)
    remedy = serializers.CharField(allow_blank=True)
    problems = OneProblem(many=True)


def body_of(
    code: str,
    status: int,
    detail: str,
    *,
    where: str = "",
    remedy: str = "",
    problems: list[dict[str, Any]] | None = None,
) -> dict[str, Any]:
    return {
        "type": f"{TYPES}{code}",
        "title": code.replace("-", " ").capitalize(),
        "status": int(status),
        "detail": detail,
        "code": code,
        "where": where,
        "remedy": remedy,
        "problems": problems or [],
    }


def body_of_refusal(refusal: Any, statuses: Mapping[str, int] = STATUS) -> dict[str, Any]:
    """A refusal of the book, or of another room with the same form (`as_dict`)."""
    said = refusal.as_dict()
    return body_of(
        said["code"],
        statuses.get(said["code"], HTTPStatus.UNPROCESSABLE_ENTITY),
        said["message"],
        where=said["where"],
        remedy=said["remedy"],
        problems=said.get("problems", []),
    )


def answer_to(body: dict[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    return Response(body, status=body["status"], headers=headers, content_type=MEDIA_TYPE)


def answer(
    raised: Exception,
    context: dict[str, Any],
    refusals: tuple[type[Exception], ...] = (BookRefused,),
    statuses: Mapping[str, int] = STATUS,
) -> Response | None:
    """The exception handler of the API; `None` lets what is no refusal rise as it is."""
    if isinstance(raised, refusals):
        return answer_to(body_of_refusal(raised, statuses))
    framework = exception_handler(raised, context)
    if framework is None:
        return None
    kept = {name: value for name, value in framework.items() if name != "Content-Type"}
    if isinstance(raised, exceptions.ValidationError):
        return answer_to(_of_entry(raised.detail), kept)
    if isinstance(raised, Http404):
        raised = exceptions.NotFound("There is no such thing, or it is not yours to see.")
    elif isinstance(raised, PermissionDenied):
        raised = exceptions.PermissionDenied()
    code = str(raised.default_code).replace("_", "-")
    return answer_to(body_of(code, framework.status_code, str(raised.detail)), kept)


def _of_entry(detail: Any) -> dict[str, Any]:
    problems = [{"field": field, "message": str(said)} for field, said in _flat(detail)]
    fields = ", ".join(dict.fromkeys(each["field"] for each in problems if each["field"]))
    return body_of(
        "bad-entry",
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "What was sent cannot be taken as it stands. Nothing was changed.",
        where=fields,
        remedy="Correct the fields named and send the request again.",
        problems=problems,
    )


def _flat(detail: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(detail, dict):
        for name, inner in detail.items():
            step = "" if name == "non_field_errors" else str(name)
            yield from _flat(inner, f"{path}.{step}".strip("."))
    elif isinstance(detail, list):
        for inner in detail:
            yield from _flat(inner, path)
    else:
        yield path, detail
