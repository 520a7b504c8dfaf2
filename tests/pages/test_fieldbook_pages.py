"""Pages of a field book: what it comes to, by hand as far as a reader can; corrected, accepted, sent back.

The books are the reduction turned round (`tests.surveys.book_scene`): a planted fault is known to the second.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import itertools
import math
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import numpy as np
import pypdf
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from compute.traverse.angles import parse_angle, turn
from surveys import fieldbook_sheets as sheets
from surveys import fieldbooks, storage
from surveys.drawings.network import network
from surveys.models import BookReduction, SurveyFile
from surveys.pages import fieldbook as page_of_book
from surveys.pages import fieldbook_rows
from surveys.pages.fieldbook_grid import NAMES
from tests.cast import Cast
from tests.compute.field_crew import line, sight
from tests.pages.test_drawings import checked
from tests.pages.test_pages import plain
from tests.surveys.book_scene import (
    MARKS,
    book,
    frustum_shots,
    known,
    misread,
    received,
    sights,
    written,
)
from tests.surveys.scene import DAY, HEADER, Yard

pytestmark = pytest.mark.django_db

Browser = Callable[[Any], Client]


def words(answer: Any) -> str:
    """The page without its mark-up."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def address(file: SurveyFile, step: str = "") -> str:
    if step:
        return reverse("fieldbook-step", args=[file.survey_id, file.pk, step])
    return reverse("fieldbook", args=[file.survey_id, file.pk])


def judge(file: SurveyFile, version: int, step: str) -> str:
    return reverse("reduction-step", args=[file.survey_id, file.pk, version, step])


def correction(**change: str) -> dict[str, str]:
    given = {
        "setup": "3",
        "field": "orientation",
        "value": str(10 / 60),
        "reason": "read again at the end of the set-up",
        "first_shot": "",
        "last_shot": "",
    }
    return {f"correct-{name}": value for name, value in (given | change).items()}


def table(text: str, class_: str) -> list[list[str]]:
    """Cells of a table, row by row, as text."""
    body = re.search(rf'<table class="[^"]*\b{class_}\b[^"]*">(.*?)</table>', text, re.S)
    assert body is not None
    rows = re.findall(r"<tr[^>]*>(.*?)</tr>", body[1], re.S)
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in rows]
    return [[" ".join(unescape(re.sub(r"<[^>]+>", " ", cell)).split()) for cell in row] for row in cells]


def amount(cell: str) -> float:
    return float(cell.replace("\u2212", "-").replace(",", ""))


# --- what a book comes to -----------------------------------------------------------------------------


def test_a_book_is_uploaded_like_any_file_and_its_misclosure_is_seen(yard: Yard, as_: Browser) -> None:
    known(yard)
    browser, survey = as_(yard.surveyor), yard.survey(DAY)
    sent = SimpleUploadedFile("june.csv", book(misread()), "text/csv")
    given = {"unit": "metre", "pile": "", "purpose": "measure", "files": [sent]}
    text = browser.post(reverse("add-files", args=[survey.pk]), given, follow=True).content.decode()
    file = SurveyFile.objects.get(survey=survey)
    assert f'href="{address(file)}"' in text
    said = words(browser.get(address(file)))
    assert "The book does not close" in said
    # Ten minutes of arc were planted, so the angles miss by 600 seconds to the rounding of a tenth.
    assert re.search(r"Angular [−-]600\.0″ 4 interior angles ± 40\.0″ no", said), said
    assert "station K3" in said
    assert "Accept version" not in said, "there is nothing to accept"


def test_without_known_marks_the_page_says_why_and_reduces_later(yard: Yard, as_: Browser) -> None:
    file = received(yard, book())
    browser = as_(yard.surveyor)
    said = words(browser.get(address(file)))
    assert "Not reduced" in said
    assert "would hang in the air" in said
    assert browser.get(reverse("closure-sheet", args=[file.survey_id, file.pk])).status_code == 404
    known(yard)
    assert "version 1" in words(browser.post(address(file, "first"), follow=True))


