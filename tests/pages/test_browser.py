"""A real browser walks the main way, with keyboard and under the strict policy: upload, progress, findings,
approval, export. The worker runs in a thread of the test, as the bell rings.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connections
from django.urls import reverse

from surveys import computing, review, tasks
from surveys.models import JobState, Measurement
from tests.cast import PASSWORD, found_cast
from tests.surveys.scene import DAY, Yard, frustum_rows, heap, point_file, yard_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def yard(transactional_db: None) -> Yard:
    return yard_of(found_cast().a)


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch, transactional_db: None) -> Iterator[None]:
    """Takes each job a moment after its bell, in a thread with a connection of its own."""
    rung: list[int] = []
    over = threading.Event()
    monkeypatch.setattr(tasks.measure, "delay", rung.append)

    def take_jobs() -> None:
        while not over.is_set():
            if rung:
                time.sleep(0.7)
                computing.work(rung.pop(0), "browser-test")
            time.sleep(0.05)
        connections.close_all()

    thread = threading.Thread(target=take_jobs)
    thread.start()
    yield
    over.set()
    thread.join()


class Visitor:
    """A person at the page."""

    def __init__(self, page: Any, address: str) -> None:
        self.page = page
        self.address = address

    def go(self, place: str) -> None:
        self.page.goto(self.address + place)

    def sign_in(self, person: Any) -> None:
        """By keyboard alone: the name has the focus, Tab and Enter do the rest."""
        self.page.context.clear_cookies()
        self.go("/sign-in/")
        self.page.keyboard.type(person.username)
        self.page.keyboard.press("Tab")
        self.page.keyboard.type(PASSWORD)
        self.page.keyboard.press("Enter")
        self.page.get_by_role("button", name="Sign out").wait_for()

    def press(self, name: str) -> None:
        """A button, by keyboard."""
        button = self.page.get_by_role("button", name=name)
        button.focus()
        self.page.keyboard.press("Enter")


@pytest.fixture
def visitor(page: Any, live_server: Any) -> Visitor:
    return Visitor(page, live_server.url)


def test_from_upload_to_export(
    visitor: Visitor, yard: Yard, worker: None, tmp_path: Path, complaints: list[str]
) -> None:
    page = visitor.page
    visitor.sign_in(yard.surveyor)
    visitor.go(reverse("new-survey", args=[yard.site.code]))
    page.get_by_label("Date of the survey").fill(DAY.isoformat())
    visitor.press("Open the survey")

    # The second pile has a shot ten metres too high, as a slip of a digit makes it.
    rows = frustum_rows(height_m=7.0, east_m=60.0)
    rows.append("15,15.000,78.000,117.000,SPT")
    file = tmp_path / "yard.csv"
    file.write_bytes(point_file(frustum_rows(height_m=5.0), rows))
    page.get_by_label("Files points as CSV").set_input_files(file)
    assert "yard.csv" in page.locator(".drop-files").inner_text()
    visitor.press("Add the files")
    page.get_by_text("29\u00a0shots read").wait_for()
    visitor.press("Measure 2\u00a0piles")
    page.locator("#results progress").first.wait_for()
    page.get_by_role("button", name="Submit 2\u00a0measurements").wait_for()
    assert page.locator("#results .heap-top").count() == 2
    assert page.locator("#results").get_attribute("hx-trigger") is None
    visitor.press("Submit 2\u00a0measurements")
    page.get_by_text("handed over for review").wait_for()
    survey = page.url

    visitor.sign_in(yard.lead)
    page.goto(survey)
    assert page.locator(".findings li").count() >= 1
    visitor.press("Mark 2\u00a0measurements as reviewed")
    page.get_by_role("button", name="Approve 2\u00a0measurements").wait_for()
    while page.get_by_text("Accept it with a reason").count():
        page.get_by_text("Accept it with a reason").first.click()
        page.get_by_label("Why it can stand").first.fill("looked at on the ground")
        page.keyboard.press("Enter")
        page.wait_for_load_state()
    visitor.press("Approve 2\u00a0measurements")
    page.get_by_text("2\u00a0measurements approved and counted").wait_for()

    visitor.go("/")
    assert yard.pile.code in page.locator(".yard").inner_text()
    with page.expect_download() as download:
        page.get_by_role("link", name="CSV").click()
    exported = Path(download.value.path()).read_text(encoding="utf-8-sig")
    assert yard.pile.material.name in exported
    assert complaints == []


def test_a_dropped_file_is_taken(visitor: Visitor, yard: Yard, complaints: list[str]) -> None:
    page = visitor.page
    survey = yard.survey()
    visitor.sign_in(yard.surveyor)
    visitor.go(reverse("survey", args=[survey.pk]))
    given = page.evaluate_handle(
        """(text) => {
          const bag = new DataTransfer();
          bag.items.add(new File([text], 'dropped.csv'));
          return bag; }""",
        heap().decode(),
    )
    page.dispatch_event(".drop", "drop", {"dataTransfer": given})
    assert "dropped.csv" in page.locator(".drop-files").inner_text()
    visitor.press("Add the files")
    page.get_by_text("14\u00a0shots read").wait_for()
    assert complaints == []


def test_pile_page_draws_cuts_compares_and_turns(visitor: Visitor, yard: Yard, complaints: list[str]) -> None:
    page = visitor.page
    yard.approved(heap(5.0))
    yard.approved(heap(6.0), day=DAY.replace(day=1))
    visitor.sign_in(yard.surveyor)
    visitor.go(reverse("pile", args=[yard.site.code, yard.pile.code]))
    page.locator("#history .main-svg").first.wait_for()
    assert page.locator("#history .point").count() == 2

    plan = page.locator("svg.plan")
    plan.scroll_into_view_if_needed()
    box = plan.bounding_box()
    page.mouse.click(box["x"] + 0.3 * box["width"], box["y"] + 0.4 * box["height"])
    page.mouse.click(box["x"] + 0.7 * box["width"], box["y"] + 0.4 * box["height"])
    page.locator("#section figcaption", has_text="Length").wait_for()
    norths = [float(page.get_by_label(f"{end} northing").input_value()) for end in ("A", "B")]
    assert norths[0] == norths[1]
    assert 0 < norths[0] < 40

    page.get_by_label("A easting").fill("nowhere")
    page.get_by_label("A easting").press("Enter")
    page.get_by_text("Give both ends as easting and northing").wait_for()

    page.locator("#change").scroll_into_view_if_needed()
    page.locator("svg.change-map").wait_for()
    visitor.press("Show it, to be turned")
    page.locator(".chart-3d canvas").first.wait_for()
    assert complaints == []


def test_a_phone_needs_no_sideways_scrolling(visitor: Visitor, yard: Yard) -> None:
    page = visitor.page
    measurement = yard.approved()
    page.set_viewport_size({"width": 360, "height": 740})
    visitor.sign_in(yard.lead)
    for place in (
        "/",
        reverse("site", args=[yard.site.code]),
        reverse("pile", args=[yard.site.code, yard.pile.code]),
        reverse("survey", args=[measurement.survey_id]),
        reverse("measurement", args=[measurement.pk]),
        reverse("material", args=[yard.pile.material.code]),
        reverse("propose-density", args=[yard.pile.material.code]),
        reverse("people"),
    ):
        visitor.go(place)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, place


def contrast(first: tuple[float, ...], second: tuple[float, ...]) -> float:
    """WCAG 2.1 contrast ratio of two sRGB colours."""

    def luminance(colour: tuple[float, ...]) -> float:
        parts = [c / 255 for c in colour[:3]]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    lighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


INKS = ("ink", "quiet", "accent", "attention", "refused", "settled")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_ink_stands_out_on_every_ground(visitor: Visitor, scheme: str) -> None:
    page = visitor.page
    page.emulate_media(color_scheme=scheme)
    visitor.go("/sign-in/")
    read = """(name) => {
      const probe = document.createElement('i');
      document.body.append(probe);
      probe.style.color = `var(--${name})`;
      return getComputedStyle(probe).color; }"""
    colours = {
        name: tuple(float(part) for part in re.findall(r"[\d.]+", page.evaluate(read, name)))
        for name in (
            "paper",
            "sheet",
            "ink",
            "quiet",
            "accent",
            "attention",
            "refused",
            "settled",
            "on-accent",
        )
    }
    for ground in ("paper", "sheet"):
        for name in INKS:
            assert contrast(colours[ground], colours[name]) >= 4.5, (scheme, name, ground)
    assert contrast(colours["accent"], colours["on-accent"]) >= 4.5


def test_a_failed_job_is_shown_when_it_fails(visitor: Visitor, yard: Yard, worker: None) -> None:
    page = visitor.page
    rows = [row.replace("TOE", "SPT") for row in frustum_rows()][:2]
    survey = yard.survey_with(point_file(rows), yard.pile)
    visitor.sign_in(yard.surveyor)
    visitor.go(reverse("survey", args=[survey.pk]))
    visitor.press("Measure 1\u00a0pile")
    page.locator("#results .is-stop").first.wait_for()
    failed = Measurement.objects.get()
    assert failed.job_state == JobState.FAILED
    assert failed.error["message"] in page.locator("#results").inner_text()
    assert not review.open_findings(failed)
