"""Movements, files and balances by the API: once a key, once a document, refused with all that is wrong."""

from __future__ import annotations

import json

import pytest

from inventory.models import Movement, MovementImport
from tests.api.calling import assert_problem, signed_in
from tests.inventory.test_tickets import csv, lines
from tests.inventory.yardbook import YardBook

pytestmark = pytest.mark.django_db


@pytest.fixture
def book(company):
    return YardBook(company)


@pytest.fixture
def caller(book):
    return signed_in(book.company.accountant)


def sale(book, **more):
    given = {
        "pile": book.pile.pk,
        "kind": "sale",
        "quantity": "28.10",
        "moved_at": "2025-08-31T23:52:00-05:00",
    }
    return {**given, "document": "90017", "source": "ticket", **more}


def test_a_movement_is_posted_once_by_document_and_by_key(book, caller):
    first = caller.send("movements/", sale(book), key="k")
    assert first.status_code == 201, first.data
    body = first.json()
    assert (body["tonnes"], body["book_on"], body["belongs_to"]) == ("-28.100", "2025-08-31", None)
    assert caller.send("movements/", sale(book), key="k").json() == body
    assert caller.send("movements/", sale(book)).json()["id"] == body["id"]
    assert Movement.objects.count() == 1
    assert_problem(caller.send("movements/", sale(book, quantity="27")), 409, "document-changed")


def test_a_closed_month_is_proposed_not_taken(book, caller):
    book.locked("2025-08")
    refused = caller.send("movements/", sale(book))
    assert_problem(refused, 409, "period-closed")
    assert "points to 2025-08" in refused.json()["remedy"]
    late = caller.send("movements/", sale(book, accept_late=True)).json()
    assert (late["book_on"], late["belongs_to"]) == ("2025-09-01", "2025-08")


def test_reversing_transfers_and_balances(book, caller):
    given = {"from_pile": book.pile.pk, "to_pile": book.other.pk, "quantity": 100, "received": 98}
    moved = caller.send("transfers/", {**given, "moved_at": "2025-08-12T10:00:00Z"}).json()
    assert [moved[leg]["tonnes"] for leg in ("out", "into", "loss")] == ["-100.000", "100.000", "-2.000"]
    held = caller.ask("balances/", by="pile").json()
    assert [(row["pile"]["code"], row["own_t"]) for row in held["rows"]] == [
        ("DRV-05", "-100.000"),
        ("DRV-06", "98.000"),
    ]
    assert held["everything"]["own_t"] == "-2.000"
    answer = caller.send(f"movements/{moved['out']['id']}/reverse/", {"reason": "never left"})
    assert answer.status_code == 201, answer.data
    again = caller.send(f"movements/{moved['out']['id']}/reverse/", {"reason": "never left"})
    assert_problem(again, 409, "already-reversed")
    assert caller.ask("balances/", by="owner").json()["everything"]["own_t"] == "0.000"
    assert caller.ask("balances/", by="site", on="2025-08-01").json()["rows"][0]["site"]["code"] == "DRV"


def test_lists_are_filtered_and_come_by_pages(book, caller):
    for n in range(5):
        book.move(document=str(n), moved_at=f"2025-08-1{n} 09:00")
    book.move("production", 5, pile=book.other)
    page = caller.ask("movements/", pile=book.pile.pk, kind="sale", since="2025-08-11", page_size=3).json()
    assert [row["document"] for row in page["results"]] == ["4", "3", "2"]
    assert [row["document"] for row in caller.get(page["next"]).json()["results"]] == ["1"]
    assert len(caller.ask("movements/", kind=["sale", "production"], standing="true").json()["results"]) == 6


def test_openings_and_grades(book, caller):
    opened = caller.send("openings/", {"pile": book.pile.pk, "quantity": "24500", "on": "2025-01-01"})
    assert opened.json()["tonnes"] == "24500.000"
    fines = book.company.pile(book.site, book.company.material("M1"), "DRV-01")
    given = {
        "from_pile": book.pile.pk,
        "to_pile": fines.pk,
        "quantity": 60,
        "moved_at": "2025-08-12T10:00:00Z",
    }
    assert (
        caller.send("reclassifications/", {**given, "reason": "screened"}).json()["into"]["kind"]
        == "reclass-in"
    )


# --- files --------------------------------------------------------------------------------------------


def test_a_file_is_looked_at_then_posted_then_known(book, caller):
    data = csv(*lines(3))
    seen = caller.upload("imports/preview/", data, "aug.csv", site=book.site.pk).json()
    assert (seen["lines_n"], seen["problems_n"], seen["posted"]) == (3, 0, None)
    assert seen["settings"]["columns"][:4] == ["document", "date", "time", "pile"]
    assert not MovementImport.objects.exists()
    made = caller.upload("imports/", data, "aug.csv", site=book.site.pk).json()
    assert (made["state"], made["posted_n"]) == ("posted", 3)
    assert caller.upload("imports/", data, "again.csv", site=book.site.pk).json()["id"] == made["id"]
    assert caller.upload("imports/preview/", data, site=book.site.pk).json()["posted"] == made["id"]
    rows = caller.ask("movements/", from_import=made["id"]).json()["results"]
    assert [row["line"] for row in rows] == [4, 3, 2]


