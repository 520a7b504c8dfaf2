"""Who is refused, in which words, and that each refusal leaves things as they were."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.cache import cache
from django.utils import timezone
from knox.models import AuthToken

from inventory.models import Membership, Site
from surveys.models import SurveyFile
from tests.api.calling import Caller, assert_problem, signed_in, with_token
from tests.cast import PASSWORD
from tests.surveys.scene import heap

pytestmark = pytest.mark.django_db


def test_nobody_is_told_to_sign_in(yard):
    for address in ("sites/", "stock/", f"piles/{yard.pile.pk}/", "exports/stock.csv"):
        refused = Caller().ask(address)
        assert_problem(refused, 401, "not-authenticated")
        assert refused["WWW-Authenticate"] == "Bearer"


def test_a_wrong_password_gives_no_token_and_tries_are_counted(company):
    cache.clear()
    caller = Caller()
    given = {"name": "surveyor", "password": "not-" + PASSWORD}
    for _ in range(10):
        assert_problem(caller.send("tokens/", given), 401, "authentication-failed")
    slowed = caller.send("tokens/", {"name": "surveyor", "password": PASSWORD})
    assert_problem(slowed, 429, "throttled")
    assert int(slowed["Retry-After"]) > 0
    assert not AuthToken.objects.exists()
    cache.clear()


def test_a_token_is_kept_as_a_hash_listed_and_revoked(company):
    caller = with_token("surveyor")
    secret = caller._credentials["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    (kept,) = AuthToken.objects.all()
    assert secret not in (kept.digest, kept.token_key)
    (shown,) = caller.ask("tokens/").json()["results"]
    assert "token" not in shown
    assert signed_in(company.manager).delete(f"/api/v1/tokens/{shown['key']}/").status_code == 404
    assert caller.delete(f"/api/v1/tokens/{shown['key']}/").status_code == 204
    assert_problem(caller.ask("sites/"), 401, "authentication-failed")


def test_a_token_ends(company):
    caller = with_token("surveyor")
    AuthToken.objects.update(expiry=timezone.now() - dt.timedelta(seconds=1))
    assert_problem(caller.ask("sites/"), 401, "authentication-failed")


def test_a_session_writes_only_with_its_form_token(company):
    browser = Caller(enforce_csrf_checks=True)
    assert browser.login(username="manager", password=PASSWORD)
    assert browser.ask("sites/").status_code == 200
    assert_problem(browser.send("sites/", {"code": "A", "name": "A"}), 403, "permission-denied")
    assert not Site.objects.exists()


def test_rights_are_the_books(yard):
    accountant = signed_in(yard.company.accountant)
    given = {"site": yard.site.pk, "surveyed_on": "2025-06-30"}
    refused = assert_problem(accountant.send("surveys/", given), 403, "not-allowed")
    assert "surveyor" in refused["remedy"]
    administrator = signed_in(yard.company.administrator)
    assert_problem(administrator.ask("exports/stock.csv"), 403, "not-allowed")


def test_the_preparer_does_not_approve(yard):
    measurement = yard.computed()
    Membership.objects.create(
        user=yard.surveyor, organization=yard.company.organization, role="lead_surveyor"
    )
    own = signed_in(yard.surveyor)
    address = f"measurements/{measurement.pk}/"
    assert own.send(f"{address}submit/").status_code == 200
    assert_problem(own.send(f"{address}review/"), 403, "same-person")
    assert signed_in(yard.lead).send(f"{address}review/").status_code == 200
    assert_problem(own.send(f"{address}approve/"), 403, "same-person")


def test_all_that_is_wrong_with_an_entry_is_said_at_once(yard):
    given = {"material": 999_999, "t_per_m3": "heavy", "grade": "Z", "valid_from": "30.6.2025"}
    body = assert_problem(signed_in(yard.surveyor).send("densities/", given), 422, "bad-entry")
    fields = {each["field"] for each in body["problems"]}
    assert fields == {"material", "t_per_m3", "grade", "valid_from", "method", "reason"}


@pytest.mark.parametrize(
    ("method", "address", "status", "code"),
    [
        ("get", "sites/999999/", 404, "not-found"),
        ("get", "measurements/999999/", 404, "not-found"),
        ("delete", "sites/", 405, "method-not-allowed"),
        ("get", "stock/?by=colour", 422, "bad-entry"),
        ("get", "exports/stock.csv?by=colour", 422, "bad-option"),
        ("get", "exports/stock.pdf", 404, "not-found"),
        ("get", "sites/?cursor=nonsense", 404, "not-found"),
        ("get", "piles/?site=abc", 422, "bad-entry"),
    ],
)
def test_what_is_not_there_or_makes_no_sense(company, method, address, status, code):
    answer = getattr(signed_in(company.lead_surveyor), method)(f"/api/v1/{address}")
    assert_problem(answer, status, code)


def test_a_body_that_is_no_json(company):
    answer = signed_in(company.manager).post("/api/v1/sites/", "{", content_type="application/json")
    assert_problem(answer, 400, "parse-error")


def test_a_file_beyond_the_limit(yard, settings):
    settings.UPLOAD_LIMIT_BYTES = 100
    survey = yard.survey()
    answer = signed_in(yard.surveyor).upload(f"surveys/{survey.pk}/files/", heap(), pile=yard.pile.pk)
    assert_problem(answer, 413, "file-too-large")
    assert not SurveyFile.objects.exists()


def test_a_surface_that_is_not_there_yet(yard):
    measurement = yard.asked()
    answer = signed_in(yard.lead).ask(f"measurements/{measurement.pk}/export/surface.ply")
    assert_problem(answer, 404, "evidence-missing")


def test_exports_come_whatever_is_accepted(yard):
    caller = signed_in(yard.lead)
    answer = caller.get("/api/v1/exports/stock.csv", HTTP_ACCEPT="text/csv")
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert caller.ask("exports/stock.xlsx").content.startswith(b"PK")
