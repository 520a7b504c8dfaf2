"""The pile page and what it works out on request: section, solid, change."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from inventory import places
from surveys import storage
from surveys.errors import EvidenceMissing
from tests.surveys.scene import CREST_M, DAY, SIDE_M, Yard, frustum_m3, heap

pytestmark = pytest.mark.django_db


def test_history_plan_section_and_records_stand_on_the_page(yard: Yard, as_: Callable[[Any], Client]) -> None:
    old = yard.approved(day=DAY - dt.timedelta(days=31))
    new = yard.approved(heap(6.0))
    body = as_(yard.surveyor).get(reverse("pile", args=[yard.site.code, yard.pile.code])).content.decode()
    chart = json.loads(
        re.search(r'id="history-data" type="application/json">(.*?)</script>', body, re.DOTALL)[1]
    )
    assert [point["on"] for point in chart["points"]] == [str(old.surveyed_on), str(new.surveyed_on)]
    assert chart["points"][1]["volume"] == pytest.approx(frustum_m3(6.0))
    assert chart["points"][1]["mass"] == pytest.approx(1.6 * frustum_m3(6.0))
    for drawn in ('class="drawing plan"', 'class="drawing section"', "section-before", "shot-toe"):
        assert drawn in body
    assert "Toe-derived base" in body
    assert "D-" in body


def test_the_site_reads_its_own_units(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.approved()
    units = {"length_unit": "foot", "volume_unit": "cubic-yard", "mass_unit": "short-ton"}
    places.change_site(yard.site, by=yard.company.manager, **units)
    body = as_(yard.surveyor).get(reverse("pile", args=[yard.site.code, yard.pile.code])).content.decode()
    chart = json.loads(
        re.search(r'id="history-data" type="application/json">(.*?)</script>', body, re.DOTALL)[1]
    )
    # 1 yd³ = 0.764554857984 m³ exactly (NIST Handbook 44, Appendix C).
    assert chart["points"][0]["volume"] == pytest.approx(float(measurement.net_m3) / 0.764554857984)
    assert chart["volume_unit"] == "yd³"
    assert "E ft" in body
    assert "short ton" in body


def test_a_section_across_the_flat_top(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    browser = as_(yard.surveyor)
    place = reverse("section", args=[measurement.pk])
    answer = browser.get(place, {"e1": -5, "n1": SIDE_M / 2, "e2": SIDE_M + 5, "n2": SIDE_M / 2})
    drawn = answer.content.decode()
    top = re.search(r'd="([^"]+)" class="section-top"', drawn)[1]
    points = [[float(v) for v in pair.split()] for pair in re.findall(r"-?[\d.]+ -?[\d.]+", top)]
    flat = [x for x, y in points if y < min(p[1] for p in points) + 0.5]
    per_m = (860.0 - 58 - 20) / (SIDE_M + 10)
    assert max(flat) - min(flat) == pytest.approx(CREST_M * per_m, abs=0.05)
    assert "50.00" in drawn


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "Give both ends"),
        ({"e1": "x", "n1": 1, "e2": 2, "n2": 3}, "Give both ends"),
        ({"e1": "nan", "n1": 1, "e2": 2, "n2": 3}, "Give both ends"),
        ({"e1": 1, "n1": 1, "e2": 1, "n2": 1}, "same place"),
        ({"e1": 900, "n1": 900, "e2": 950, "n2": 900}, "does not meet the pile"),
    ],
)
def test_a_section_that_cannot_be_cut_says_why(
    asked: dict[str, Any], said: str, yard: Yard, as_: Callable[[Any], Client]
) -> None:
    measurement = yard.computed()
    answer = as_(yard.surveyor).get(reverse("section", args=[measurement.pk]), asked)
    assert answer.status_code == 200
    assert said in answer.content.decode()


def test_the_solid_is_the_measured_surface(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    answer = as_(yard.surveyor).get(reverse("surfaces", args=[measurement.pk]))
    solid = answer.json()
    top = solid["top"]
    assert (min(top["x"]), max(top["x"]), max(top["z"])) == (0.0, SIDE_M, 105.0)
    assert len(top["i"]) == len(top["j"]) == len(top["k"]) > 0
    assert max(top["i"]) < len(top["x"])
    assert solid["unit"] == "m"
    assert "private" in answer.headers["Cache-Control"]


def test_change_tells_added_and_removed(yard: Yard, as_: Callable[[Any], Client]) -> None:
    yard.approved(heap(5.0), day=DAY - dt.timedelta(days=31))
    place = reverse("pile-change", args=[yard.site.code, yard.pile.code])
    browser = as_(yard.surveyor)
    assert "Two approved surveys are needed" in browser.get(place).content.decode()
    yard.approved(heap(6.0))
    body = browser.get(place).content.decode()
    grown = frustum_m3(6.0) - frustum_m3(5.0)
    shown = float(re.search(r"Net change</th><td class=\"n\">\+([\d,]+)", body)[1].replace(",", ""))
    assert shown == pytest.approx(grown, abs=20)
    assert "change-map" in body
    assert "no-change band" in body


def test_change_between_two_that_were_asked_for(yard: Yard, as_: Callable[[Any], Client]) -> None:
    days = [DAY - dt.timedelta(days=days) for days in (60, 30, 0)]
    first, _, last = (
        yard.approved(heap(height), day=day) for height, day in zip((6.0, 5.0, 5.5), days, strict=True)
    )
    place = reverse("pile-change", args=[yard.site.code, yard.pile.code])
    body = as_(yard.surveyor).get(place, {"first": last.pk, "second": first.pk}).content.decode()
    shown = re.search(r"Net change</th><td class=\"n\">−([\d,]+)", body)
    assert float(shown[1].replace(",", "")) == pytest.approx(frustum_m3(6.0) - frustum_m3(5.5), abs=20)


def test_a_lost_drawing_is_said_and_the_figures_stand(
    yard: Yard, as_: Callable[[Any], Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = yard.approved()

    def gone(path: str, sha256: str, name: str) -> bytes:
        raise EvidenceMissing(f"{name} is not in the store.")

    monkeypatch.setattr(storage, "read_checked", gone)
    browser = as_(yard.surveyor)
    for place in (
        reverse("pile", args=[yard.site.code, yard.pile.code]),
        reverse("measurement", args=[measurement.pk]),
    ):
        body = browser.get(place).content.decode()
        assert "is not in the store, or no longer has its hash" in body
    assert browser.get(reverse("surfaces", args=[measurement.pk])).status_code == 404
    assert "not in the store" in browser.get(reverse("section", args=[measurement.pk])).content.decode()


def test_a_pile_without_anything_says_what_comes_next(yard: Yard, as_: Callable[[Any], Client]) -> None:
    bare = yard.company.pile(
        yard.site, yard.company.material("M9", "Slag"), code="BARE", hazards="Feeder below"
    )
    body = as_(yard.surveyor).get(reverse("pile", args=[yard.site.code, bare.code])).content.decode()
    assert "It needs a base first" in body
    assert "No density for Slag" in body
    assert "Before anybody goes near" in body
    assert "Feeder below" in body
