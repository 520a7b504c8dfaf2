"""Walls, neighbours, the bare pad and the time line on a pile's page."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory import basing, piles, yards
from inventory.models import BaseVersion, PartitionLine, Wall
from surveys import pad_monitoring
from tests.surveys.pad_scene import AUGUST, JULY, JUNE, changed, floor, month, put_on_pad
from tests.surveys.scene import DAY, Yard
from tests.surveys.yards_scene import NEXT_YEAR, rows_of_yards, side_by_side

pytestmark = pytest.mark.django_db
As = Callable[[Any], Client]


def page(browser: Client, yard: Yard, name: str = "pile") -> str:
    return browser.get(reverse(name, args=[yard.site.code, yard.pile.code])).content.decode()


def test_a_merge_and_another_base_are_marked_on_the_time_line(yard: Yard, as_: As) -> None:
    yard.approved()
    base = yard.company.proposed_base(yard.pile, valid_from=JULY, reason="pad regraded")
    basing.approve_base(base, yard.lead)
    merged = piles.merge_piles(
        [yard.pile, yard.neighbour], code="QRY-09", name="One heap", on=AUGUST, by=yard.company.manager,
        reason="the gap was filled",
    )  # fmt: skip
    body = page(as_(yard.surveyor), yard)
    chart = json.loads(re.search(r'id="history-data" type="application/json">(.*?)</script>', body, re.S)[1])
    assert [event["on"] for event in chart["events"]] == [
        "2025-01-01", "2025-01-01", str(JULY), str(AUGUST), str(AUGUST),
    ]  # fmt: skip
    assert [event["letter"] for event in chart["events"]] == list("ABCDE")
    told = re.sub(r"<[^>]+>", " ", body)
    assert "pad regraded" in told
    assert "Merged into  QRY-09" in told
    other = as_(yard.surveyor).get(reverse("pile", args=[yard.site.code, merged.code])).content.decode()
    assert re.search(r"Merged from <a href=[^>]+>QRY-01</a>", other)


def test_a_wall_is_proposed_and_approved_by_another(yard: Yard, as_: As) -> None:
    form = {
        "code": "W1", "foot": "0, 0, 100\n40, 0, 100", "height": "3.2", "lean_deg": "5", "repose_deg": "",
        "valid_from": str(DAY), "reason": "block wall",
    }  # fmt: skip
    address = reverse("propose-wall", args=[yard.site.code, yard.pile.code])
    assert as_(yard.company.accountant).post(address, form).status_code == 403
    assert as_(yard.surveyor).post(address, {**form, "foot": "0, 0\n40, 0"}).status_code == 422
    assert as_(yard.surveyor).post(address, form).status_code == 302
    wall = Wall.objects.get()
    assert wall.foot == [[0.0, 0.0, 100.0], [40.0, 0.0, 100.0]]
    assert (str(wall.height_m), str(wall.lean_deg), wall.repose_deg) == ("3.200", "5.00", None)
    own = as_(yard.surveyor)
    assert "another person approves" in page(own, yard)
    as_(yard.lead).post(reverse("wall-step", args=[wall.pk, "approve"]))
    assert yards.walls_on(yard.pile, DAY) == [wall]
    assert "Wall W1" in page(own, yard)


def test_a_line_is_proposed_from_either_side(yard: Yard, as_: As) -> None:
    form = {
        "other": yard.neighbour.pk, "line": "50 -30\n50 80", "side": "right", "repose_deg": "35",
        "valid_from": str(DAY), "reason": "agreed",
    }  # fmt: skip
    address = reverse("propose-line", args=[yard.site.code, yard.pile.code])
    assert as_(yard.surveyor).post(address, form).status_code == 302
    line = PartitionLine.objects.get()
    assert (line.left, line.right) == (yard.neighbour, yard.pile)
    as_(yard.lead).post(reverse("line-step", args=[line.pk, "withdraw"]), {"reason": "wrong side"})
    assert yards.partition_on(yard.pile, DAY) is None
    assert PartitionLine.objects.get().status == "withdrawn"


def test_the_bare_pad_says_what_is_missing(yard: Yard, as_: As) -> None:
    yard.approved()
    assert "No shot of the bare pad" in page(as_(yard.surveyor), yard, "pile-pad")


def test_the_changed_region_is_shown_and_proposed(yard: Yard, as_: As) -> None:
    put_on_pad(yard)
    found = changed(yard)
    body = page(as_(yard.surveyor), yard, "pile-pad")
    assert 'class="drawing pad-map"' in body
    assert "pad-region" in body
    assert "Region 1" in body
    proposal = pad_monitoring.proposal_of(found, found.regions[0])
    form = {"sha256": proposal.sha256, "valid_from": str(JULY), "reason": "regraded"}
    address = reverse("propose-region-base", args=[yard.site.code, yard.pile.code])
    assert as_(yard.company.accountant).post(address, form).status_code == 403
    as_(yard.surveyor).post(address, {**form, "valid_from": "soon"})
    assert not BaseVersion.objects.filter(status="proposed").exists()
    as_(yard.surveyor).post(address, form)
    assert BaseVersion.objects.get(status="proposed").evidence_sha256 == proposal.sha256


def test_the_pad_asks_the_database_as_often_for_two_months_as_for_one(yard: Yard, as_: As) -> None:
    put_on_pad(yard)
    browser = as_(yard.surveyor)
    counts = []
    for day in (JUNE, JULY):
        month(yard, day, floor(45, 60, 0.0))
        with CaptureQueriesContext(connection) as seen:
            page(browser, yard, "pile-pad")
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_a_survey_tells_piles_on_the_same_ground(yard: Yard, as_: As) -> None:
    first, _ = side_by_side(yard, 35.0)
    body = as_(yard.surveyor).get(reverse("survey-overlaps", args=[first.survey_id])).content.decode()
    assert "QRY-01 and QRY-02 stand on the same ground" in body
    assert re.search(r"200\D", re.sub(r"<[^>]+>", "", body))


def test_proposals_of_the_next_year_change_nothing_today(yard: Yard) -> None:
    rows_of_yards(yard.company, yard.pile)
    assert yards.walls_on(yard.pile, NEXT_YEAR) == []
    assert yards.partition_on(yard.pile, NEXT_YEAR) is None
