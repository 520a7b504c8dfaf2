"""`Idempotency-Key`: the same write sent again gets the first answer and does nothing.

A refused request changed nothing, so its key is free again at once.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import IntegrityError, transaction
from django.utils import timezone
from rest_framework.renderers import JSONRenderer
from rest_framework.response import Response

from inventory.api.problems import KeyAtWork, KeyUsed
from inventory.errors import BadEntry
from inventory.models import KeptAnswer

HEADER = "Idempotency-Key"
GIVEN_UP_AFTER = dt.timedelta(minutes=5)
"""A request that was cut off without an answer holds its key no longer than this."""
KEPT_FOR = dt.timedelta(days=7)


def once(request: Any, act: Callable[[], Response]) -> Response:
    """`act()`, or what it answered before under the same key. Raises `KeyUsed`, `KeyAtWork`, `BadEntry`."""
    key = request.headers.get(HEADER, "")
    if not key:
        return act()
    if len(key) > KeptAnswer._meta.get_field("key").max_length:
        raise BadEntry(f"The {HEADER} is too long. Nothing was changed.", where=HEADER)
    kept = _claim(request.user, key, asked_sha256(request))
    if kept.status is not None:
        return Response(kept.body, status=kept.status, headers={"Idempotency-Replayed": "true"})
    try:
        response = act()
    except BaseException:
        kept.delete()
        raise
    kept.status, kept.body = response.status_code, _plain(response)
    kept.save(update_fields=["status", "body"])
    return response


def _claim(user: Any, key: str, asked: str) -> KeptAnswer:
    now = timezone.now()
    mine = KeptAnswer.objects.for_user(user)
    mine.filter(asked_at__lt=now - KEPT_FOR).delete()
    mine.filter(key=key, status__isnull=True, asked_at__lt=now - GIVEN_UP_AFTER).delete()
    try:
        with transaction.atomic():
            return KeptAnswer.objects.create(user=user, key=key, asked_sha256=asked)
    except IntegrityError:
        kept: KeptAnswer = mine.get(key=key)
    if kept.asked_sha256 != asked:
        raise KeyUsed(f"The {HEADER} {key} was used for another request. Nothing was changed.", where=HEADER)
    if kept.status is None:
        raise KeyAtWork(f"The first request under the {HEADER} {key} is still at work.", where=HEADER)
    return kept


def asked_sha256(request: Any) -> str:
    """Over the method, the address and what was sent; a file counts by its bytes."""
    digest = hashlib.sha256(f"{request.method} {request.get_full_path()}\n".encode())
    sent = request.data
    parts = sent.lists() if hasattr(sent, "lists") else [("", sent)]
    for name, values in sorted(parts, key=lambda part: part[0]):
        digest.update(f"\n{name}\n".encode())
        for value in values if isinstance(values, list) else [values]:
            _add(digest, value)
    return digest.hexdigest()


def _add(digest: Any, value: Any) -> None:
    if not isinstance(value, UploadedFile):
        digest.update(json.dumps(value, sort_keys=True).encode() + b"\0")
        return
    for piece in value.chunks():
        digest.update(piece)
    digest.update(f"\0{value.name}\0".encode())
    value.seek(0)


def _plain(response: Response) -> Any:
    """The body as JSON: decimals and dates as they are written out."""
    return json.loads(JSONRenderer().render(response.data)) if response.data is not None else None
