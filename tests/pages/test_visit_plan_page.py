"""The plan of the next visit: never fewer than three stations, in the site's own units, hazards first."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html import unescape
from typing import Any

import numpy as np
import pytest
import shapely
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from compute.visit_plan import LONGEST_M, MARGIN_M
from inventory import piles as piles_of_book
from surveys import visit_planning
from surveys.models import Measurement
from surveys.visit_planning import Wanted, planned_visit
from tests.cast import Cast
from tests.pages.test_drawings import checked
from tests.surveys.scene import Yard, heap, point_file

pytestmark = pytest.mark.django_db

Browser = Callable[[Any], Client]


def dome() -> bytes:
    """A paraboloid 6 m high on a round foot of 20 m, shot every 4 m."""
    round_foot = np.linspace(0.0, math.tau, 40, endpoint=False)
    shots = [(20 + 20 * math.cos(a), 20 + 20 * math.sin(a), 100.0, "TOE") for a in round_foot]
    for x in range(2, 40, 4):
        for y in range(2, 40, 4):
            away = math.hypot(x - 20, y - 20)
            if away < 18:
                shots.append((x, y, 106.0 - 6.0 * (away / 20.0) ** 2, "SPT"))
    return point_file([f"{i},{y:.3f},{x:.3f},{z:.3f},{code}" for i, (x, y, z, code) in enumerate(shots, 1)])


@pytest.fixture(autouse=True)
def nothing_kept() -> None:
    cache.clear()


def at(yard: Yard, fragment: bool = False, **asked: str) -> str:
    where = reverse("visit-plan" if fragment else "visit", args=[yard.site.code, yard.pile.code])
    return where + ("?" + "&".join(f"{key}={value}" for key, value in asked.items()) if asked else "")


def words(answer: Any) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def stations(answer: Any) -> np.ndarray:
    """(K, 3) northing, easting, ground of the table."""
    rows = re.findall(
        r'<th scope="row">P\d+</th>' + 3 * r'<td class="n">([^<]+)</td>', answer.content.decode()
    )
    return np.array([[float(c.replace("\u2212", "-").replace(",", "")) for c in row] for row in rows])


def test_stations_stand_where_the_shape_says(yard: Yard, as_: Browser) -> None:
    """A square frustum shows one station two faces at most, so three see all four; each stands off the toe
    and off the neighbour, and in sight."""
    yard.approved()
    answer = as_(yard.surveyor).get(at(yard, fragment=True))
    found = stations(answer)
    assert len(found) >= 3
    toe, neighbour = shapely.box(0, 0, 40, 40), shapely.box(55, -5, 105, 45)
    for north, east, ground in found:
        place = shapely.Point(east, north)
        assert toe.distance(place) >= MARGIN_M - 0.1
        assert neighbour.distance(place) >= MARGIN_M - 0.1
        assert place.distance(shapely.Point(20, 20)) <= LONGEST_M
        assert ground == pytest.approx(100.0, abs=0.05), "the pad of the frustum is level"
    # Each face is seen from a station on its outer side.
    for outside in (lambda n, e: e < 0, lambda n, e: e > 40, lambda n, e: n < 0, lambda n, e: n > 40):
        assert any(outside(north, east) for north, east, _ in found)
    assert "Every part of the pile is seen" in words(answer)
    svg = re.search(r"<svg.*?</svg>", answer.content.decode(), re.S)
    assert svg is not None
    checked(svg[0])


def test_the_page_waits_for_nothing_and_the_plan_is_worked_out_once(
    yard: Yard, as_: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard.approved()
    browser, asked = as_(yard.surveyor), []
    worked_out = visit_planning._worked_out

    def counted(measurement: Measurement, wanted: Wanted) -> Any:
        asked.append(wanted)
        return worked_out(measurement, wanted)

    monkeypatch.setattr(visit_planning, "_worked_out", counted)
    page = browser.get(at(yard))
    assert not asked, "the page itself works nothing out"
    assert "hx-get" in page.content.decode()
    browser.get(at(yard, fragment=True))
    assert "Where to stand" in words(browser.get(at(yard)))
    browser.get(at(yard, fragment=True))
    assert len(asked) == 1
    browser.get(at(yard, wanted="20", now="1"))
    assert len(asked) == 2, "another question is another plan"
    yard.correction(yard.pile.measurements.get(), heap(6.0))
    newer = yard.pile.measurements.latest("pk")
    planned_visit(newer, asked[0])
    assert len(asked) == 3, "another surface is another plan"


def test_spacing_follows_the_square_law(yard: Yard) -> None:
    """What chords lose goes with the square of the spacing: a quarter of it allows half the spacing. On a
    paraboloid, whose curvature is even."""
    measurement = yard.approved(dome())
    terms = measurement.record["uncertainty"]["terms"]
    rest = math.sqrt(math.fsum(u * u for name, u in terms.items() if name != "spacing"))
    wanted = 2.0 * math.hypot(rest, terms["spacing"] / 4.0)
    shots = planned_visit(measurement, Wanted(None, wanted)).shots
    assert shots.spacing_m == pytest.approx(shots.spacing_now_m / 2.0, rel=1e-6)
    assert shots.reached_expanded_m3 == pytest.approx(wanted, rel=1e-6)
    assert shots.limited_by is None


def test_what_is_out_of_reach_is_said(yard: Yard, as_: Browser) -> None:
    yard.approved()
    said = words(as_(yard.surveyor).get(at(yard, fragment=True, wanted="0.01")))
    assert "More shots do not reach it" in said


def test_a_site_in_feet_reads_feet(yard: Yard, as_: Browser) -> None:
    yard.approved()
    metric = stations(as_(yard.surveyor).get(at(yard, fragment=True)))
    yard.site.length_unit = "foot"
    yard.site.save()
    feet = stations(as_(yard.surveyor).get(at(yard, fragment=True)))
    assert feet * 0.3048 == pytest.approx(metric, abs=0.07)
    higher = words(as_(yard.surveyor).get(at(yard, fragment=True, permitted="40")))
    assert "Where to stand" in higher


def test_hazards_come_before_the_plan(yard: Yard, as_: Browser) -> None:
    yard.approved()
    browser = as_(yard.surveyor)
    assert "That does not say that there is none" in words(browser.get(at(yard)))
    piles_of_book.record_hazards(yard.pile, "Draw point on the east side.", by=yard.company.manager)
    said = words(browser.get(at(yard, now="1")))
    assert said.index("Draw point on the east side") < said.index("Where to stand")
    assert "competent person" in said
    assert "does not judge whether ground is safe" in said


def test_a_pile_without_a_surface_and_questions_without_sense(yard: Yard, as_: Browser) -> None:
    browser = as_(yard.surveyor)
    assert "no approved surface yet" in words(browser.get(at(yard)))
    assert browser.get(at(yard, fragment=True)).status_code == 404
    yard.approved()
    assert browser.get(at(yard, wanted="-3")).status_code == 422
    assert browser.get(at(yard, permitted="high")).status_code == 422
    assert browser.get(at(yard, fragment=True, wanted="x")).status_code == 404


def test_others_find_nothing(yard: Yard, as_: Browser, cast: Cast) -> None:
    yard.approved()
    assert as_(cast.b.surveyor).get(at(yard)).status_code == 404
    assert as_(cast.b.surveyor).get(at(yard, fragment=True)).status_code == 404
