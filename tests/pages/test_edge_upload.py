"""A drawn outer edge comes in on the page of the survey and limits the volume of its pile."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from surveys import measuring
from surveys.models import Survey, SurveyFile
from tests.surveys.scene import Yard, heap, work

pytestmark = pytest.mark.django_db

INSIDE = [[5, 5], [35, 5], [35, 35], [5, 35], [5, 5]]


def sent(browser: Client, survey: Survey, data: Any, pile: Any) -> str:
    given = {"unit": "metre", "pile": "" if pile is None else pile.pk, "purpose": "edge"}
    given["files"] = [SimpleUploadedFile("edge.geojson", json.dumps(data).encode())]
    return browser.post(reverse("add-files", args=[survey.pk]), given, follow=True).content.decode()


def test_a_drawn_edge_limits_the_volume(yard: Yard, as_: Callable[[Any], Client]) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    page = sent(as_(yard.surveyor), survey, {"type": "Polygon", "coordinates": [INSIDE]}, yard.pile)
    assert "edge.geojson: 4\u00a0corners read." in page
    assert f"outer edge of {yard.pile.code}" in page
    measured = work(measuring.request_measurement(survey, yard.pile, yard.surveyor))
    assert measured.record["edge"]["kind"] == "drawn"
    assert measured.record["edge"]["area_m2"] == pytest.approx(900.0)


def test_an_edge_belongs_to_one_pile(yard: Yard, as_: Callable[[Any], Client]) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    page = sent(as_(yard.surveyor), survey, {"type": "Polygon", "coordinates": [INSIDE]}, None)
    assert "A drawn edge belongs to one pile" in page
    assert survey.files.count() == 1


def test_a_bad_edge_is_kept_and_says_why(yard: Yard, as_: Callable[[Any], Client]) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    crossing = [[5, 5], [35, 35], [35, 5], [5, 35], [5, 5]]
    page = sent(as_(yard.surveyor), survey, {"type": "Polygon", "coordinates": [crossing]}, yard.pile)
    assert survey.files.get(purpose="edge").state == SurveyFile.State.REFUSED
    assert "edge.geojson was refused" in page
    assert "that does not cross itself" in page
    assert "Read it another way" not in page


def test_points_stay_points_without_a_word_about_it(yard: Yard, as_: Callable[[Any], Client]) -> None:
    survey = yard.survey()
    given = {"unit": "metre", "pile": yard.pile.pk, "files": [SimpleUploadedFile("shots.csv", heap())]}
    as_(yard.surveyor).post(reverse("add-files", args=[survey.pk]), given)
    assert survey.files.get().purpose == "measure"