def test_every_line_of_the_reduction_can_be_checked_by_hand(yard: Yard, as_: Browser) -> None:
    """HD = S · sin Z and dH = S · cos Z + c + hi − ht from the printed cells alone, to the printed digits."""
    known(yard)
    file = received(yard, book())
    rows = table(as_(yard.surveyor).get(address(file)).content.decode(), "reduction")
    lines = [row for row in rows if len(row) == 13 and "line" in row[0]]
    assert len(lines) == len(sights())
    for row in lines:
        _, _, _, zenith, _, slope, horizontal, curved, over, hi, ht, rise = row[1:]
        angle = math.radians(parse_angle(zenith))
        assert amount(horizontal) == pytest.approx(amount(slope) * math.sin(angle), abs=0.0012)
        assert amount(over) == pytest.approx(amount(slope) * math.cos(angle) + amount(curved), abs=0.0012)
        # Between two stations heights go from mark to mark; so do they to the foot of a pole.
        assert amount(rise) == pytest.approx(amount(over) + amount(hi) - amount(ht), abs=0.0016)


def test_the_network_is_to_scale_and_its_exaggeration_is_the_stated_one(yard: Yard) -> None:
    known(yard)
    reduction = fieldbooks.live_reduction(received(yard, book(misread())))
    assert reduction is not None
    net = sheets.network_of(sheets.sheet_of(reduction))
    drawn, larger = network(net, symbol="m", name="network")
    checked(drawn)
    marks = r'<path d="M([-\d.]+) ([-\d.]+)m[^"]*" class="shot (?:shot-control|new-station)"'
    stations = re.findall(marks, drawn)
    sheet = np.array(stations, dtype=float)
    places = np.array([[one.easting, one.northing] for one in net.stations])
    assert len(sheet) == len(places) == 4
    apart = [np.hypot(*(given[1:] - given[0]).T) for given in (sheet, places)]
    scale = apart[0] / apart[1]
    assert scale == pytest.approx(scale[0], rel=1e-3), "one scale for every side"
    assert larger.misclosure is not None
    shaft = re.search(r'<path d="M([-\d.]+) ([-\d.]+)L([-\d.]+) ([-\d.]+)" class="misclosure"', drawn)
    assert shaft is not None
    x1, y1, x2, y2 = map(float, shaft.groups())
    north, east = net.misclosure or (0.0, 0.0)
    assert (x2 - x1, y1 - y2) == pytest.approx(
        (east * scale[0] * larger.misclosure, north * scale[0] * larger.misclosure), abs=0.05
    )
    assert f"× {larger.misclosure:,.0f}" in larger.words
    # A book whose courses close to the last digit has no vector to draw.
    closed = sheets.Network(net.stations, net.lines, (0.0, 0.0), net.closes_on, "metre", True)
    assert "misclosure" not in network(closed, symbol="m", name="n")[0]


def test_both_adjustments_stand_side_by_side_with_their_difference(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book(misread(by_deg=15 / 3600)))
    text = as_(yard.surveyor).get(address(file)).content.decode()
    rows = {row[0]: row[1:] for row in table(text, "sticky-first") if len(row) == 9}
    assert set(MARKS) <= set(rows)
    for name in MARKS:
        north, east, other_north, other_east, d_north, d_east, apart = rows[name][:7]
        assert amount(d_north.split()[0]) == pytest.approx(
            1000 * (amount(north) - amount(other_north)), abs=1.1
        )
        assert amount(d_east.split()[0]) == pytest.approx(1000 * (amount(east) - amount(other_east)), abs=1.1)
        legs = math.hypot(amount(d_north.split()[0]), amount(d_east.split()[0]))
        assert amount(apart.split()[0]) == pytest.approx(legs, abs=0.11)
    assert re.search(r"Variance factor [\d.]+ with \d+ degrees? of freedom", words_of(text))


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", text)))


