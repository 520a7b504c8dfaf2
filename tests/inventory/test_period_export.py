"""The accountant's export: columns in their order, sums that agree, the same bytes once it is locked."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import re
import zipfile
from decimal import Decimal
from unittest import mock

import openpyxl
import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory import period_export, piles, places
from inventory.closing_entries import close_journals
from inventory.errors import JournalRefused, NotAllowed
from inventory.journals import post_journals
from inventory.models import AuditEvent, ExportBatch, JournalLine, KeptExport, Period
from inventory.movements import record_opening
from inventory.owners import add_owner
from inventory.period_export import export_period
from inventory.period_forms import FORMS
from inventory.period_rows import COLUMNS, BookOfPeriod, journal_rows
from tests.inventory.month_book import JANUARY, MonthBook

pytestmark = pytest.mark.django_db
D = Decimal

# The columns that were agreed with the accountants, in their order.
AGREED = """company, site_code, site_name, period, cutoff_at, pile_id, pile_name, lineage_root, material_code,
material_name, grade, owner, tax_class, unit, moisture_basis, opening_qty, production_qty, purchases_qty,
transfers_in_qty, sales_qty, transfers_out_qty, usage_qty, reclass_qty, adjustment_qty, book_closing_qty,
certificate_no, certificate_version, survey_started_at, survey_ended_at, measured_volume_m3, density_t_m3,
density_record_id, measured_at_survey_qty, rollforward_qty, measured_closing_qty, variance_qty, variance_pct,
u95_qty, gate_result, cause_code, cost_method, unit_cost, nrv_unit, carrying_unit, book_value, measured_value,
variance_value, adjustment_value, writedown_value, gl_inventory, gl_contra, cost_centre, journal_id,
journal_line, debit, credit, currency, posting_date, reverses_journal_id, prepared_by, reviewed_by,
approved_by, approved_at, period_state, export_batch, row_hash"""


INTO = ("opening", "production", "purchases", "transfers_in", "reclass", "adjustment")


@pytest.fixture
def book(cast) -> MonthBook:
    book = MonthBook(cast.a, piles_n=2, currency="XTS")
    owner = add_owner(cast.a.organization, code="C1", name="Customer A01", by=cast.a.manager)
    theirs = cast.a.pile(book.site, book.material, owner=owner)
    record_opening(theirs, quantity=1000, on=JANUARY, by=cast.a.accountant)
    book.piles.append(theirs)
    return book


@pytest.fixture
def january(book) -> Period:
    """A month with production, a sale, own works, a shrinkage posted, and a customer's pile; reconciled."""
    period, (one, two, theirs) = book.period(), book.piles
    book.move(one, "production", D("412.345"), dt.date(2025, 1, 5))
    book.move(one, "sale", D("300"), dt.date(2025, 1, 9), document="T1", source="wb")
    book.move(two, "own-works", D("20.5"), dt.date(2025, 1, 11))
    book.move(theirs, "production", D("77"), dt.date(2025, 1, 12))
    book.count_all(dt.date(2025, 1, 31), "1110", "900", "1077")
    period = book.reconcile(period)
    book.post(book.propose(period, two, "-60", reason_code="shrinkage"))
    period.refresh_from_db()
    close_journals(period, book.company.accountant)
    post_journals(period, book.company.controller)
    book.explain(period, *book.piles)
    return period


def rows_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))


def test_the_columns_stand_in_their_order_one_row_a_pile(january, cast) -> None:
    data = export_period(january, "csv", cast.a.accountant)
    assert list(COLUMNS) == [name.strip() for name in AGREED.replace("\n", " ").split(",")]
    assert data.decode("utf-8").splitlines()[0] == ",".join(COLUMNS)
    rows = rows_of(data)
    assert [row["pile_id"] for row in rows] == ["QRY-01", "QRY-02", "QRY-03", "3", ""]
    assert [row["owner"] for row in rows[:3]] == ["own", "own", "C1"]
    assert [row["company"] for row in rows[3:]] == ["TRAILER", "TRAILER"]


def test_every_row_holds_the_identity_and_the_trailer_its_sums(january, cast) -> None:
    *rows, totals, rounding = rows_of(export_period(january, "csv", cast.a.accountant))
    for row in rows:
        quantities = [name for name in COLUMNS if name.endswith("_qty") and row[name]]
        q = {name.removesuffix("_qty"): D(row[name]) for name in quantities}
        into = sum(q[name] for name in INTO)
        assert q["book_closing"] == into - q["sales"] - q["transfers_out"] - q["usage"]
        assert q["variance"] == q["measured_closing"] - (q["book_closing"] - q["adjustment"])
        assert q["measured_closing"] == q["measured_at_survey"] + q["rollforward"]
    for name in ("production_qty", "book_closing_qty", "book_value", "debit", "credit", "variance_qty"):
        assert D(totals[name]) == sum(D(row[name] or 0) for row in rows), name
    assert totals["debit"] == totals["credit"] == "402.50"  # shrinkage 300.00 and own works 102.50
    assert rounding["site_name"] == "rounding difference"
    assert rounding["book_value"] == "0.00"


