"""The database itself refuses, by plain SQL past every verb of ours, on whichever database the run uses."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import IntegrityError, connection, transaction

from inventory import counting, density
from inventory.models import BaseVersion, DensityApproval, DensityRecord, StockCount

APRIL = dt.date(2025, 4, 30)
OTHER = {
    "DateField": "2031-05-05",
    "DateTimeField": "2031-05-05 10:00:00+00:00",
    "DecimalField": "7.5",
    "PositiveIntegerField": "9",
    "JSONField": '{"columns": ["point"]}',
    "CharField": "x",
    "TextField": "another reason",
}

APPROVE = "UPDATE inventory_{} SET status = 'approved', approved_by_id = %s, approved_at = %s WHERE id = %s"


def execute(statement, *values):
    """One statement in a savepoint, so that a refusal leaves the test's transaction usable."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, values)
        return cursor.rowcount


def refused(statement, *values):
    with pytest.raises(IntegrityError) as error:
        execute(statement, *values)
    return str(error.value)


def update(row, column, value):
    return f"UPDATE {row._meta.db_table} SET {column} = %s WHERE id = %s", value, row.pk


def another_value(row, field):
    """A value that differs from the one in the row and that the column's type can hold."""
    current = getattr(row, field.attname)
    if field.is_relation:
        return None if current is not None else row.pk
    if field.choices:
        return next(value for value, _ in field.choices if value != current)
    return OTHER[field.get_internal_type()]


@pytest.fixture
def yard(company):
    material = company.material()
    pile = company.pile(company.site(), material)
    return company, material, pile


@pytest.fixture
def approved(yard):
    company, material, _ = yard
    return company.density(material, moisture_percent="5", moisture_percent_of="dry", tests_n=3)


@pytest.fixture
def base(yard):
    company, _, pile = yard
    return company.base(pile, kind="surface", evidence_sha256="ab" * 32)


@pytest.fixture
def count(yard, approved, base):
    company, _, pile = yard
    return company.count(pile, APRIL, record=approved, base=base)


def frozen_fields(model, movable):
    return [field for field in model._meta.concrete_fields if field.name not in {"id", *movable}]


@pytest.mark.parametrize(
    "field", frozen_fields(DensityRecord, {"status", "valid_to"}), ids=lambda field: field.name
)
def test_no_value_of_an_approved_density_changes(approved, field):
    message = refused(*update(approved, field.column, another_value(approved, field)))
    assert "an approved density keeps its values" in message


@pytest.mark.parametrize(
    "field", frozen_fields(BaseVersion, {"status", "valid_to"}), ids=lambda field: field.name
)
def test_no_value_of_an_approved_base_changes(base, field):
    message = refused(*update(base, field.column, another_value(base, field)))
    assert "an approved base keeps its values" in message


@pytest.mark.parametrize(
    "field",
    frozen_fields(StockCount, {"superseded_at", "withdrawn_by", "withdrawn_reason"}),
    ids=lambda field: field.name,
)
def test_no_figure_of_a_count_changes(count, field):
    message = refused(*update(count, field.column, another_value(count, field)))
    assert "a stock count is written once" in message


def test_a_proposal_may_still_change_and_be_deleted(yard):
    company, material, pile = yard
    for row, column in (
        (company.proposed_density(material), "t_per_m3"),
        (company.proposed_base(pile), "level_m"),
    ):
        if column == "t_per_m3":
            assert execute(*update(row, column, "1.7")) == 1
        assert execute(f"DELETE FROM {row._meta.db_table} WHERE id = %s", row.pk) == 1


def test_the_validity_of_an_approved_record_closes_and_never_opens_again(approved, base):
    for row in (approved, base):
        assert execute(*update(row, "valid_to", "2026-01-01")) == 1
        assert execute(*update(row, "valid_to", "2025-12-01")) == 1
        for value in (None, "2025-12-02"):
            assert "can only be closed" in refused(*update(row, "valid_to", value))
        # A validity of no days is the work of a plain constraint.
        refused(*update(row, "valid_to", row.valid_from))


@pytest.mark.parametrize("to", ["proposed", "withdrawn"])
def test_nothing_approved_goes_back(approved, base, to):
    for row in (approved, base):
        refused(*update(row, "status", to))
        assert execute(*update(row, "status", "superseded")) == 1
        for status in ("approved", to):
            assert "cannot go back" in refused(*update(row, "status", status))
        assert "can only be closed" in refused(*update(row, "valid_to", "2026-01-01"))


def test_nothing_approved_or_counted_is_deleted(approved, base, count):
    for row in (approved, base, count, approved.approvals.first()):
        message = refused(f"DELETE FROM {row._meta.db_table} WHERE id = %s", row.pk)
        assert "never deleted" in message


def test_an_approval_is_written_once(company, approved):
    approval = DensityApproval.objects.filter(density=approved).first()
    assert "written once" in refused(*update(approval, "by_id", company.auditor.pk))


def test_nothing_is_born_approved(company, approved, base):
    for row in (approved, base):
        row.pk, row.valid_from = None, dt.date(2024, 1, 1)
        row.valid_to = dt.date(2024, 2, 1)
        if isinstance(row, BaseVersion):
            row.version = 9
        with pytest.raises(IntegrityError, match="begins as a proposal"), transaction.atomic():
            row.save(force_insert=True)