def test_other_books_than_loops_have_their_page(yard: Yard, as_: Browser) -> None:
    """A free station between known marks, and an open leg that nothing closes, named as such."""
    known(yard)
    rows = [{**row, "to": row["to"].replace("K2", "X9")} for row in sights() if row["setup"] == "1"]
    leg = received(yard, written(rows), DAY, "leg.csv")
    places = {**{point: at for point, at, _ in frustum_shots()}, **MARKS}
    place = (20.0, -30.0, 100.2)
    free = []
    for to, kind in (("K1", "backsight"), ("K2", "check"), ("K4", "check"), ("7", "shot")):
        target = places[to]
        azimuth, _ = line(place, target)
        zenith, slope = sight(place, target, 1.55, 1.8)
        common = {"setup": "1", "at": "F1", "to": to, "kind": kind, "hi": 1.55, "ht": 1.8, "slope": slope}
        code = "TOE" if kind == "shot" else ""
        free.append({**common, "face": 1, "circle": turn(azimuth - 50.0), "zenith": zenith, "code": code})
    alone = received(yard, written(free), DAY + dt.timedelta(days=1), "free.csv")
    browser = as_(yard.surveyor)
    for file, told in ((leg, "Open leg"), (alone, "F1")):
        assert file.reductions.exists(), file.preview
        answer = browser.get(address(file))
        assert answer.status_code == 200
        assert told in words(answer)
        for name in ("closure-sheet", "closure-sheet-pdf"):
            assert browser.get(reverse(name, args=[file.survey_id, file.pk])).status_code == 200
    fits = table(browser.get(address(alone)).content.decode(), "free-station")[1:]
    assert {row[0] for row in fits} == {"K1", "K2", "K4"}
    # The sights were made from the true place: what is left is their rounding to a tenth of a second and mm.
    assert max(abs(amount(cell.split()[0])) for row in fits for cell in row[1:5]) <= 0.2


def test_a_long_book_is_read_one_set_up_at_a_time(
    yard: Yard, as_: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    known(yard)
    file = received(yard, book())
    monkeypatch.setattr(page_of_book, "ROWS_AT_ONCE", 10)
    browser = as_(yard.surveyor)
    for asked, shown in (
        ("", "Set-up 1 at K1"),
        ("?setup=3", "Set-up 3 at K3"),
        ("?setup=9", "Set-up 1 at K1"),
    ):
        rows = table(browser.get(address(file) + asked).content.decode(), "reduction")
        assert [row[0] for row in rows if row[0].startswith("Set-up")] == [shown]


# --- versions -----------------------------------------------------------------------------------------


def test_a_correction_makes_a_version_that_another_person_accepts(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book(misread()))
    surveyor, lead = as_(yard.surveyor), as_(yard.lead)
    said = words(surveyor.post(address(file, "correct"), correction(), follow=True))
    assert "version 2" in said
    assert "read again at the end of the set-up" in said
    assert "does not close" not in said
    assert "Accept version" not in said, "surveyors do not accept"
    assert words(surveyor.get(address(file) + "?version=1")).count("does not stand") == 1

    refused = surveyor.post(judge(file, 2, "accept"))
    assert refused.status_code == 403
    assert "Accept version 2" in words(lead.get(address(file)))
    given = {"accept-comment": "angles looked at in the book"}
    said = words(lead.post(judge(file, 2, "accept"), given, follow=True))
    assert "v2 is accepted" in said
    assert "angles looked at in the book" in said
    states = dict(file.reductions.values_list("version", "state"))
    assert states == {1: "superseded", 2: "accepted"}


def test_who_prepared_a_version_is_told_that_another_person_judges_it(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book())
    fieldbooks.reduce_book(file, yard.lead, reason="limits of the site")
    lead = as_(yard.lead)
    assert "You prepared version 2" in words(lead.get(address(file)))
    answer = lead.post(judge(file, 2, "accept"), follow=True)
    assert BookReduction.objects.get(file=file, version=2).state == "computed"
    assert "another person" in words(answer).lower()


def test_a_version_is_sent_back_with_a_reason_or_not_at_all(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book())
    lead = as_(yard.lead)
    assert "a reason is needed" in words(lead.post(judge(file, 1, "send_back"), follow=True))
    assert file.reductions.get().state == "computed"
    given = {"send-back-reason": "pole of set-up 2?"}
    said = words(lead.post(judge(file, 1, "send_back"), given, follow=True))
    assert "pole of set-up 2?" in said
    assert file.reductions.get().state == "rejected"
    assert lead.post(judge(file, 1, "burn")).status_code == 404


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"value": "ten minutes"}, "is not a number"),
        ({"value": "nan"}, "Give a number that means"),
        ({"reason": ""}, "This field is required"),
        ({"field": "target_height", "value": "1.8", "first_shot": "no such shot"}, "no such shot"),
        ({"setup": "17"}, "Select a valid choice"),
    ],
)
def test_a_wrong_correction_is_refused_where_it_stands(
    yard: Yard, as_: Browser, change: dict[str, str], told: str
) -> None:
    known(yard)
    file = received(yard, book(misread()))
    answer = as_(yard.surveyor).post(address(file, "correct"), correction(**change))
    assert answer.status_code == 422
    assert told in words(answer)
    kept = change.get("reason", "read again at the end of the set-up")
    assert kept in words(answer), "what was typed is not lost"
    assert file.reductions.count() == 1


