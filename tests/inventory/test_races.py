"""Two at once. On PostgreSQL neither transaction sees what the other has not committed yet."""

from __future__ import annotations

import datetime as dt
import itertools
import threading

import pytest
from django.db import IntegrityError, connection, transaction

from inventory import basing
from inventory.errors import BookRefused
from inventory.models import BaseVersion, DensityApproval, DensityRecord, Role, StockCount
from tests.cast import found_cast, person

APPROVE = (
    "UPDATE inventory_{} SET status = 'approved', approved_by_id = %s, approved_at = now() WHERE id = %s"
)


def together(*acts):
    """Run the acts at the same moment on connections of their own; what each raised, or `None`."""
    outcomes = [None] * len(acts)
    gate = threading.Barrier(len(acts))

    def run(index, act):
        try:
            gate.wait(timeout=10)
            act()
        except (BookRefused, IntegrityError) as refused:
            outcomes[index] = refused
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    return outcomes


@pytest.fixture
def company(transactional_db):
    return found_cast().a


@pytest.mark.postgres
def test_two_bases_approved_at_once_by_plain_sql_do_not_both_come_into_force(company):
    pile = company.pile(company.site(), company.material())
    bases = [company.proposed_base(pile) for _ in range(2)]
    # The second transaction must wait while the first has not committed, and then be refused.
    first_has_written, second_has_written = threading.Event(), threading.Event()

    def first():
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(APPROVE.format("baseversion"), [company.lead_surveyor.pk, bases[0].pk])
            first_has_written.set()
            assert not second_has_written.wait(0.5)

    def second():
        assert first_has_written.wait(10)
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(APPROVE.format("baseversion"), [company.lead_surveyor.pk, bases[1].pk])
            second_has_written.set()

    outcomes = together(first, second)
    assert outcomes[0] is None
    assert "in force on the same day" in str(outcomes[1])
    assert BaseVersion.objects.filter(status="approved").count() == 1


@pytest.mark.postgres
def test_two_densities_approved_at_once_by_plain_sql_do_not_both_come_into_force(company):
    material = company.material()
    records = [company.proposed_density(material) for _ in range(2)]
    for record in records:
        for role in (Role.LEAD_SURVEYOR, Role.MANAGER):
            DensityApproval.objects.create(
                density=record, role=role, by=company.people[role], at=dt.datetime(2025, 1, 1, tzinfo=dt.UTC)
            )

    def approve(record):
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(APPROVE.format("densityrecord"), [company.manager.pk, record.pk])

    outcomes = together(*(lambda record=record: approve(record) for record in records))
    assert sum(outcome is None for outcome in outcomes) == 1
    assert DensityRecord.objects.filter(status="approved").count() == 1


@pytest.mark.postgres
def test_two_people_approving_two_bases_at_once_leave_one_in_force_and_one_behind_it(company):
    pile = company.pile(company.site(), company.material())
    bases = [company.proposed_base(pile, valid_from=dt.date(2025, month, 1)) for month in (1, 6)]
    other = person("second-lead", company.organization, Role.LEAD_SURVEYOR)
    together(
        lambda: basing.approve_base(bases[0], company.lead_surveyor),
        lambda: basing.approve_base(bases[1], other),
    )
    in_force = list(pile.bases.filter(status="approved").order_by("valid_from"))
    assert in_force[-1].valid_to is None
    assert all(a.valid_to == b.valid_from for a, b in itertools.pairwise(in_force))


@pytest.mark.postgres
def test_the_same_evidence_at_once_is_one_count(company):
    pile = company.pile(company.site(), company.material())
    day = dt.date(2025, 4, 30)
    outcomes = together(*(lambda: company.count(pile, day, evidence_ref="measurement/7") for _ in range(4)))
    assert outcomes == [None] * 4
    assert StockCount.objects.count() == 1


@pytest.mark.parametrize("pass_number", [1, 2])
def test_a_database_is_emptied_between_tests_that_commit_and_keeps_its_triggers(company, pass_number):
    assert not StockCount.objects.exists()
    count = company.count(company.pile(company.site(), company.material()), dt.date(2025, 4, 30))
    with pytest.raises(IntegrityError):
        StockCount.objects.filter(pk=count.pk).update(volume_m3=pass_number)