def test_a_refused_file_answers_with_every_problem_and_is_kept(book, caller):
    data = csv(*lines(1), "88201,2025-08-12,09:30,DVR-05,44.92,16.82,28.64,A01,H1")
    refused = caller.upload("imports/", data, "aug.csv", site=book.site.pk)
    assert_problem(refused, 422, "tickets-refused")
    found = refused.json()["problems"]
    assert [(each["line"], each["column"]) for each in found] == [(3, 4), (3, 7)]
    (kept,) = caller.ask("imports/", state="refused").json()["results"]
    assert kept["problems"]["total_problems"] == 2
    fixed = caller.send(f"imports/{kept['id']}/post/", {"what": "purchase"})
    assert_problem(fixed, 422, "tickets-refused")
    assert not Movement.objects.exists()


def test_settings_are_told_beside_the_file(book, caller):
    data = csv("1,03/04/2025 10:00,DRV-05,28", head="No,Date,Pile,Net")
    settings = json.dumps({"date_order": "dmy", "what": "production"})
    made = caller.upload("imports/", data, site=book.site.pk, settings=settings)
    assert made.status_code == 201, made.data
    assert Movement.objects.get().book_on.isoformat() == "2025-04-03"
    wrong = caller.upload("imports/", data, site=book.site.pk, settings=json.dumps({"colour": "red"}))
    assert_problem(wrong, 422, "bad-entry")


# --- scales, belts, owners --------------------------------------------------------------------------------


def test_scales_belts_and_owners(book, caller):
    manager = signed_in(book.company.manager)
    given = {
        "site": book.site.pk,
        "code": "B1",
        "name": "Belt 1",
        "kind": "belt",
        "standard_uncertainty_percent": "0.5",
    }
    assert_problem(caller.send("scales/", given), 403, "not-allowed")
    scale = manager.send("scales/", given).json()
    assert manager.patch(f"/api/v1/scales/{scale['id']}/", {"certified_until": "2026-03-01"}).json()[
        "certified_until"
    ]
    for moment, total in (("2025-08-01T05:00:00Z", 1000), ("2025-08-02T05:00:00Z", "1450.5")):
        reading = {"scale": scale["id"], "pile": book.pile.pk, "read_at": moment, "totaliser": total}
        answer = caller.send("belt-readings/", reading)
        assert answer.status_code == 201, answer.data
    assert answer.json()["production"]["tonnes"] == "450.500"
    back = caller.send("belt-readings/", {**reading, "read_at": "2025-08-03T05:00:00Z", "totaliser": 3})
    assert_problem(back, 422, "totaliser-backwards")
    owner = manager.send("owners/", {"code": "A01", "name": "Customer A01"}).json()
    assert manager.send(f"piles/{book.other.pk}/owner/", {"owner": owner["id"]}).status_code == 200
    assert_problem(manager.send(f"piles/{book.pile.pk}/owner/", {"owner": owner["id"]}), 422, "owners-differ")
    assert manager.patch(f"/api/v1/owners/{owner['id']}/", {"name": "A01 Ltd"}).json()["name"] == "A01 Ltd"


def test_nobody_moves_what_is_of_others(book, cast):
    outsider = signed_in(cast.outsider)
    assert outsider.ask("movements/").json()["results"] == []
    assert_problem(outsider.send("movements/", sale(book)), 422, "bad-entry")
    assert_problem(outsider.upload("imports/", csv(*lines(1)), site=book.site.pk), 422, "bad-entry")
    assert not Movement.objects.exists()


def test_a_pile_is_split_with_its_tonnes_and_becomes_another_grade(book):
    manager = signed_in(book.company.manager)
    book.move("production", 100, "2025-06-10 10:00")
    given = {"on": "2025-07-01", "reason": "ramp cut through", "name": "Part"}
    part = manager.send(f"piles/{book.pile.pk}/split/", {**given, "code": "DRV-21", "tonnes": "30"})
    assert part.status_code == 201, part.data
    fines = book.company.material("M1", "Crusher fines 0/4")
    given |= {"on": "2025-07-02", "code": "DRV-31", "material": fines.pk}
    became = manager.send(f"piles/{part.json()['id']}/reclassify/", given)
    assert became.status_code == 201, became.data
    held = {row["pile"]["code"]: row["own_t"] for row in manager.ask("balances/").json()["rows"]}
    assert held == {"DRV-05": "70.000", "DRV-06": "0.000", "DRV-31": "30.000"}
