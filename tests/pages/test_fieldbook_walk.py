"""A real browser takes a misread field book from the survey page to its acceptance, under a strict policy."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from tests.cast import PASSWORD, found_cast
from tests.surveys.book_scene import book, known, misread
from tests.surveys.scene import DAY, yard_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NARROW = {"width": 360, "height": 740}


def sign_in(page: Any, address: str, person: Any) -> None:
    page.context.clear_cookies()
    page.goto(f"{address}/sign-in/")
    page.keyboard.type(person.username)
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Sign out").wait_for()


def test_a_misread_book_is_corrected_and_accepted(page: Any, live_server: Any, complaints: list[str]) -> None:
    yard = yard_of(found_cast().a)
    known(yard)
    survey = yard.survey(DAY)
    sign_in(page, live_server.url, yard.surveyor)
    page.goto(live_server.url + reverse("survey", args=[survey.pk]))
    sent = {"name": "june.csv", "mimeType": "text/csv", "buffer": book(misread())}
    page.set_input_files("#files-field", sent)
    page.get_by_role("button", name="Add the files").click()
    page.get_by_role("link", name="june.csv").click()
    page.get_by_role("heading", name="The book does not close").wait_for()
    assert page.locator(".drawing .misclosure").count() == 2, "shaft and head of the vector"
    file = survey.files.get()

    page.get_by_label("Set-up", exact=True).select_option("3")
    page.get_by_label("What was wrong").select_option("orientation")
    page.get_by_label("The right value").fill(str(10 / 60))
    page.get_by_label("Why, and how you know").fill("the reading at the end of the set-up is right")
    page.get_by_role("button", name="Correct the set-up").click()
    page.get_by_text("version 2").first.wait_for()
    assert page.get_by_role("heading", name="The book does not close").count() == 0
    assert file.reductions.get(version=2).gives_shots

    sign_in(page, live_server.url, yard.lead)
    page.goto(live_server.url + reverse("fieldbook", args=[survey.pk, file.pk]))
    page.get_by_role("button", name="Accept version 2").focus()
    page.keyboard.press("Enter")
    page.get_by_text("v2 is accepted").wait_for()
    assert file.reductions.get(version=2).state == "accepted"

    # On a phone the page stays in its width; the long table is read sideways, its first column standing.
    page.set_viewport_size(NARROW)
    assert page.evaluate("document.documentElement.scrollWidth") <= NARROW["width"]
    assert page.evaluate(STANDING) == 0
    assert not complaints


STANDING = """() => {
  const box = document.querySelector(".reduction").parentElement;
  const first = box.querySelector("tbody tr:nth-child(2) th");
  const before = first.getBoundingClientRect().left;
  box.scrollLeft = 300;
  if (box.scrollLeft === 0) { return "the table does not scroll"; }
  return first.getBoundingClientRect().left - before;
}"""
