"""The chain of events: complete, in order, and visibly broken by whoever gets past the triggers."""

from __future__ import annotations

import pytest
from django.db import connection, transaction
from django.db.transaction import TransactionManagementError

from inventory.audit import hash_of, record_event, walk_chain
from inventory.models import AuditEvent
from tests.inventory.test_write_once import refused


@pytest.fixture
def chained(company):
    company.pile(company.site(), company.material())
    assert AuditEvent.objects.count() == 3
    return company


def past_the_triggers(statement, *values):
    """One statement on a database whose triggers on events are gone, as its administrator could."""
    names = ("audit_written_once", "audit_is_kept")
    with connection.cursor() as cursor:
        for name in names:
            of_table = " ON inventory_auditevent" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER heapledger_{name}{of_table}")
        cursor.execute(statement, values)


def test_every_act_is_an_event_and_the_chain_holds(chained):
    events = list(AuditEvent.objects.all())
    assert [event.seq for event in events] == [1, 2, 3]
    assert [event.verb for event in events] == ["open_site", "add_material", "open_pile"]
    assert all(event.by == chained.manager and event.roles == "manager" for event in events)
    assert events[0].previous_sha256 == ""
    assert events[2].previous_sha256 == events[1].sha256 == hash_of(events[1])
    assert walk_chain(chained.organization) == []


def test_each_organization_has_a_chain_of_its_own(cast):
    for company in (cast.a, cast.b, cast.a):
        company.material(code=f"M{AuditEvent.objects.count()}")
    assert list(
        AuditEvent.objects.filter(organization=cast.a.organization).values_list("seq", flat=True)
    ) == [1, 2]
    assert walk_chain(cast.b.organization) == []


def test_an_act_that_fails_leaves_no_event(chained):
    def act_and_fail():
        with transaction.atomic():
            chained.material(code="M9")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        act_and_fail()
    assert AuditEvent.objects.count() == 3


@pytest.mark.django_db(transaction=True)
def test_an_event_outside_the_transaction_of_its_act_is_refused(company):
    with pytest.raises(TransactionManagementError):
        record_event(company.organization, by=None, verb="x", subject=company.organization)


@pytest.mark.parametrize("column", ["verb", "subject", "detail", "by_id", "roles", "at", "sha256"])
def test_the_database_keeps_an_event(chained, column):
    event = AuditEvent.objects.first()
    value = {"by_id": None, "detail": "{}", "at": "2031-01-01 00:00:00+00:00"}.get(column, "other")
    table = "inventory_auditevent"
    assert "written once" in refused(f"UPDATE {table} SET {column} = %s WHERE id = %s", value, event.pk)
    assert "never deleted" in refused(f"DELETE FROM {table} WHERE id = %s", event.pk)


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE inventory_auditevent SET verb = 'other' WHERE seq = 2", [(2, "something else")]),
        ("UPDATE inventory_auditevent SET detail = '{}' WHERE seq = 3", [(3, "something else")]),
        (
            "DELETE FROM inventory_auditevent WHERE seq = 2",
            [(3, "is missing"), (3, "does not hold the hash")],
        ),
        (
            "UPDATE inventory_auditevent SET previous_sha256 = '' WHERE seq = 2",
            [(2, "does not hold the hash"), (2, "something else")],
        ),
    ],
)
def test_a_change_past_the_triggers_shows_in_the_chain(chained, statement, told):
    past_the_triggers(statement)
    problems = walk_chain(chained.organization)
    assert [(p.seq, words in p.message) for p, (_, words) in zip(problems, told, strict=True)] == [
        (seq, True) for seq, _ in told
    ]