def test_the_row_of_a_pile_to_the_last_figure(january, cast) -> None:
    row = rows_of(export_period(january, "csv", cast.a.accountant))[1]
    said = {
        "company": cast.a.organization.name, "site_code": "QRY", "period": "2025-01",
        "cutoff_at": "2025-02-01T00:00:00Z", "lineage_root": "QRY-02", "unit": "t", "grade": "B",
        "opening_qty": "1000.000", "usage_qty": "20.500", "adjustment_qty": "-60.000",
        "book_closing_qty": "919.500", "measured_closing_qty": "900.000", "variance_qty": "-79.500",
        "variance_pct": "-8.116", "density_t_m3": "1.6000", "measured_volume_m3": "562.500",
        "cost_method": "weighted-average", "unit_cost": "5.0000", "nrv_unit": "", "carrying_unit": "5.0000",
        "book_value": "4597.50", "measured_value": "4500.00", "variance_value": "-397.50",
        "adjustment_value": "-300.00", "writedown_value": "0.00", "gl_inventory": "1300",
        "debit": "402.50", "credit": "402.50", "currency": "XTS", "posting_date": "2025-01-31",
        "prepared_by": "accountant", "approved_by": "", "period_state": "reconciled",
    }  # fmt: skip
    assert {name: row[name] for name in said} == said
    assert row["gl_contra"].split() == ["5110", "5300"]
    assert row["journal_id"].split() == ["QRY-2025-01-0001", "QRY-2025-01-0002"]


def test_a_customers_stock_has_tonnes_and_no_money(january, cast) -> None:
    row = rows_of(export_period(january, "csv", cast.a.accountant))[2]
    assert row["production_qty"] == "77.000"
    assert (row["book_value"], row["unit_cost"], row["cost_method"]) == ("", "", "")


def test_each_row_hash_is_that_of_its_line_without_it(january, cast) -> None:
    lines = export_period(january, "csv", cast.a.accountant).decode("utf-8").split("\r\n")[1:-1]
    assert len(lines) == 5
    for line in lines:
        said, _, sha256 = line.rpartition(",")
        assert hashlib.sha256(said.encode("utf-8")).hexdigest() == sha256


def test_json_and_workbook_say_what_the_csv_says(january, cast) -> None:
    rows = rows_of(export_period(january, "csv", cast.a.accountant))
    said = json.loads(export_period(january, "json", cast.a.accountant))
    assert [*said["rows"], *said["trailer"]] == [
        {name: value or None for name, value in row.items()} for row in rows
    ]
    for number in {row["journal_id"] for row in said["journals"]}:
        lines = [row for row in said["journals"] if row["journal_id"] == number]
        assert sum(D(line["debit"]) - D(line["credit"]) for line in lines) == 0
    book = openpyxl.load_workbook(io.BytesIO(export_period(january, "xlsx", cast.a.accountant)))
    assert book.sheetnames == ["Period", "Journals"]
    cells = [list(row) for row in book["Period"].iter_rows(values_only=True)]
    assert cells[0] == list(COLUMNS)
    assert cells[2][COLUMNS.index("book_closing_qty")] == 919.5
    assert cells[2][COLUMNS.index("cutoff_at")] == "2025-02-01T00:00:00Z"


@pytest.mark.parametrize("form", list(FORMS))
def test_a_locked_period_gives_the_same_bytes_whatever_happens_later(january, book, cast, form) -> None:
    period = book.lock(book.approve(january))
    first = export_period(period, form, cast.a.accountant)
    pile = book.piles[0]
    piles.rename_pile(pile, "Quite another name", by=cast.a.manager)
    places.change_site(book.site, name="Another site", by=cast.a.manager)
    places.rename_material(book.material, "Something else", by=cast.a.manager)
    cast.a.accountant.first_name = "Renamed"
    cast.a.accountant.save()
    later = dt.datetime(2031, 5, 5, 5, 5, 5, tzinfo=dt.UTC)
    with mock.patch("django.utils.timezone.now", return_value=later):
        again = export_period(Period.objects.get(pk=period.pk), form, cast.a.auditor)
    assert again == first
    assert ExportBatch.objects.get().sha256 == hashlib.sha256(first).hexdigest()
    assert AuditEvent.objects.filter(verb="export_period").count() == 2


