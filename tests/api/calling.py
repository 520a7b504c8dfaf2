"""A program that calls the API for one person, with a token or by a session."""

from __future__ import annotations

from typing import Any

from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.test import APIClient

from tests.cast import PASSWORD

ROOT = "/api/v1/"


class Caller(APIClient):
    """Addresses are given below `/api/v1/`."""

    def ask(self, address: str, **query: Any) -> Any:
        return self.get(ROOT + address, query)

    def send(self, address: str, body: Any = None, *, key: str = "", form: str = "json") -> Any:
        headers = {"Idempotency-Key": key} if key else {}
        return self.post(ROOT + address, {} if body is None else body, format=form, headers=headers)

    def upload(self, address: str, data: bytes, name: str = "shots.csv", key: str = "", **more: Any) -> Any:
        return self.send(address, {"file": SimpleUploadedFile(name, data), **more}, key=key, form="multipart")


def signed_in(user: Any) -> Caller:
    caller = Caller()
    caller.force_authenticate(user)
    return caller


def with_token(username: str, password: str = PASSWORD) -> Caller:
    cache.clear()
    caller = Caller()
    issued = caller.send("tokens/", {"name": username, "password": password})
    assert issued.status_code == 201, issued.data
    caller.credentials(HTTP_AUTHORIZATION=f"Bearer {issued.data['token']}")
    return caller


def assert_problem(response: Any, status: int, code: str) -> dict[str, Any]:
    body = response.json()
    assert response.status_code == status, body
    assert response["Content-Type"] == "application/problem+json"
    assert body["code"] == code
    assert body["status"] == status
    assert body["detail"]
    assert set(body) == {"type", "title", "status", "detail", "code", "where", "remedy", "problems"}
    return body
