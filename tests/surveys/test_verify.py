"""Planted damage is found and named, and what is whole passes."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from config.celery import app
from inventory.models import AuditEvent, Period, PeriodLine
from surveys import tasks, verifying
from surveys.models import Alert, Measurement, StoredFile
from tests.inventory.month_book import MonthBook
from tests.surveys.scene import DAY, Yard

pytestmark = pytest.mark.django_db


def verify(*arguments: str) -> tuple[int, str]:
    """Exit status and output of the command."""
    out = io.StringIO()
    try:
        call_command("verify", *arguments, stdout=out)
    except SystemExit as left:
        return int(left.code or 0), out.getvalue()
    return 0, out.getvalue()


@contextmanager
def behind_the_triggers(*tables: str) -> Iterator[Any]:
    """A cursor that the triggers do not see: what somebody with the database in hand could do."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET session_replication_role = replica")
            yield cursor
            cursor.execute("SET session_replication_role = DEFAULT")
            return
        marks = ", ".join(["%s"] * len(tables))
        cursor.execute(
            f"SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name IN ({marks})", tables
        )
        triggers = cursor.fetchall()
        for name, _ in triggers:
            cursor.execute(f"DROP TRIGGER {name}")
        yield cursor
        for _, sql in triggers:
            cursor.execute(sql.replace("%", "%%"), [])


@pytest.fixture
def approved(yard: Yard, evidence_store: Any) -> Measurement:
    return yard.approved()


def test_what_is_whole_is_verified(approved: Measurement) -> None:
    status, said = verify()
    assert status == 0, said
    lines = said.splitlines()
    events, checks = AuditEvent.objects.count(), len(verifying.LEDGER_CHECKS) - 1
    assert lines[-1] == f"verified: 1 measurements, {events} events, {checks} ledger checks"
    assert len(lines) == 4 + checks + 1
    assert all(": ok (" in line for line in lines[:-1])


def test_a_changed_byte_in_a_stored_file_is_named(approved: Measurement, evidence_store: Any) -> None:
    stored = StoredFile.objects.get()
    path = evidence_store / stored.path
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.chmod(0o600)
    path.write_bytes(bytes(data))
    status, said = verify()
    assert status == 1
    assert "measurements recomputed: FAILED, 1 found" in said
    assert "received files hashed: FAILED, 1 found" in said
    assert said.count(f"The stored bytes of {stored.name} have the hash") == 2
    assert "2 failed: measurements recomputed, received files hashed" in said.splitlines()[-1]


def test_a_lost_file_is_named(approved: Measurement, evidence_store: Any) -> None:
    (evidence_store / StoredFile.objects.get().path).unlink()
    status, said = verify()
    assert (status, "are missing" in said) == (1, True)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("digest = 'sha256:0000000000000000'", "gives the digest"),
        ("net_m3 = net_m3 + 1", "net_m3 of its row differ"),
        ("tonnes = 1", "does not say what measurement"),
    ],
)
def test_a_changed_result_is_named(approved: Measurement, change: str, words: str) -> None:
    if "tonnes" in change and approved.tonnes is None:
        pytest.fail("the yard of this test must have a density")
    with behind_the_triggers("surveys_measurement") as cursor:
        cursor.execute(f"UPDATE surveys_measurement SET {change} WHERE id = %s", [approved.pk])
    status, said = verify()
    assert status == 1
    assert words in said
    assert f"{approved.pile.code} {DAY}" in said


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("UPDATE inventory_auditevent SET verb = 'nothing' WHERE seq = 2", "says something else"),
        ("DELETE FROM inventory_auditevent WHERE seq = 2", "is missing"),
    ],
)
def test_a_broken_chain_is_named(approved: Measurement, harm: str, words: str) -> None:
    with behind_the_triggers("inventory_auditevent") as cursor:
        cursor.execute(harm)
    status, said = verify()
    assert status == 1
    assert "audit events chained: FAILED" in said
    assert words in said


def test_a_broken_ledger_is_named(company: Any) -> None:
    book = MonthBook(company)
    period = book.period()
    book.count_all(dt.date(2025, 1, 31), "1000", "1000")
    book.lock(book.approve(book.reconcile(period)))
    assert verify()[0] == 0
    with behind_the_triggers("inventory_periodline") as cursor:
        cursor.execute("UPDATE inventory_periodline SET sales_t = 5, book_closing_t = book_closing_t - 5")
    assert PeriodLine.objects.filter(sales_t=5).count() == 2
    status, said = verify()
    assert status == 1
    assert "ledger: lines are their movements: FAILED" in said
    assert "ledger: sheets keep their hash: FAILED" in said
    assert Period.objects.get().name in said


def test_a_sample_has_others_each_day_and_all_in_turn() -> None:
    rows = list(range(10))
    days = [dt.date(2025, 6, 1) + dt.timedelta(days=n) for n in range(4)]
    taken = [verifying.in_turn(rows, 3, day) for day in days]
    assert all(len(set(some)) == 3 for some in taken)
    assert set().union(*taken) == set(rows)
    assert verifying.in_turn(rows, None, days[0]) == verifying.in_turn(rows, 99, days[0]) == rows
    assert verifying.in_turn([], 3, days[0]) == []


def test_a_sample_looks_at_no_more_than_asked(approved: Measurement, yard: Yard) -> None:
    yard.approved(day=DAY + dt.timedelta(days=30))
    assert "verified: 1 measurements" in verify("--sample", "1")[1]
    assert "verified: 2 measurements" in verify()[1]


def test_each_night_a_sample_is_recomputed_and_one_that_fails_is_told_once(
    approved: Measurement, evidence_store: Any, settings: Any
) -> None:
    settings.VERIFY_NIGHTLY = 5
    tasks.recompute_sample()
    assert not Alert.objects.exists()
    path = evidence_store / StoredFile.objects.get().path
    whole = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(whole.replace(b"5", b"6", 1))
    tasks.recompute_sample()
    tasks.recompute_sample()
    alert = Alert.objects.get()
    assert (alert.kind, alert.pile, alert.owner_role) == ("not-reproducible", approved.pile, "lead_surveyor")
    assert "not reproducible" in alert.message
    path.write_bytes(whole)
    assert verifying.watch_sample(5, timezone.now()) == []
    alert.refresh_from_db()
    assert alert.resolved_at is not None


def test_the_clock_rings_at_night() -> None:
    stroke = app.conf.beat_schedule["recompute"]
    assert stroke["task"] == tasks.recompute_sample.name
    assert (stroke["schedule"].hour, stroke["schedule"].minute) == ({1}, {30})