def test_a_misclosure_is_accepted_only_with_a_reason_that_stays(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book(misread()))
    browser = as_(yard.surveyor)
    assert browser.post(address(file, "misclosure"), {"misclosure-reason": " "}).status_code == 422
    given = {"misclosure-reason": "the mark is lost, a rough stock is wanted today"}
    said = words(browser.post(address(file, "misclosure"), given, follow=True))
    assert "Adjusted in spite of the limits" in said
    sheet = words(browser.get(reverse("closure-sheet", args=[file.survey_id, file.pk])))
    assert given["misclosure-reason"] in sheet
    # Other limits ask again: what was accepted was that misclosure under those limits.
    settings = {"preset": "construction", "rule": "compass", "held": sorted(MARKS), "reason": "as agreed"}
    sent = {f"settings-{name}": value for name, value in settings.items()}
    said = words(browser.post(address(file, "settings"), sent, follow=True))
    assert "The book does not close" in said
    assert re.search(r"± 120\.0″", said), "60 seconds times the root of four angles"


def test_marks_can_be_compared_instead_of_held(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book())
    given = {"settings-preset": "", "settings-rule": "least-squares", "settings-held": ["K1", "K4"]}
    answer = as_(yard.surveyor).post(
        address(file, "settings"), given | {"settings-reason": "hold the two on bedrock"}, follow=True
    )
    said = words(answer)
    assert "least squares · version 2" in said
    assert "K2" in said
    assert said.count("compared") >= 2


def test_stored_coordinates_are_compared_and_moved_as_a_version(yard: Yard, as_: Browser) -> None:
    known(yard)
    survey = yard.survey(DAY)
    browser = as_(yard.surveyor)
    rows = [(point, *place, code) for point, place, code in frustum_shots()]
    off = [
        f"{point},{n + (0.05 if i == 0 else 0):.4f},{e:.4f},{z:.4f},{code}"
        for i, (point, n, e, z, code) in enumerate(rows)
    ]
    stored = "\n".join([HEADER, *off, ""]).encode()
    for name, data, purpose in (("stored.csv", stored, "stored"), ("book.csv", book(), "measure")):
        sent = SimpleUploadedFile(name, data, "text/csv")
        given = {"unit": "metre", "pile": "", "purpose": purpose, "files": [sent]}
        browser.post(reverse("add-files", args=[survey.pk]), given)
    beside = SurveyFile.objects.get(survey=survey, purpose="stored")
    file = SurveyFile.objects.get(survey=survey, purpose="field-book")
    given = {"stored-stored": beside.pk, "stored-reason": "what the instrument had"}
    said = words(browser.post(address(file, "stored"), given, follow=True))
    # A shot off by 50 mm is beyond a hundredth of a foot (3.048 mm); the others are the same to rounding.
    assert re.search(rf"1 of {len({row[0] for row in rows})} beyond a hundredth of a foot", said), said
    assert "50.0 mm" in said
    said = words(browser.post(address(file, "stored"), given | {"stored-move_stored": "on"}, follow=True))
    assert "version 3" in said
    assert "each set-up's moved with its station" in said


# --- the sheet ----------------------------------------------------------------------------------------


def test_the_closure_sheet_has_what_a_checker_needs(yard: Yard, as_: Browser) -> None:
    known(yard)
    data = book()
    file = received(yard, data)
    reduction = file.reductions.get()
    answer = as_(yard.lead).get(reverse("closure-sheet", args=[file.survey_id, file.pk]))
    said = words(answer)
    assert hashlib.sha256(data).hexdigest() in said
    assert reduction.digest in said
    assert reduction.request["algorithm"] in said
    for words_there in ("Courses", "Both adjustments", "Corrections", "Checked by", "licensed surveyor"):
        assert words_there in said
    rows = table(answer.content.decode(), "reduction")
    assert sum("line" in row[0] for row in rows if len(row) == 13) == len(sights())


