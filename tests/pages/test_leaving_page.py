"""The check before leaving: what is missing is said with what to do on site, and nothing is kept."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from surveys import control
from surveys.models import StoredFile, Survey, SurveyFile
from tests.cast import Cast
from tests.surveys.book_scene import approved, book, known, misread, wrong_pole
from tests.surveys.scene import Yard, frustum_rows, point_file

pytestmark = pytest.mark.django_db

Browser = Callable[[Any], Client]


def sent(browser: Client, yard: Yard, data: bytes, name: str = "so far.csv", **more: Any) -> tuple[int, str]:
    given = {"file": SimpleUploadedFile(name, data), "pile": "", "unit": "metre", **more}
    answer = browser.post(reverse("leaving", args=[yard.site.code]), given)
    return answer.status_code, re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def dense(*without: str) -> list[str]:
    """A frustum shot as a crew does: toe every 5 m, faces half-way up, crest, pad, a check on a mark.
    `without`: toe, north face, pad, check."""
    rows: list[tuple[float, float, float, str]] = []
    edge = [i * 5.0 for i in range(8)]
    for t in edge:
        if "toe" not in without:
            rows += [
                (t, 0, 100, "TOE"),
                (40, t, 100, "TOE"),
                (40 - t, 40, 100, "TOE"),
                (0, 40 - t, 100, "TOE"),
            ]
        u = 5.0 + t * 30.0 / 40.0
        rows += [(u, 5, 102.5, "SPT"), (35, u, 102.5, "SPT"), (5, 40 - u, 102.5, "SPT")]
        if "north face" not in without:
            rows.append((40 - u, 35, 102.5, "SPT"))
    rows += [(x, y, 105, "CRS 1") for x, y in ((10, 10), (30, 10), (30, 30), (10, 30), (10, 10))]
    rows.append((20, 20, 105, "SPT"))
    if "pad" not in without:
        rows += [(-3, 20, 100, "FLR"), (20, -3, 100, "FLR"), (43, 20, 100, "FLR"), (20, 43, 100, "FLR")]
    if "check" not in without:
        rows.append((-12, -15, 100.4, "CHK"))
    return [f"{i},{y:.3f},{x:.3f},{z:.3f},{code}" for i, (x, y, z, code) in enumerate(rows, start=1)]


def test_a_whole_survey_may_leave(yard: Yard, as_: Browser) -> None:
    status, said = sent(as_(yard.surveyor), yard, point_file(dense()))
    assert status == 200
    assert "Nothing missing in this file" in said, said
    assert "Not in this file: QRY-02" in said
    assert "What no file shows" in said


@pytest.mark.parametrize(
    ("missing", "told", "remedy"),
    [
        ("toe", "There is no toe shot", "Shoot the toe all the way round"),
        ("north face", "to the north", "Set up where that side can be seen"),
        ("pad", "0 exposed-pad shots", "Shoot the bare floor on all sides"),
        ("check", "No known mark was shot again", "Shoot a station that was not used for orientation"),
    ],
)
def test_what_is_missing_is_said_with_what_to_do(
    yard: Yard, as_: Browser, missing: str, told: str, remedy: str
) -> None:
    _, said = sent(as_(yard.surveyor), yard, point_file(dense(missing)))
    assert told in said
    assert remedy in said
    assert "Nothing missing in this file" not in said
    # The others are there, so nobody is sent back for them.
    _, whole = sent(as_(yard.surveyor), yard, point_file(dense()))
    assert told not in whole


def test_nothing_is_kept_and_the_page_says_so(yard: Yard, as_: Browser) -> None:
    known(yard)
    browser = as_(yard.surveyor)
    before = (StoredFile.objects.count(), SurveyFile.objects.count(), Survey.objects.count())
    assert "Nothing is kept as evidence" in sent(browser, yard, point_file(dense()))[1]
    sent(browser, yard, book(misread()))
    assert (StoredFile.objects.count(), SurveyFile.objects.count(), Survey.objects.count()) == before


def test_a_book_that_does_not_close_stops_the_crew(yard: Yard, as_: Browser) -> None:
    known(yard)
    _, said = sent(as_(yard.surveyor), yard, book(misread()))
    assert "Do not leave yet" in said
    assert "The angles do not close by" in said
    assert "station K3" in said


def test_a_wrong_pole_shows_at_the_check_of_its_set_up(yard: Yard, as_: Browser) -> None:
    known(yard)
    _, said = sent(as_(yard.surveyor), yard, book(wrong_pole()))
    # The pole of set-up 2 was written 0.2 m short, so the mark seems 0.2 m high.
    assert re.search(r"check to K1 from set-up 2 differs by 0\.0000 in plan, \+0\.2000 in height", said), said
    assert "check to K4" not in said


def test_a_doubted_mark_carries_no_book(yard: Yard, as_: Browser) -> None:
    """A mark that is suspect today is not held; without it the book closes on the three others."""
    points = {point.name: point for point in known(yard)}
    moved = (points["K2"], dt.date(2025, 6, 1), "kerb hit")
    approved(yard, "K9", (500.0, 500.0, 100.0))  # a mark nobody sighted is no reason to refuse
    control.mark_suspect(moved[0], yard.surveyor, moved[1], moved[2])
    _, said = sent(as_(yard.surveyor), yard, book())
    assert "It could not be read" not in said
    assert "does not close" not in said


def test_a_broken_line_of_a_book_is_told_while_it_can_be_read_again(yard: Yard, as_: Browser) -> None:
    known(yard)
    lines = book().decode().splitlines()
    lines[4] = lines[4].replace("foresight", "foresite")
    _, said = sent(as_(yard.surveyor), yard, "\n".join(lines).encode())
    assert "line 5" in said
    assert "foresite" in said
    assert "Do not leave yet" in said


def test_a_file_without_columns_says_what_it_needs(yard: Yard, as_: Browser) -> None:
    _, said = sent(as_(yard.surveyor), yard, b"1 2 3 4 5 6 7\n" * 3)
    assert "It could not be read" in said
    assert "Do not leave yet" in said


def test_one_pile_alone_lists_no_others(yard: Yard, as_: Browser) -> None:
    _, said = sent(as_(yard.surveyor), yard, point_file(frustum_rows()), pile=yard.pile.pk)
    assert "Not in this file" not in said
    assert "QRY-01 14 shots" in said


def test_the_page_is_for_those_who_survey(yard: Yard, as_: Browser, cast: Cast) -> None:
    where = reverse("leaving", args=[yard.site.code])
    refused = as_(yard.company.accountant).get(where)
    assert refused.status_code == 403
    assert b"Lead surveyor" in refused.content or b"lead surveyor" in refused.content
    assert as_(cast.b.surveyor).get(where).status_code == 404
    empty = as_(yard.surveyor).post(where, {"unit": "metre"})
    assert empty.status_code == 422
    foreign = cast.b.pile(cast.b.site("BRN"), cast.b.material("B7", "Grit"))
    assert sent(as_(yard.surveyor), yard, b"x", pile=foreign.pk)[0] == 422, "no pile of anybody else"
