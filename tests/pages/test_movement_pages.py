"""The book of a pile, files of movements and one movement by keyboard, as people meet them."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory import movements
from inventory.models import Movement, MovementImport, Pile, Scale, StockOwner
from inventory.tickets.posting import data_of, post_tickets
from tests.inventory.test_tickets import csv, lines
from tests.inventory.yardbook import YardBook, at

pytestmark = pytest.mark.django_db


@pytest.fixture
def book(company):
    return YardBook(company)


@pytest.fixture
def accountant(book, as_):
    return as_(book.company.accountant)


def place(book, month="2025-08", kind=""):
    return reverse("pile-movements", args=["DRV", "DRV-05"]) + f"?month={month}&kind={kind}"


def read(client, address, status=200):
    answer = client.get(address)
    assert answer.status_code == status
    return answer.content.decode()


def send(client, data, name="aug.csv", **more):
    file = SimpleUploadedFile(name, data)
    return client.post(reverse("imports", args=["DRV"]), {"file": file, "what": "", **more})


def test_the_balance_runs_from_the_opening_to_the_closing(book, accountant):
    book.move("production", 500, "2025-07-10 10:00")
    book.move("sale", "28.10", "2025-08-12 09:30", document="88213", counterparty="Customer A01")
    wrong = book.move("sale", 30, "2025-08-13 09:30")
    movements.reverse_movement(wrong, by=book.company.manager, reason="wrong pile")
    said = read(accountant, place(book))
    words = ("500.00", "−28.10", "471.90", "−30.00", "441.90", "+30.00", "wrong pile", "Customer A01")
    at_places = [said.index(each) for each in words]
    assert all(at_places)
    assert said.index("471.90") < said.index("441.90"), "in the order of time"
    assert said.count("Reverse</a>") == 1, "neither the reversal nor what it reversed"
    july = read(accountant, place(book, "2025-07"))
    assert "28.10" not in july
    only = read(accountant, place(book, kind="production"))
    assert "Balance" not in only


def test_late_rows_say_where_they_belong(book, accountant):
    book.locked("2025-08")
    book.move("sale", 28, "2025-08-31 23:52", accept_late=True)
    said = read(accountant, place(book, "2025-09"))
    assert "late, of 2025-08" in said
    assert "1\u00a0Sep\u00a02025" in said


def test_the_page_takes_the_same_queries_for_one_and_many(book, accountant):
    book.move("sale", 1, "2025-08-01 10:00")

    def queries():
        with CaptureQueriesContext(connection) as seen:
            read(accountant, place(book))
        return len(seen)

    read(accountant, place(book))
    few = queries()
    for n in range(2, 20):
        book.move("sale", n, f"2025-08-{n:02d} 10:00")
    assert queries() == few


def test_a_pile_without_movements_says_how_to_begin(book, accountant):
    assert "Begin with its opening balance" in read(accountant, place(book))


def test_one_movement_by_its_form(book, accountant):
    address = reverse("new-movement", args=["DRV"])
    assert "Record a movement" in read(accountant, f"{address}?pile=DRV-05")
    given = {"pile": book.pile.pk, "kind": "sale", "date": "2025-08-31", "time": "23:52", "unit": "tonne"}
    given |= {"gross": "44.92", "tare": "16.82", "document": "90017"}
    made = accountant.post(address, given)
    assert made.url == reverse("pile-movements", args=["DRV", "DRV-05"]) + "?month=2025-08"
    row = Movement.objects.get()
    assert (row.tonnes, row.moved_at) == (Decimal("-28.1"), at("2025-08-31 23:52", book.site))
    moved = accountant.post(
        address, {**given, "kind": "transfer", "quantity": "10", "to_pile": book.other.pk, "document": "T1"}
    )
    assert moved.status_code == 302
    assert Movement.objects.filter(kind="transfer-in", pile=book.other).exists()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {"gross": "44.92", "tare": "16.82", "quantity": "28.64"},
            "net 28.64 ≠ gross 44.92 − tare 16.82 = 28.10",
        ),
        ({"kind": "transfer", "quantity": "3"}, "Choose the pile that it went to"),
        ({"quantity": "3", "date": "2025-11-02", "time": "01:30"}, "it happened twice"),
        ({"quantity": "3", "date": "2025-03-09", "time": "02:30"}, "it did not exist"),
        ({"quantity": "3", "date": "2024-01-01"}, "did not exist on 2024-01-01"),
    ],
)
def test_a_wrong_one_keeps_what_was_typed(book, accountant, changed, said):
    given = {"pile": book.pile.pk, "kind": "sale", "date": "2025-08-31", "time": "23:52", "unit": "tonne"}
    answer = accountant.post(reverse("new-movement", args=["DRV"]), {**given, "document": "90017", **changed})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert 'value="90017"' in answer.content.decode()
    assert not Movement.objects.exists()


def test_a_closed_month_is_proposed_beside_its_tick(book, accountant):
    book.locked("2025-08")
    address = reverse("new-movement", args=["DRV"])
    given = {"pile": book.pile.pk, "kind": "sale", "date": "2025-08-31", "time": "23:52", "unit": "tonne"}
    given["quantity"] = "28.1"
    refused = accountant.post(address, given)
    assert "as a correction on 2025-09-01 that points to 2025-08" in refused.content.decode()
    accountant.post(address, {**given, "accept_late": "on"})
    assert Movement.objects.get().book_on == dt.date(2025, 9, 1)


def test_reversing_asks_for_a_reason(book, accountant):
    row = book.move()
    address = reverse("reverse-movement", args=[row.pk])
    assert "Both stay to be seen" in read(accountant, address)
    assert accountant.post(address, {"reason": ""}).status_code == 422
    assert accountant.post(address, {"reason": "void"}).status_code == 302
    again = accountant.post(address, {"reason": "void"})
    assert again.status_code == 422
    assert "was reversed on" in again.content.decode()


# --- files ----------------------------------------------------------------------------------------------


def test_a_file_is_seen_its_columns_chosen_then_posted(book, accountant):
    data = csv("1,03/04/2025 10:00,DRV-05,28", "2,04/04/2025 10:00,DRV-05,29", head="No,Date,Pile,Net")
    seen = send(accountant, data)
    kept = MovementImport.objects.get()
    assert seen.url == reverse("import", args=[kept.pk])
    assert kept.state == "refused"
    page = read(accountant, seen.url)
    assert "may be day and month or month and day" in page
    form = {**kept.mapping, "date_order": "dmy", "accept_late": ""}
    form |= {f"column_{place}": name for place, name in enumerate(form.pop("columns"))}
    again = accountant.post(seen.url, form)
    received = MovementImport.objects.get(state="received")
    assert again.url == reverse("import", args=[received.pk])
    page = read(accountant, again.url)
    assert "What would be posted" in page
    assert "−57.00" in page
    assert not Movement.objects.exists()
    posted = accountant.post(again.url, {**form, "post": "1"})
    made = MovementImport.objects.get(state="posted")
    assert posted.url == reverse("import", args=[made.pk])
    assert Movement.objects.count() == 2
    assert "What was posted" in read(accountant, posted.url)
    assert b"".join(accountant.get(reverse("import-file", args=[made.pk]))) == data == data_of(made)
    assert send(accountant, data).url == posted.url, "the same bytes lead to what came of them"


def test_all_problems_stand_on_one_page(book, accountant):
    rows = [f"{n},2025-08-12,09:00,DRV-9{n % 3},44.92,16.82,28.10,A,B" for n in range(40)]
    page = read(accountant, send(accountant, csv(*rows)).url)
    assert "40\u00a0problems; nothing was posted" in page
    assert page.count("is unknown") == 40
    listed = read(accountant, reverse("imports", args=["DRV"]))
    assert "40\u00a0problems" in listed


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 a workbook"])
def test_what_is_no_table_is_told(book, accountant, data):
    answer = send(accountant, data or b" ")
    assert "Nothing was posted" in read(accountant, answer.url)


def test_who_may_not_import_sees_and_sends_nothing(book, as_):
    post_tickets(book.site, "aug.csv", csv(*lines(2)), by=book.company.accountant)
    auditor = as_(book.company.auditor)
    assert "Send a file" not in read(auditor, reverse("imports", args=["DRV"]))
    assert "Record a movement" not in read(auditor, place(book))
    assert send(auditor, csv(*lines(1))).status_code == 403
    assert auditor.get(reverse("new-movement", args=["DRV"])).status_code == 403


# --- scales and owners ----------------------------------------------------------------------------------


def test_scales_and_owners_are_kept_on_one_page(book, as_):
    manager = as_(book.company.manager)
    given = {
        "code": "W1",
        "name": "Weighbridge north",
        "kind": "weighbridge",
        "standard_uncertainty_percent": "0.3",
    }
    assert manager.post(reverse("new-scale", args=["DRV"]), given).status_code == 302
    changed = {
        "name": "Weighbridge north",
        "standard_uncertainty_percent": "0.2",
        "certified_until": "2026-03-01",
    }
    manager.post(reverse("change-scale", args=["DRV", "W1"]), changed)
    assert Scale.objects.get().standard_uncertainty_percent == Decimal("0.2")
    manager.post(reverse("new-owner", args=["DRV"]), {"code": "A01", "name": "Customer A01"})
    owner = StockOwner.objects.get()
    manager.post(reverse("pile-owner", args=["DRV", "DRV-06"]), {"owner": owner.pk})
    assert Pile.objects.get(code="DRV-06").owner == owner
    page = read(manager, reverse("weighing", args=["DRV"]))
    for word in ("Weighbridge north", "0.20", "Customer A01", "DRV-06"):
        assert word in page
    accountant = as_(book.company.accountant)
    assert accountant.get(reverse("new-scale", args=["DRV"])).status_code == 403
