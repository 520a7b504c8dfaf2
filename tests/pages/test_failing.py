"""What a person reads when a page is not there, does not work, or refuses a form that is too old."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from surveys.pages import stock
from tests.surveys.scene import Yard

pytestmark = pytest.mark.django_db


def said(answer: Any, status: int, *words: str) -> None:
    body = answer.content.decode()
    assert answer.status_code == status
    assert 'lang="en"' in body
    assert "Back to the stock" in body
    for each in words:
        assert each in body


def test_a_page_that_is_not_there(yard: Yard, as_: Any) -> None:
    said(as_(yard.lead).get("/nowhere/"), 404, "There is nothing here")


def test_a_page_that_breaks_tells_no_detail(yard: Yard, as_: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*given: Any, **more: Any) -> None:
        raise RuntimeError("secret of the house")

    monkeypatch.setattr(stock, "stock_now", broken)
    browser = as_(yard.lead)
    browser.raise_request_exception = False
    answer = browser.get("/")
    said(answer, 500, "Something here does not work")
    assert "secret of the house" not in answer.content.decode()


def test_a_form_that_is_too_old(yard: Yard) -> None:
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(yard.lead)
    said(
        browser.post("/organization/", {"organization": 1}),
        403,
        "The form was too old",
        "Nothing was changed",
    )


def test_more_fields_than_a_form_has(yard: Yard, as_: Any, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_NUMBER_FIELDS = 2
    answer = as_(yard.lead).post("/organization/", {"a": 1, "b": 2, "c": 3})
    said(answer, 400, "This could not be read")
