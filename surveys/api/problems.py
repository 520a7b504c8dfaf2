"""The exception handler of the whole API: refusals of the book, of the evidence and of the calculator."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from rest_framework.response import Response

from compute.errors import Refused
from inventory.api import problems
from inventory.errors import BookRefused

STATUS: dict[str, int] = {
    **problems.STATUS,
    "file-too-large": HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    "wrong-state": HTTPStatus.CONFLICT,
    "findings-open": HTTPStatus.CONFLICT,
    "book-not-closed": HTTPStatus.CONFLICT,
    "reduction-not-accepted": HTTPStatus.CONFLICT,
    "reduction-differs": HTTPStatus.INTERNAL_SERVER_ERROR,
    "no-such-finding": HTTPStatus.NOT_FOUND,
    "evidence-missing": HTTPStatus.NOT_FOUND,
    "evidence-damaged": HTTPStatus.INTERNAL_SERVER_ERROR,
}


def answer(raised: Exception, context: dict[str, Any]) -> Response | None:
    return problems.answer(raised, context, (BookRefused, Refused), STATUS)


def body_of(refusal: BookRefused | Refused) -> dict[str, Any]:
    return problems.body_of_refusal(refusal, STATUS)
