"""Each wrong combination has its own check, with an id and a hint, and a right one has none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from config.checks import production_combinations

FINE = {
    "MODE": "production",
    "SECRET_KEY": "k" * 64,
    "DEBUG": False,
    "DATABASES": {"default": {"ENGINE": "django.db.backends.postgresql"}},
    "BROKER_IS_EMBEDDED": False,
    "ALLOWED_HOSTS": ["stock.example"],
    "BEHIND_TLS_PROXY": True,
    "EVIDENCE_S3_BUCKET": None,
}

WRONG: list[tuple[str, dict[str, Any]]] = [
    ("heapledger.E001", {"SECRET_KEY": "short"}),
    ("heapledger.E002", {"DEBUG": True}),
    ("heapledger.E003", {"DATABASES": {"default": {"ENGINE": "django.db.backends.sqlite3"}}}),
    ("heapledger.E004", {"BROKER_IS_EMBEDDED": True}),
    ("heapledger.E005", {"ALLOWED_HOSTS": []}),
    ("heapledger.E006", {"ALLOWED_HOSTS": ["stock.example", "*"]}),
    ("heapledger.W001", {"BEHIND_TLS_PROXY": False}),
    (
        "heapledger.W002",
        {"EVIDENCE_S3_BUCKET": "evidence", "STORAGES": {"evidence": {"OPTIONS": {"endpoint_url": None}}}},
    ),
]


class Settings:
    """Settings without Django's own machinery: the checks only read them."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.__dict__.update(values)


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    (tmp_path / "staticfiles.json").write_text("{}")

    def run(**changes: Any) -> list[Any]:
        monkeypatch.setattr("config.checks.settings", Settings({**FINE, "STATIC_ROOT": tmp_path, **changes}))
        return production_combinations(None)

    return run


def test_a_right_combination_is_silent(found: Any) -> None:
    assert found() == []


@pytest.mark.parametrize(("identity", "changes"), WRONG)
def test_a_wrong_combination_is_named(found: Any, identity: str, changes: dict[str, Any]) -> None:
    (message,) = found(**changes)
    assert message.id == identity
    assert message.hint
    assert message.is_serious() == (".E" in identity)


def test_static_files_that_were_not_collected_are_named(found: Any, tmp_path: Path) -> None:
    (message,) = found(STATIC_ROOT=tmp_path / "nowhere")
    assert message.id == "heapledger.W003"


@pytest.mark.parametrize(("identity", "changes"), WRONG)
def test_the_demo_may_do_all_that(found: Any, identity: str, changes: dict[str, Any]) -> None:
    assert found(**{**changes, "MODE": "demo"}) == [], identity
