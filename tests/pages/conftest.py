from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from surveys import tasks
from tests.cast import Company, cast, company
from tests.surveys.scene import Yard, yard_of

__all__ = ["cast", "company"]


@pytest.fixture
def yard(company: Company) -> Yard:
    return yard_of(company)


@pytest.fixture
def bells(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The bells that rang, in place of a broker."""
    rung: list[int] = []
    monkeypatch.setattr(tasks.measure, "delay", rung.append)
    return rung


@pytest.fixture
def as_(bells: list[int]) -> Callable[[Any], Client]:
    """A browser in which the person given is signed in."""

    def signed_in(person: Any) -> Client:
        client = Client()
        client.force_login(person)
        return client

    return signed_in
