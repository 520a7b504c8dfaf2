"""The two main jobs without a mouse, from the sign-in on: each control is reached by Tab and shows its focus.

Nothing here addresses the page but through the keyboard; only what is read back is looked up.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from inventory import closing
from inventory.models import Explanation, Period, StockCount
from tests.cast import PASSWORD, Cast, found_cast
from tests.inventory.month_book import MonthBook
from tests.pages.test_browser import worker
from tests.surveys.scene import Yard, heap, yard_of

__all__ = ["worker"]

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

STOPS = 150
"""More presses of Tab than any page here has controls."""

AT = """() => {
  const at = document.activeElement;
  if (!at || at === document.body) return null;
  const style = getComputedStyle(at), box = at.getBoundingClientRect();
  const labels = [...(at.labels ?? [])].map((each) => each.textContent);
  return { name: [...labels, at.textContent].join(' ').replace(/\\s+/g, ' ').trim(),
           shown: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 1,
           seen: box.bottom > 0 && box.top < innerHeight, tag: at.tagName.toLowerCase() }; }"""


class Keys:
    """A person with a keyboard."""

    def __init__(self, page: Any, address: str) -> None:
        self.page = page
        self.address = address

    def sign_in(self, person: Any) -> None:
        self.page.context.clear_cookies()
        self.page.goto(f"{self.address}/sign-in/")
        self.type(person.username)
        self.press("Tab")
        self.type(PASSWORD)
        self.enter()
        self.wait("Sign out")

    def to(self, name: str, tag: str = "") -> None:
        """Tab to the control whose name begins so; every stop on the way is in view and shows its focus."""
        passed = []
        for _ in range(STOPS):
            self.press("Tab")
            at = self.page.evaluate(AT)
            if at is None:
                continue
            passed.append(at["name"])
            assert at["shown"], f"no focus to be seen on {at}"
            assert at["seen"], f"focus out of view on {at}"
            if at["name"].startswith(name.replace("\u00a0", " ")) and at["tag"].startswith(tag):
                return
        raise AssertionError(f"{name!r} was not reached; passed {passed}")

    def open(self, name: str) -> None:
        self.to(name)
        self.enter()

    def enter(self) -> None:
        """Enter, and the page that it leads to."""
        with self.page.expect_navigation():
            self.press("Enter")

    def press(self, key: str) -> None:
        self.page.keyboard.press(key)

    def type(self, words: str) -> None:
        self.page.keyboard.type(words)

    def wait(self, words: str) -> None:
        self.page.get_by_text(words).first.wait_for()


@pytest.fixture
def cast(transactional_db: None) -> Cast:
    return found_cast()


@pytest.fixture
def keys(page: Any, live_server: Any) -> Keys:
    return Keys(page, live_server.url)


def test_from_sign_in_to_approval(
    keys: Keys, cast: Cast, worker: None, tmp_path: Path, complaints: list[str]
) -> None:
    yard: Yard = yard_of(cast.a)
    file = tmp_path / "north.csv"
    file.write_bytes(heap())
    keys.sign_in(yard.surveyor)
    keys.open("Skip to the page")
    keys.open(yard.site.name)
    keys.open("Open a survey")
    keys.open("Open the survey")
    keys.to("Files", "input")
    with keys.page.expect_file_chooser() as chosen:
        keys.press("Enter")
    chosen.value.set_files(file)
    keys.open("Add the files")
    keys.wait("shots read")
    keys.open("Measure 1\u00a0pile")
    keys.wait("Submit 1\u00a0measurement")
    keys.open("Submit 1\u00a0measurement")
    keys.wait("handed over for review")

    keys.sign_in(yard.lead)
    keys.open(yard.site.name)
    keys.open(f"{yard.pile.code}, ")
    keys.open("Mark as reviewed")
    keys.wait("Marked as reviewed")
    keys.open("Approve")
    keys.wait("Approved and counted in the stock")
    assert StockCount.objects.get().pile == yard.pile
    assert complaints == []


def test_a_variance_is_explained_and_the_month_reconciled(
    keys: Keys, cast: Cast, complaints: list[str]
) -> None:
    book = MonthBook(cast.a)
    last = dt.date(2025, 1, 31)
    book.count_all(last, 1300, 1000)
    closing.start_counting(book.period(last), cast.a.manager)
    keys.sign_in(cast.a.accountant)
    keys.open(book.site.name)
    keys.open("Months of the book")
    keys.open("2025-01")
    keys.to(f"Why {book.piles[0].code} differs")
    keys.type("two loads went out unweighed")
    keys.enter()
    keys.wait("two loads went out unweighed")
    assert Explanation.objects.get().text == "two loads went out unweighed"
    keys.open("Reconcile")
    keys.wait("as reconciled")
    assert Period.objects.get(site=book.site, name="2025-01").state == "reconciled"
    assert complaints == []
