"""The control of a site: versions and standing of each mark, its checks over time, marks on the move."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from surveys import control
from surveys.drawings.checks import CheckDot, check_chart
from surveys.drawings.section import Ruler
from surveys.models import CheckMeasurement, ControlPoint
from tests.cast import Cast
from tests.pages.test_drawings import checked
from tests.surveys.book_scene import FROM, MARKS, book, known, received
from tests.surveys.scene import DAY, Yard

pytestmark = pytest.mark.django_db

Browser = Callable[[Any], Client]


def page(browser: Client, yard: Yard) -> str:
    answer = browser.get(reverse("control", args=[yard.site.code]))
    assert answer.status_code == 200
    return words(answer)


def words(answer: Any) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def posted(browser: Client, where: str, **given: str) -> str:
    return words(browser.post(where, given, follow=True))


def step(yard: Yard, point: ControlPoint, name: str) -> str:
    return reverse("control-step", args=[yard.site.code, point.pk, name])


def test_a_mark_is_proposed_with_its_source_and_approved_by_another(yard: Yard, as_: Browser) -> None:
    surveyor, lead = as_(yard.surveyor), as_(yard.lead)
    given = {
        "name": "T7", "northing": "100.5", "easting": "-20.25", "elevation": "99.125",
        "valid_from": "2025-05-01", "source": "resection from K1, K3, K4", "plan_u": "0.004", "height_u": "",
    }  # fmt: skip
    where = reverse("new-control-point", args=[yard.site.code])
    said = words(surveyor.post(where, given, follow=True))
    point = ControlPoint.objects.get(name="T7")
    assert "T7" in said
    assert "not in force yet" in said
    assert "resection from K1, K3, K4" in said
    assert "another person approves" in said
    assert (float(point.plan_u_m), float(point.height_u_m)) == (0.004, 0.005)
    assert surveyor.post(step(yard, point, "approve")).status_code == 403
    said = words(lead.post(step(yard, point, "approve"), follow=True))
    assert "T7 is in force from 2025-05-01 on" in said
    assert "approved by lead-surveyor" in said


def test_uncertainties_are_given_in_the_units_of_the_site(yard: Yard, as_: Browser) -> None:
    yard.site.length_unit = "foot"
    yard.site.save()
    given = {"name": "T8", "northing": "100", "easting": "0", "elevation": "0", "valid_from": "2025-05-01"}
    more = {"source": "", "plan_u": "0.02", "height_u": "0.01"}
    as_(yard.surveyor).post(reverse("new-control-point", args=[yard.site.code]), given | more)
    point = ControlPoint.objects.get(name="T8")
    # 0.02 ft × 0.3048 = 6.096 mm and 0.01 ft = 3.048 mm, kept to a tenth of a millimetre.
    assert (float(point.northing_m), float(point.plan_u_m), float(point.height_u_m)) == (30.48, 0.0061, 0.003)


def test_a_mark_is_doubted_with_a_reason_and_taken_back(yard: Yard, as_: Browser) -> None:
    point = known(yard)[0]
    browser = as_(yard.surveyor)
    assert "a reason is needed" in posted(browser, step(yard, point, "suspect"), on="2025-06-01")
    given = {"on": "2025-06-01", "reason": "kerb hit by a loader"}
    said = words(browser.post(step(yard, point, "suspect"), given, follow=True))
    assert "Suspect" in said
    assert "since 1 Jun 2025" in said
    assert "kerb hit by a loader" in said
    said = posted(browser, step(yard, point, "restore"), on="2025-06-20", reason="levelled")
    assert "back in force from 2025-06-20" in said
    said = posted(browser, step(yard, point, "destroyed"), on="2025-07-20", reason="dug out")
    assert "Destroyed" in said
    point.refresh_from_db()
    assert (point.standing, point.valid_to) == ("destroyed", dt.date(2025, 7, 20))
    assert browser.post(step(yard, point, "burn")).status_code == 404


def test_a_proposal_is_withdrawn_with_a_reason(yard: Yard, as_: Browser) -> None:
    place = {f"{axis}_m": Decimal(1) for axis in ("northing", "easting", "elevation")}
    point = control.propose_control_point(yard.site, "T9", valid_from=FROM, by=yard.surveyor, **place)
    browser = as_(yard.surveyor)
    browser.post(step(yard, point, "withdraw"), {"reason": ""})
    point.refresh_from_db()
    assert point.approval == "proposed"
    assert "typed twice" in posted(browser, step(yard, point, "withdraw"), reason="typed twice")


def test_checks_of_surveys_are_shown_with_their_doubt(yard: Yard, as_: Browser) -> None:
    """A pole written 0.2 m short makes the mark it stood on seem 200 mm high, and no other."""
    known(yard)

    def change(row: dict[str, Any]) -> None:
        if row["setup"] == "2" and row["kind"] == "check":
            row["ht"] -= 0.2

    file = received(yard, book(change))
    answer = as_(yard.surveyor).get(reverse("control", args=[yard.site.code]))
    text = answer.content.decode()
    link = reverse("fieldbook", args=[file.survey_id, file.pk])
    assert text.count(f'href="{link}"') == CheckMeasurement.objects.count()
    tables = dict(zip(MARKS, re.findall(r"The checks as a table.*?</table>", text, re.S), strict=True))
    heights = {
        name: [float(c.replace("\u2212", "-")) for c in re.findall(r'<td class="n">([^<]+)</td>' * 3, part)
               for c in [c[2]] if c != "–"]
        for name, part in tables.items()
    }  # fmt: skip
    assert max(heights["K1"]) == pytest.approx(200.0, abs=0.3)
    for name in ("K2", "K3", "K4"):
        assert max(map(abs, heights[name])) < 1.0
    for svg in re.findall(r"<svg[^>]*check-chart.*?</svg>", text, re.S):
        checked(svg)


def test_a_mark_on_the_move_is_told_on_top(yard: Yard, as_: Browser) -> None:
    """A mark that sank 40 mm before the seventh of twelve books: each later one sees it."""
    known(yard)
    for month in range(12):
        true = dict(MARKS)
        if month >= 6:
            north, east, up = MARKS["K2"]
            true["K2"] = (north, east, up - 0.04)
        received(yard, book(true=true), DAY - dt.timedelta(days=14 * (11 - month)), f"book{month}.csv")
    said = page(as_(yard.surveyor), yard)
    assert "K2 is on the move" in said
    assert re.search(r"K2 moves: (3[5-9]|4[0-5]) mm down", said), said[:900]
    assert "K3 is on the move" not in said


def test_a_chart_is_to_scale() -> None:
    """Heights of dots over their strip's zero are to each other as the offsets are, times as days are."""
    days = [dt.date(2025, 1, 1), dt.date(2025, 1, 11), dt.date(2025, 1, 31)]
    dots = [CheckDot(day, off, 0.002) for day, off in zip(days, (0.004, -0.008, 0.0), strict=True)]
    drawn = check_chart([("height", dots)], ruler=Ruler(0.001, "mm"), name="checks")
    checked(drawn)
    places = [(float(x), float(y)) for x, y in re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', drawn)]
    zero = places[2][1]
    assert (places[1][1] - zero) / (places[0][1] - zero) == pytest.approx(-2.0, rel=1e-2)
    assert (places[1][0] - places[0][0]) / (places[2][0] - places[0][0]) == pytest.approx(1 / 3, rel=1e-2)
    bars = re.findall(r'd="M[\d.]+ ([\d.]+)V([\d.]+)" class="check-bar"', drawn)
    reach = float(bars[0][1]) - float(bars[0][0])
    assert reach / abs(places[0][1] - zero) == pytest.approx(2 * 0.002 / 0.004, rel=2e-2)


def test_roles_and_others(yard: Yard, as_: Browser, cast: Cast) -> None:
    point = known(yard)[0]
    manager, other = as_(yard.company.manager), as_(cast.b.lead_surveyor)
    said = page(manager, yard)
    assert "Propose a mark" not in said
    assert "Say that it is suspect" not in said
    answer = manager.post(step(yard, point, "suspect"), {"reason": "x"})
    assert answer.status_code == 403
    assert "urveyor" in words(answer)
    assert other.get(reverse("control", args=[yard.site.code])).status_code == 404
    for name in ("approve", "suspect", "destroyed", "restore", "withdraw"):
        assert other.post(step(yard, point, name), {"reason": "x"}).status_code == 404


def test_queries_do_not_grow_with_marks_and_books(
    yard: Yard, as_: Browser, django_assert_max_num_queries: Any
) -> None:
    browser, where = as_(yard.lead), reverse("control", args=[yard.site.code])
    known(yard)
    received(yard, book())
    with django_assert_max_num_queries(60) as few:
        browser.get(where)
    for days in (30, 60, 90):
        received(yard, book(), DAY - dt.timedelta(days=days), f"book{days}.csv")
    with django_assert_max_num_queries(len(few)):
        browser.get(where)