def test_before_the_lock_a_changed_name_is_seen(january, book, cast) -> None:
    first = export_period(january, "csv", cast.a.accountant)
    piles.rename_pile(book.piles[0], "Quite another name", by=cast.a.manager)
    assert export_period(january, "csv", cast.a.accountant) != first
    assert not KeptExport.objects.exists()


def test_a_workbook_does_not_depend_on_the_day(january, cast) -> None:
    data = FORMS["xlsx"].render(period_export.content_of(january))
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        assert {part.date_time for part in parts.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        core = parts.read("docProps/core.xml").decode()
    assert re.findall(r"\d{4}-\d\d-\d\dT", core) == ["2000-01-01T", "2000-01-01T"]


@pytest.mark.parametrize(
    "words", ["UPDATE inventory_keptexport SET sha256 = 'x'", "DELETE FROM inventory_keptexport"]
)
def test_the_database_keeps_what_was_exported(january, book, cast, words) -> None:
    export_period(book.lock(book.approve(january)), "csv", cast.a.accountant)
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(words.format("inventory_keptexport"))


def test_a_journal_that_does_not_balance_is_not_handed_out(january, cast) -> None:
    entries = list(BookOfPeriod.of(january).entries)
    line: JournalLine = entries[0].lines.all()[0]
    line.debit += 1
    with pytest.raises(JournalRefused, match=r"apart by 1\.00"):
        journal_rows(entries, "XTS")


def test_costs_are_not_for_everybody(january, cast) -> None:
    for person in (cast.a.surveyor, cast.a.lead_surveyor, cast.a.administrator, cast.b.surveyor):
        with pytest.raises(NotAllowed):
            export_period(january, "csv", person)


def test_the_text_of_a_formula_stays_a_text(january, book, cast) -> None:
    piles.rename_pile(book.piles[0], '=HYPERLINK("x")', by=cast.a.manager)
    row = rows_of(export_period(january, "csv", cast.a.accountant))[0]
    assert row["pile_name"] == '\'=HYPERLINK("x")'


def test_the_export_takes_the_same_queries_for_more_piles(january, book, cast) -> None:
    with CaptureQueriesContext(connection) as few:
        period_export.content_of(january)
    for _ in range(3):
        pile = cast.a.pile(book.site, book.material)
        book.move(pile, "production", 10, dt.date(2025, 1, 20))
    Period.objects.filter(pk=january.pk).update(state="counting")
    january.refresh_from_db()
    with CaptureQueriesContext(connection) as live:
        assert len(period_export.content_of(january)["rows"]) == 6
    # A live sheet reads more than a kept one, but a fixed number of things.
    assert len(few) < 20
    assert len(live) < 45


# --- the command -----------------------------------------------------------------------------------------


def test_the_command_writes_a_file_and_standard_output(january, tmp_path, capsysbinary) -> None:
    target = tmp_path / "january.csv"
    call_command("export_period", "QRY", "2025-01", "--output", str(target))
    assert rows_of(target.read_bytes())[0]["pile_id"] == "QRY-01"
    out = io.StringIO()
    call_command("export_period", "QRY", "2025-01", "--format", "json", stdout=out)
    assert json.loads(out.getvalue())["period"] == "2025-01"


def test_the_command_asks_which_of_two_organizations_is_meant(january, cast, capsys) -> None:
    cast.b.site("QRY")
    with pytest.raises(SystemExit) as refused:
        call_command("export_period", "QRY", "2025-01")
    assert refused.value.code == 2
    assert "--organization" in capsys.readouterr().err
    out = io.StringIO()
    call_command("export_period", "QRY", "2025-01", "--organization", cast.a.organization.slug, stdout=out)
    assert out.getvalue().startswith("company,")


@pytest.mark.parametrize(("site", "period"), [("NONE", "2025-01"), ("QRY", "2031-01")])
def test_the_command_says_what_is_not_there(january, site, period, capsys) -> None:
    with pytest.raises(SystemExit):
        call_command("export_period", site, period)
    assert "Nothing was exported." in capsys.readouterr().err


def test_an_open_month_exports_what_stands_now(book, cast) -> None:
    period = book.period(JANUARY)
    row = rows_of(export_period(period, "csv", cast.a.manager))[0]
    assert (row["period_state"], row["book_closing_qty"], row["book_value"]) == ("open", "1000.000", "")