def test_the_sheet_as_a_file_says_the_same_and_is_made_alike_twice(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book(misread()))
    browser = as_(yard.lead)
    where = reverse("closure-sheet-pdf", args=[file.survey_id, file.pk])
    first, again = (browser.get(where) for _ in range(2))
    assert first["Content-Type"] == "application/pdf"
    assert first.content == again.content
    pages = pypdf.PdfReader(io.BytesIO(first.content)).pages
    said = " ".join(" ".join(page.extract_text().split()) for page in pages)
    reduction = file.reductions.get()
    assert reduction.digest in said
    assert file.stored_file.sha256 in said
    assert "−600.0″" in said
    assert "station K3" in said
    for row in sights():
        written = round(float(f"{row['slope']:.4f}"), 3)
        assert re.search(rf"\b{written:.3f}\b", said), "every slope distance that was read"
    assert all(page.mediabox.height <= 842.5 and page.mediabox.width <= 842.5 for page in pages), "A4"


def test_a_book_whose_bytes_are_lost_says_so(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book())
    storage.store().delete(file.stored_file.path)
    browser = as_(yard.surveyor)
    said = words(browser.get(address(file)))
    assert "The book cannot be shown" in said
    assert file.reductions.get().digest in said, "what was kept of it stands"
    assert "cannot be shown" in words(browser.post(address(file, "correct"), correction(), follow=True))
    assert browser.get(reverse("closure-sheet", args=[file.survey_id, file.pk])).status_code == 404


# --- who may what -------------------------------------------------------------------------------------


def test_roles_are_refused_in_words(yard: Yard, as_: Browser) -> None:
    known(yard)
    file = received(yard, book(misread()))
    manager = as_(yard.company.manager)
    assert "Make the next version" not in words(manager.get(address(file)))
    for step in ("correct", "misclosure", "settings", "stored", "first"):
        answer = manager.post(address(file, step), correction())
        assert answer.status_code == 403
        assert "field book" in words(answer).lower()
    assert manager.post(judge(file, 1, "send_back"), {"send-back-reason": "no"}).status_code == 403
    assert file.reductions.count() == 1
    assert manager.get(reverse("fieldbook-entry", args=[file.survey_id])).status_code == 403


def test_others_find_nothing(yard: Yard, as_: Browser, cast: Cast) -> None:
    known(yard)
    file = received(yard, book())
    other = as_(cast.b.surveyor)
    where = [file.survey_id, file.pk]
    assert other.get(address(file)).status_code == 404
    for name in ("closure-sheet", "closure-sheet-pdf"):
        assert other.get(reverse(name, args=where)).status_code == 404
    assert other.post(address(file, "correct"), correction()).status_code == 404
    assert other.post(judge(file, 1, "accept")).status_code == 404
    assert other.get(reverse("fieldbook-entry", args=[file.survey_id])).status_code == 404
    assert file.reductions.count() == 1


def test_queries_do_not_grow_with_versions(
    yard: Yard, as_: Browser, django_assert_max_num_queries: Any
) -> None:
    known(yard)
    file = received(yard, book())
    browser = as_(yard.lead)
    with django_assert_max_num_queries(100) as few:
        browser.get(address(file))
    for number in range(4):
        fieldbooks.reduce_book(file, yard.surveyor, reason=f"again {number}")
    with django_assert_max_num_queries(len(few)):
        browser.get(address(file))


# --- typed by hand ------------------------------------------------------------------------------------


def typed(rows: list[dict[str, str]], step: str = "keep", **more: str) -> dict[str, str]:
    """The grid as a browser sends it: every cell of every row, empty ones too."""
    sent = {f"r{i}-{name}": row.get(name, "") for i, row in enumerate(rows) for name in NAMES}
    return {"name": "van sheet", "unit": "metre", "step": step, **sent, **more}


def as_rows(data: bytes) -> list[dict[str, str]]:
    lines = [line.split(",") for line in data.decode().splitlines()]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]


def test_a_typed_book_is_kept_as_a_file_and_reduced(yard: Yard, as_: Browser) -> None:
    known(yard)
    survey = yard.survey(DAY)
    rows = as_rows(book())
    rows.insert(3, {})  # a row left empty is no row
    answer = as_(yard.surveyor).post(reverse("fieldbook-entry", args=[survey.pk]), typed(rows))
    file = SurveyFile.objects.get(survey=survey)
    assert answer.status_code == 302, words(answer)
    assert answer.url == address(file)
    assert file.name == "van sheet.csv"
    assert file.purpose == "field-book"
    sent = received(yard, book(), DAY + dt.timedelta(days=-1)).reductions.get()
    closure = file.reductions.get().record["closure"]
    assert closure == sent.record["closure"], "typed or sent, the same book closes the same"