def test_a_density_is_not_approved_without_two_signatures(company, yard):
    _, material, _ = yard
    record = company.proposed_density(material)
    approve = APPROVE.format("densityrecord")
    now = dt.datetime(2025, 1, 2, tzinfo=dt.UTC)
    assert "two people" in refused(approve, company.manager.pk, now, record.pk)
    density.approve_density(record, company.lead_surveyor)
    assert "two people" in refused(approve, company.manager.pk, now, record.pk)


def test_the_preparer_is_not_the_approver_in_the_database_too(company, yard):
    _, _, pile = yard
    base = company.proposed_base(pile)
    approve = APPROVE.format("baseversion")
    now = dt.datetime(2025, 1, 2, tzinfo=dt.UTC)
    refused(approve, company.surveyor.pk, now, base.pk)
    refused("UPDATE inventory_baseversion SET status = 'approved' WHERE id = %s", base.pk)
    assert execute(approve, company.lead_surveyor.pk, now, base.pk) == 1


SPANS = [
    ("2025-02-01", "2025-03-01", True),  # ends where the other begins
    ("2025-02-01", "2025-03-02", False),  # one day shared
    ("2025-05-31", None, False),  # the other's last day
    ("2025-06-01", None, True),  # begins where the other ends
    ("2025-04-01", "2025-04-02", False),  # inside
    ("2025-01-01", None, False),  # around
]


@pytest.mark.parametrize(("valid_from", "valid_to", "fits"), SPANS)
def test_two_bases_of_a_pile_share_no_day(company, yard, valid_from, valid_to, fits):
    _, _, pile = yard
    # Proposed first, while no other is in force: the verbs refuse what the triggers are asked here.
    second = company.proposed_base(
        pile,
        valid_from=dt.date.fromisoformat(valid_from),
        valid_to=valid_to and dt.date.fromisoformat(valid_to),
    )
    company.base(pile, valid_from=dt.date(2025, 3, 1), valid_to=dt.date(2025, 6, 1))
    approve = (
        APPROVE.format("baseversion"),
        company.lead_surveyor.pk,
        dt.datetime(2025, 1, 2, tzinfo=dt.UTC),
        second.pk,
    )
    if fits:
        assert execute(*approve) == 1
    else:
        assert "in force on the same day" in refused(*approve)


@pytest.mark.parametrize(("valid_from", "valid_to", "fits"), SPANS)
@pytest.mark.parametrize("scope", ["company", "site", "pile"])
def test_two_densities_of_a_scope_share_no_day(company, yard, scope, valid_from, valid_to, fits):
    _, material, pile = yard
    place = {"company": {}, "site": {"site": pile.site}, "pile": {"pile": pile}}[scope]
    second = company.proposed_density(
        material,
        valid_from=dt.date.fromisoformat(valid_from),
        valid_to=valid_to and dt.date.fromisoformat(valid_to),
        **place,
    )
    for signer, role in ((company.lead_surveyor, "lead_surveyor"), (company.manager, "manager")):
        DensityApproval.objects.create(
            density=second, by=signer, role=role, at=dt.datetime(2025, 1, 2, tzinfo=dt.UTC)
        )
    company.density(material, valid_from=dt.date(2025, 3, 1), valid_to=dt.date(2025, 6, 1), **place)
    # The same days in every other scope are no conflict.
    others = [{}, {"site": pile.site}, {"pile": pile}]
    others.remove(place)
    for other in others:
        company.density(material, valid_from=dt.date(2025, 1, 1), **other)
    approve = (
        APPROVE.format("densityrecord"),
        company.manager.pk,
        dt.datetime(2025, 1, 2, tzinfo=dt.UTC),
        second.pk,
    )
    if fits:
        assert execute(*approve) == 1
    else:
        assert "in force on the same day" in refused(*approve)


def test_a_count_leaves_force_once(company, count):
    leave = "UPDATE inventory_stockcount SET superseded_at = %s WHERE id = %s"
    assert execute(leave, dt.datetime(2025, 5, 1, tzinfo=dt.UTC), count.pk) == 1
    assert "leaves force once" in refused(leave, dt.datetime(2025, 5, 2, tzinfo=dt.UTC), count.pk)
    assert "leaves force once" in refused(leave, None, count.pk)


def test_a_withdrawal_keeps_its_name_and_reason(company, count):
    counting.withdraw_stock_count(count.evidence_ref, by=company.lead_surveyor, reason="wrong pile")
    assert "leaves force once" in refused(*update(count, "withdrawn_reason", "another"))
    assert "leaves force once" in refused(*update(count, "withdrawn_by_id", None))


def test_one_current_count_a_pile_and_day(count):
    columns = [f.column for f in StockCount._meta.concrete_fields if f.column not in ("id", "evidence_ref")]
    names = ", ".join(columns)
    table = "inventory_stockcount"
    copy = f"INSERT INTO {table} (evidence_ref, {names}) SELECT %s, {names} FROM {table}"
    refused(f"{copy} WHERE id = %s", "another/ref", count.pk)
    refused(f"{copy} WHERE id = %s", count.evidence_ref, count.pk)


def test_the_triggers_are_there_on_this_database(db):
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal")
        else:
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        names = {name for (name,) in cursor.fetchall()}
    wanted = {f"heapledger_{kind}_keeps_its_values" for kind in ("density", "base")} | {
        f"heapledger_{name}"
        for name in (
            "density_no_overlap",
            "base_no_overlap",
            "density_two_signatures",
            "count_written_once",
            "count_leaves_once",
            "count_is_kept",
        )
    }
    assert wanted <= names
