"""The web server has loaded what its pages draw with before anybody asks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from config import web
from surveys.pages import warming
from tests.surveys.scene import DAY, Yard, heap
from tests.surveys.test_demo_warming import compiled


@pytest.mark.django_db
def test_warm_pages_leaves_nothing_to_compile_for_a_drawing(yard: Yard, as_: Callable[[Any], Client]) -> None:
    yard.approved(day=DAY - dt.timedelta(days=31))
    last = yard.approved(heap(6.0))
    warming.warm_pages()
    before = compiled()
    browser = as_(yard.surveyor)
    pile = [yard.site.code, yard.pile.code]
    change = browser.get(reverse("pile-change", args=pile)).content.decode()
    assert "<svg" in change
    ends = {"e1": -5, "n1": 20, "e2": 45, "n2": 20}
    for address in (
        reverse("pile", args=pile),
        reverse("measurement", args=[last.pk]),
        reverse("section", args=[last.pk]),
        reverse("surfaces", args=[last.pk]),
    ):
        assert browser.get(address, ends).status_code == 200
    assert compiled() == before


@pytest.mark.parametrize("answers", [["not seen yet", "ok"], ["ok"]])
def test_it_waits_for_the_worker_beside_it(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> None:
    left, waited, warmed = list(answers), [], []
    monkeypatch.setattr("config.health.worker_answers", lambda: left.pop(0))
    monkeypatch.setattr(web.time, "sleep", waited.append)
    monkeypatch.setattr(warming, "warm_pages", lambda: warmed.append(len(left)))
    monkeypatch.setattr("django.db.connection.close", lambda: None)
    web.warm()
    assert (warmed, len(waited)) == ([0], len(answers) - 1)


def test_a_failure_is_written_down_and_stops_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails() -> None:
        raise RuntimeError("no cache folder")

    monkeypatch.setattr("config.health.worker_answers", lambda: "ok")
    monkeypatch.setattr(warming, "warm_pages", fails)
    monkeypatch.setattr("django.db.connection.close", lambda: None)
    web.warm()
    assert "no cache folder" in caplog.text
