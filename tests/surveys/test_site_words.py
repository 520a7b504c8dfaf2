"""A yard that works in feet reads its findings in feet; records and programs keep metres."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from inventory import places
from surveys import review
from surveys.errors import FindingsOpen
from surveys.site_words import told_at
from tests.api.calling import signed_in
from tests.surveys.scene import heap

pytestmark = pytest.mark.django_db


@pytest.fixture
def in_feet(yard):
    """A heap with one shot twenty feet outside its toe, at a site of feet and cubic yards."""
    places.change_site(yard.site, by=yard.company.manager, length_unit="foot", volume_unit="cubic-yard")
    return yard.computed(heap(5.0) + b"90,20.000,60.000,101.000,SPT\n")


def gap_of(findings):
    return next(finding for finding in findings if finding["code"] == "outside-edge")


def test_pages_and_programs_read_a_finding_in_the_units_of_the_site(in_feet, yard):
    in_metres = gap_of(in_feet.record["findings"])["message"]
    assert "6.10 m" in in_metres
    told = gap_of(signed_in(yard.lead).ask(f"measurements/{in_feet.pk}/").json()["findings"])
    assert told["message"] == in_metres
    assert told["message_in_site_units"] == in_metres.replace("6.10 m", "20.00 ft")
    browser = Client()
    browser.force_login(yard.lead)
    for address in (
        reverse("measurement", args=[in_feet.pk]),
        reverse("survey", args=[in_feet.survey_id]),
    ):
        page = browser.get(address).content.decode()
        assert "20.00 ft" in page
        assert "6.10 m" not in page


def test_a_refusal_to_approve_names_findings_in_the_units_of_the_site(in_feet, yard):
    record = dict(in_feet.record)
    record["findings"] = [{**finding, "severity": "stop"} for finding in record["findings"]]
    in_feet.record = record
    with pytest.raises(FindingsOpen, match=r"20\.00 ft"):
        review.require_findings_settled(in_feet)


def test_a_finding_of_an_older_record_is_told_as_it_was_written(in_feet, yard):
    old = {"code": "toe-gap", "message": "The widest is 11.0 m."}
    assert told_at(yard.site, old) == "The widest is 11.0 m."
