"""The OpenAPI document against the running server: what each GET route answers is what it says."""

from __future__ import annotations

import datetime as dt
import re
import warnings
from typing import Any

import pytest
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from jsonschema import Draft202012Validator, FormatChecker
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from compute.traverse.corrections import SetupCorrection as Correction
from inventory.models import Membership
from surveys import fieldbooks, intake
from tests.api.calling import signed_in, with_token
from tests.api.urltable import PARAMETER, routes
from tests.inventory.money_scene import rows_of_money
from tests.inventory.month_scene import rows_of_months
from tests.inventory.yardbook import rows_of_movements
from tests.surveys.book_scene import book as field_book
from tests.surveys.book_scene import known
from tests.surveys.outlook_scene import rows_of_outlook
from tests.surveys.scene import Yard, heap

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    GENERATOR_STATS.reset()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return made


def test_it_is_valid_and_made_without_a_warning(document):
    validate_schema(document)
    assert not GENERATOR_STATS._warn_cache
    assert not GENERATOR_STATS._error_cache


def test_it_names_every_route_of_the_api(document):
    written = {re.sub(r"\{\w+\}", "{}", path) for path in document["paths"]}
    table = {"/" + PARAMETER.sub("{}", route.template) for route in routes() if "api/v1/" in route.template}
    assert table - {"/api/v1/schema/"} == written


def test_every_post_knows_the_idempotency_key(document):
    for path, operations in document["paths"].items():
        if "post" in operations and not path.endswith("/tokens/"):
            names = {each["name"] for each in operations["post"].get("parameters", [])}
            assert "Idempotency-Key" in names, path


def strict(schema: Any) -> Any:
    """The same document, in which an object has no member but those it names."""
    if isinstance(schema, list):
        return [strict(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    closed = {name: strict(each) for name, each in schema.items()}
    if closed.get("type") == "object" and "properties" in closed:
        closed.setdefault("additionalProperties", False)
    return closed


def validator(document: dict[str, Any], pointer: tuple[str, ...]) -> Draft202012Validator:
    closed = strict(document)
    registry = Registry().with_resource("urn:document", Resource(closed, DRAFT202012))
    escaped = "/".join(step.replace("~", "~0").replace("/", "~1") for step in pointer)
    return Draft202012Validator(
        {"$ref": f"urn:document#/{escaped}"}, registry=registry, format_checker=FormatChecker()
    )


def filled(yard: Yard) -> dict[str, list[Any]]:
    """A row behind each parameter, and rows in every list."""
    approved = yard.approved()
    yard.correction(approved, heap(6.0))
    survey = approved.survey
    marks = known(yard)
    book = intake.receive_file(survey, "book.csv", field_book(), yard.surveyor)
    pole = Correction("2", "target_height", 1.9, "read again")
    fieldbooks.correct_setups(book, yard.surveyor, [pole], "pole of set-up 2")
    yard.site.alerts.create(
        kind="survey-due",
        message="due",
        owner_role="surveyor",
        due_on="2025-07-31",
        raised_at="2025-07-24T00:00:00Z",
    )
    return {
        "site_id": [yard.site.pk],
        "material_id": [yard.pile.material_id],
        "density_id": list(yard.pile.material.densities.values_list("pk", flat=True)),
        "pile_id": [yard.pile.pk],
        "base_id": list(yard.pile.bases.values_list("pk", flat=True)),
        "survey_id": [survey.pk],
        "file_id": [book.pk],
        "measurement_id": list(yard.pile.measurements.values_list("pk", flat=True)),
        "part": ["surface.ply", "vertices.csv", "contours.geojson"],
        "form": ["csv", "xlsx"],
        "token_key": ["unknown"],
        "person_id": [yard.surveyor.pk],
        "control_id": [point.pk for point in marks],
        "reduction_id": list(book.reductions.values_list("pk", flat=True)),
        **rows_of_outlook(yard.company, yard.pile),
        **rows_of_movements(yard.company, yard.pile),
        **rows_of_money(yard.company, yard.pile, survey.surveyed_on),
        **rows_of_months(yard.company, yard.pile, survey.surveyed_on),
    }


def test_every_get_route_answers_as_written(document, yard):
    values = filled(yard)
    # One person who may see all that is there: the money, and a year's evidence too.
    for role, ends_on in (("accountant", None), ("auditor", dt.date(2999, 1, 1))):
        Membership.objects.create(
            user=yard.lead, organization=yard.company.organization, role=role, ends_on=ends_on
        )
    caller = with_token("lead-surveyor")
    asked = 0
    for route in routes():
        path = "/" + PARAMETER.sub(r"{\1}", route.template)
        operation = document["paths"].get(path, {}).get("get")
        if operation is None:
            continue
        for address in route.addresses(values):
            answer = caller.get(address)
            assert answer.status_code == 200, (address, answer.content[:300])
            media_type = answer["Content-Type"].split(";")[0]
            content = operation["responses"]["200"]["content"]
            assert media_type in content, address
            asked += 1
            if media_type == "application/json":
                pointer = ("paths", path, "get", "responses", "200", "content", media_type, "schema")
                body = answer.json()
                validator(document, pointer).validate(body)
                assert body.get("results", True), f"{address} shows nothing to hold against the document"
    assert asked > 25


@pytest.mark.parametrize("by", ["pile", "material", "site", "site-material"])
def test_the_roll_up_is_as_written_however_it_is_grouped(document, yard, by):
    yard.approved()
    pointer = ("paths", "/api/v1/stock/", "get", "responses", "200", "content", "application/json", "schema")
    body = signed_in(yard.lead).ask("stock/", by=by).json()
    validator(document, pointer).validate(body)
    assert body["rows"]


def test_problems_are_as_written(document, company):
    problem = validator(document, ("components", "schemas", "Problem"))
    caller = signed_in(company.manager)
    answers = [caller.ask("sites/9999/"), caller.send("sites/"), caller.send("materials/", {"code": 1})]
    answers.append(signed_in(company.accountant).send("materials/", {"code": "a", "name": "b"}))
    for answer in answers:
        assert answer.status_code >= 400
        problem.validate(answer.json())


def test_a_planted_difference_is_found(document, yard):
    pointer = ("paths", "/api/v1/sites/", "get", "responses", "200", "content", "application/json", "schema")
    body = signed_in(yard.lead).ask("sites/").json()
    body["results"][0]["secret"] = "not in the document"
    assert list(validator(document, pointer).iter_errors(body))