def test_all_problems_of_a_typed_book_stand_at_their_cells(yard: Yard, as_: Browser) -> None:
    known(yard)
    survey = yard.survey(DAY)
    rows = as_rows(book())
    rows[0]["circle"], rows[5]["slope_distance"], rows[5]["zenith"] = "400-91", "sixty", ""
    rows.insert(2, {})
    answer = as_(yard.surveyor).post(reverse("fieldbook-entry", args=[survey.pk]), typed(rows))
    assert answer.status_code == 422
    text = answer.content.decode()
    marked = set(re.findall(r'name="(r\d+-\w+)"[^>]*aria-invalid="true"', text))
    assert {"r0-circle", "r6-slope_distance"} <= marked, "the rows as typed, the empty one counted"
    assert "“sixty” is not a number" in words(answer)
    assert 'value="sixty"' in text, "what was typed is not lost"
    assert not SurveyFile.objects.filter(survey=survey).exists(), "nothing is kept of it"


def test_more_rows_and_rows_of_a_spreadsheet(yard: Yard, as_: Browser) -> None:
    survey = yard.survey(DAY)
    browser, where = as_(yard.surveyor), reverse("fieldbook-entry", args=[survey.pk])
    first = browser.get(where).content.decode()
    count = first.count('-setup"')
    more = browser.post(where, typed([{"setup": "1"}] + [{}] * (count - 1), "more")).content.decode()
    assert more.count('-setup"') > count
    assert 'name="r0-setup" value="1"' in more
    pasted = "to\tkind\tsetup\tat\nK4\tbacksight\t1\tK1\nK2\tsideways\t1\tK1\n"
    text = browser.post(where, typed([{}], "paste", pasted=pasted)).content.decode()
    assert 'name="r0-to" value="K4"' in text
    assert '<option value="sideways" selected>' in text, "what is no kind is shown, not dropped"
    empty = browser.post(where, typed([{}]))
    assert empty.status_code == 422
    assert "Nothing is typed yet" in words(empty)


def test_words_of_the_table_are_exact() -> None:
    assert fieldbook_rows.dms(360 - 1e-9) == "360°00′00.0″"
    assert fieldbook_rows.dms(-0.5, 0) == "−0°30′00″"
    assert fieldbook_rows.length(-1.2345, signed=True) == "−1.234"
    assert fieldbook_rows.millimetres(0.01, "foot") == "3.0\u00a0mm", "a hundredth of a foot is 3.048 mm"


def test_a_book_in_feet_is_checked_in_feet(yard: Yard, as_: Browser) -> None:
    """Control is kept in metres; beside a book in feet it reads feet, exactly 0.3048 m each."""
    yard.site.length_unit = "foot"
    yard.site.save()
    known(yard, {name: tuple(value * 0.3048 for value in place) for name, place in MARKS.items()})
    text = as_(yard.surveyor).get(address(received(yard, book(misread())))).content.decode()
    rows = {row[0]: row[1:] for row in table(text, "control-used")[1:]}
    for name, place in MARKS.items():
        # Kept to a tenth of a millimetre: a sixth of a thousandth of a foot either way.
        assert [amount(cell) for cell in rows[name][:3]] == pytest.approx(place, abs=0.0003)
    closure = {row[0]: row[1:] for row in table(text, "closure")[1:]}
    value, that_is = closure["Linear"][0], closure["Linear"][1]
    assert amount(that_is.split()[0]) == pytest.approx(304.8 * amount(value), abs=0.2)
    assert "Computed − known, ft" in words_of(text)


@pytest.mark.parametrize("role", ["auditor", "manager", "surveyor", "lead_surveyor"])
def test_every_member_reads_the_pages_and_they_need_no_inline_script(
    yard: Yard, as_: Browser, role: str
) -> None:
    known(yard)
    file = received(yard, book(misread()))
    browser = as_(yard.company.people[role])
    where = [file.survey_id, file.pk]
    pages = [address(file), reverse("closure-sheet", args=where), reverse("control", args=[yard.site.code])]
    if role in ("surveyor", "lead_surveyor"):
        pages += [reverse("fieldbook-entry", args=where[:1]), reverse("leaving", args=[yard.site.code])]
    for page in pages:
        answer = browser.get(page)
        assert answer.status_code == 200, page
        plain(answer.content.decode())
        levels = [int(level) for level in re.findall(r"<h([1-6])", answer.content.decode())]
        assert levels[0] == 1, page
        assert all(after <= before + 1 for before, after in itertools.pairwise(levels)), (page, levels)
