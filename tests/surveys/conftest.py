from __future__ import annotations

from typing import Any

import pytest

from surveys import tasks
from tests.cast import Company, cast, company
from tests.surveys.scene import Yard, yard_of

__all__ = ["cast", "company"]


@pytest.fixture
def yard(company: Company) -> Yard:
    return yard_of(company)


@pytest.fixture
def evidence_store(tmp_path: Any, settings: Any) -> Any:
    """A store of its own, for tests that look into it or damage it."""
    folder = tmp_path / "evidence"
    settings.STORAGES = {
        **settings.STORAGES,
        "evidence": {**settings.STORAGES["evidence"], "OPTIONS": {"location": folder}},
    }
    return folder


@pytest.fixture
def bells(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The bells that rang, in place of a broker."""
    rung: list[int] = []
    monkeypatch.setattr(tasks.measure, "delay", rung.append)
    return rung
