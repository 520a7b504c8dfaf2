"""The same write sent again does nothing and is answered as before."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db.models import F

from inventory.models import DensityApproval, KeptAnswer, Material
from surveys.models import SurveyFile
from tests.api.calling import assert_problem, signed_in
from tests.surveys.scene import heap

pytestmark = pytest.mark.django_db

SAND = {"code": "M9", "name": "Washed sand"}


def test_the_same_write_again_gets_the_first_answer(company):
    manager = signed_in(company.manager)
    first, again = (manager.send("materials/", SAND, key="k-1") for _ in range(2))
    assert first.status_code == again.status_code == 201
    assert first.json() == again.json()
    assert again["Idempotency-Replayed"] == "true"
    assert Material.objects.count() == 1


def test_a_signature_is_given_once(company):
    record = company.proposed_density(company.material())
    lead = signed_in(company.lead_surveyor)
    answers = [lead.send(f"densities/{record.pk}/approve/", key="sign") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 200]
    assert DensityApproval.objects.count() == 1


def test_another_body_or_address_under_the_same_key_is_refused(company):
    manager = signed_in(company.manager)
    manager.send("materials/", SAND, key="k-1")
    other = manager.send("materials/", {**SAND, "name": "Sharp sand"}, key="k-1")
    assert_problem(other, 422, "idempotency-key-used")
    assert_problem(manager.send("sites/", SAND, key="k-1"), 422, "idempotency-key-used")


def test_a_refused_write_frees_its_key(company):
    manager = signed_in(company.manager)
    assert_problem(manager.send("materials/", {"code": "M9"}, key="k-1"), 422, "bad-entry")
    assert manager.send("materials/", SAND, key="k-1").status_code == 201


def test_keys_of_two_people_are_two(company):
    record = company.proposed_density(company.material())
    for user in (company.lead_surveyor, company.manager):
        assert signed_in(user).send(f"densities/{record.pk}/approve/", key="same").status_code == 200
    record.refresh_from_db()
    assert record.status == "approved"


def test_a_file_counts_by_its_bytes(yard):
    survey, crew = yard.survey(), signed_in(yard.surveyor)
    files = f"surveys/{survey.pk}/files/"
    first, again = (crew.upload(files, heap(), key="up", pile=yard.pile.pk) for _ in range(2))
    assert first.json() == again.json()
    assert_problem(crew.upload(files, heap(6.0), key="up", pile=yard.pile.pk), 422, "idempotency-key-used")
    assert SurveyFile.objects.count() == 1


def test_a_first_request_still_at_work_is_waited_for_but_not_for_ever(company):
    manager = signed_in(company.manager)
    manager.send("materials/", SAND, key="k-1")
    KeptAnswer.objects.update(status=None, body=None)
    assert_problem(manager.send("materials/", SAND, key="k-1"), 409, "key-at-work")
    KeptAnswer.objects.update(asked_at=F("asked_at") - dt.timedelta(minutes=6))
    assert_problem(manager.send("materials/", SAND, key="k-1"), 409, "name-taken")


def test_a_key_that_is_too_long_is_refused(company):
    assert_problem(signed_in(company.manager).send("materials/", SAND, key="k" * 201), 422, "bad-entry")


def test_keys_are_forgotten_after_a_week(company):
    manager = signed_in(company.manager)
    manager.send("materials/", SAND, key="old")
    KeptAnswer.objects.update(asked_at=F("asked_at") - dt.timedelta(days=8))
    manager.send("materials/", {**SAND, "code": "M10"}, key="new")
    assert [kept.key for kept in KeptAnswer.objects.all()] == ["new"]
