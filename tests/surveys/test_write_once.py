"""What was received, computed and approved cannot be changed, not even by plain SQL.

On SQLite in the ordinary pass, on PostgreSQL when the suite runs there.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from surveys.models import Measurement
from tests.surveys.scene import Yard, heap

OTHER: dict[str, str] = {
    "request": "'{}'",
    "record": "'{}'",
    "error": "'{}'",
    "surveyed_on": "'2001-01-01'",
    "requested_at": "'2001-01-01 00:00:00'",
    "computed_at": "'2001-01-01 00:00:00'",
    "submitted_at": "'2001-01-01 00:00:00'",
    "approved_at": "'2001-01-01 00:00:00'",
    "bell_rung_at": "'2001-01-01 00:00:00'",
    "lease_until": "'2001-01-01 00:00:00'",
    "uuid": "'" + "1" * 32 + "'",
    "supersedes_id": "id",
    "state": "'reviewed'",
    "job_state": "'waiting'",
}
"""A value that differs from what is there; other texts become `x`, other numbers grow by one."""

NUMBERS = ("DecimalField", "FloatField", "PositiveIntegerField", "ForeignKey", "BigAutoField")


def other_value(field: Any) -> str:
    if field.column in OTHER:
        return OTHER[field.column]
    if field.get_internal_type() in NUMBERS:
        return f'COALESCE("{field.column}", 0) + 1'
    return "'x'"


def refused(statement: str) -> None:
    with (
        pytest.raises(IntegrityError, match="write-once"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def columns() -> list[Any]:
    return [field for field in Measurement._meta.concrete_fields if not field.primary_key]


@pytest.mark.django_db
def test_received_bytes_and_their_names_stay(yard: Yard) -> None:
    yard.survey_with(heap())
    refused("UPDATE surveys_storedfile SET sha256 = 'x'")
    refused("UPDATE surveys_storedfile SET name = 'y'")
    refused("DELETE FROM surveys_storedfile")


@pytest.mark.django_db
def test_every_column_of_an_approved_measurement_stays(yard: Yard) -> None:
    yard.approved()
    for field in columns():
        refused(f'UPDATE surveys_measurement SET "{field.column}" = {other_value(field)}')
    refused("UPDATE surveys_measurement SET state = 'draft'")
    refused("DELETE FROM surveys_measurement")


@pytest.mark.django_db
def test_a_superseded_or_revoked_measurement_stays_too(yard: Yard) -> None:
    from surveys import review

    first = yard.approved(heap(5.0))
    second = review.approve(yard.review(yard.correction(first, heap(4.0))), yard.lead)
    review.revoke(second, yard.lead, "another pile")
    for state in ("approved", "draft", "computed"):
        refused(f"UPDATE surveys_measurement SET state = '{state}' WHERE id = {first.pk}")
        refused(f"UPDATE surveys_measurement SET state = '{state}' WHERE id = {second.pk}")
    refused(f"DELETE FROM surveys_measurement WHERE id = {first.pk}")
    refused(f"DELETE FROM surveys_measurement WHERE id = {second.pk}")


@pytest.mark.django_db
def test_figures_and_inputs_of_a_computed_measurement_stay(yard: Yard) -> None:
    yard.computed()
    movable = {
        "state",
        "supersedes_id",
        "job_state",
        "stage",
        "progress",
        "lease_until",
        "bell_rung_at",
        "error",
        "submitted_at",
        "reviewed_by_id",
        "approved_by_id",
        "approved_at",
        "sent_back_reason",
    }
    fixed = [field for field in columns() if field.column not in movable]
    assert len(fixed) == len(columns()) - len(movable)
    for field in fixed:
        refused(f'UPDATE surveys_measurement SET "{field.column}" = {other_value(field)}')


@pytest.mark.django_db
def test_a_draft_can_still_be_worked_on(yard: Yard) -> None:
    asked = yard.asked()
    with connection.cursor() as cursor:
        cursor.execute("UPDATE surveys_measurement SET stage = 'surfaces', progress = 0.5")
    asked.refresh_from_db()
    assert asked.stage == "surfaces"


@pytest.mark.django_db
def test_steps_and_acceptances_stay(yard: Yard) -> None:
    from surveys.models import FindingAcceptance

    measurement = yard.computed()
    FindingAcceptance.objects.create(measurement=measurement, code="toe-gap", reason="a wall", by=yard.lead)
    for table, column in (("transition", "comment"), ("findingacceptance", "reason")):
        refused(f"UPDATE surveys_{table} SET {column} = 'x'")
        refused(f"DELETE FROM surveys_{table}")


@pytest.mark.django_db
def test_the_date_and_the_site_of_a_measured_survey_stay(yard: Yard, company: Any) -> None:
    empty = yard.survey()
    other = company.site("OTH")
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE surveys_survey SET surveyed_on = '2025-06-01' WHERE id = {empty.pk}")
    measured = yard.asked().survey
    refused(f"UPDATE surveys_survey SET surveyed_on = '2025-06-01' WHERE id = {measured.pk}")
    refused(f"UPDATE surveys_survey SET site_id = {other.pk} WHERE id = {measured.pk}")
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE surveys_survey SET note = 'windy' WHERE id = {measured.pk}")
