"""A file of tickets is posted whole or not at all; all that is wrong with it stands in one report."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory import movements, piles
from inventory.errors import BadEntry, NotAllowed, TicketsRefused
from inventory.models import AuditEvent, BeltReading, Movement, MovementImport
from inventory.tickets import posting
from inventory.tickets.posting import post_tickets, preview_tickets, receive_tickets
from inventory.tickets.series import gaps_in
from tests.inventory.yardbook import YardBook, at

HEAD = "Ticket,Date,Time,Pile,Gross (t),Tare (t),Net (t),Customer,Truck"


@pytest.fixture
def book(company):
    return YardBook(company)


def lines(n=3, first=88200, pile="DRV-05", day="2025-08-12"):
    return [f"{first + i},{day},09:{i:02d},{pile},44.92,16.82,28.10,A01,H1" for i in range(n)]


def csv(*rows, head=HEAD):
    return "\n".join([head, *rows]).encode()


def post(book, data, name="tickets_aug.csv", **chosen):
    return post_tickets(book.site, name, data, by=book.company.accountant, chosen=chosen)


def told(kept, code):
    return next((each for each in kept.remarks["remarks"] if each["code"] == code), None)


def test_a_file_as_it_comes_is_posted_with_its_lines_and_bytes(book):
    data = csv(*lines(3))
    made = post(book, data)
    assert (made.state, made.lines_n, made.posted_n, made.bytes) == ("posted", 3, 3, len(data))
    assert posting.data_of(made) == data
    row = Movement.objects.select_related("pile").get(document="88201")
    assert (row.kind, row.tonnes, row.pile, row.line) == ("sale", Decimal("-28.1"), book.pile, 3)
    assert row.moved_at == at("2025-08-12 09:01", book.site)
    assert (row.book_on, row.recorded_by) == (dt.date(2025, 8, 12), book.company.accountant)
    assert (row.counterparty, row.haulier, row.source) == ("A01", "H1", "weighbridge")
    assert row.given == {"quantity": "28.10", "unit": "tonne", "gross": "44.92", "tare": "16.82"}
    assert book.balance() == Decimal("-84.3")
    event = AuditEvent.objects.get(verb="import_movements")
    assert (event.detail["posted"], event.detail["sha256"]) == (3, made.sha256)


def test_what_the_import_writes_is_what_the_verb_writes(book):
    """The import bypasses the model for speed; every column must come out the same."""
    post(book, csv("88213,2025-08-12,09:30,DRV-05,44.92,16.82,28.10,A01,H1"))
    by_hand = book.move(
        quantity="28.10", gross="44.92", tare="16.82", document="88214", source="weighbridge",
        counterparty="A01", haulier="H1",
    )  # fmt: skip
    imported = Movement.objects.get(document="88213")
    by_hand.refresh_from_db()
    own = {"id", "document", "from_import", "line", "recorded_at"}
    for field in Movement._meta.concrete_fields:
        if field.name not in own:
            assert getattr(imported, field.attname) == getattr(by_hand, field.attname), field.name
    written = {*posting.COLUMNS, "id", "other_leg_id", "reverses_id", "reversed_at"}
    assert {field.column for field in Movement._meta.concrete_fields} == written


def test_all_problems_of_a_file_at_once_and_nothing_posted(book):
    """No. 22 of the input failures, with its neighbours."""
    rows = lines(3)
    rows += [
        "88203,2025-08-12,10:00,DRV-05,44.92,16.82,28.64,A01,H1",
        "88201,2025-08-12,10:01,DRV-05,44.92,16.82,28.10,A01,H1",
        "88204,2025-08-12,10:02,DVR-05,44.92,16.82,28.10,A01,H1",
        "88205,2999-08-12,10:03,DRV-05,44.92,16.82,28.10,A01,H1",
        '88206,2025-08-12,10:04,DRV-05,"44,92",16.82,28.10,A01,H1',
        "88207,2025-08-12,10:65,DRV-99,44.92,16.82,x,A01,H1",
        "88208,2024-08-12,10:05,DRV-05,44.92,16.82,28.10,A01,H1",
    ]
    kept = post(book, csv(*rows))
    assert (kept.state, kept.posted_n, kept.lines_n) == ("refused", 0, 10)
    assert not Movement.objects.exists()
    found = [(each["line"], each["column"], each["message"]) for each in kept.problems["problems"]]
    expected = [
        (5, 7, "net 28.64 ≠ gross 44.92 − tare 16.82 = 28.10"),
        (6, 1, "duplicates ticket 88201 of line 3"),
        (7, 4, "pile “DVR-05” is unknown (did you mean DRV-05"),
        (8, 2, "2999-08-12 lies in the future"),
        (9, 5, "“44,92” is not a number with a decimal dot"),
        (10, 2, "“10:65” is not a time of day"),
        (10, 4, "pile “DRV-99” is unknown"),
        (10, 7, "“x” is not a number"),
        (11, 2, "pile DRV-05 did not exist on 2024-08-12"),
    ]
    assert [each[:2] for each in found] == [each[:2] for each in expected]
    for (_, _, message), (_, _, words) in zip(found, expected, strict=True):
        assert message.startswith(words)
    assert kept.problems["total_problems"] == 9
    assert all(each["remedy"] for each in kept.problems["problems"])
    assert kept.problems["message"].startswith("tickets_aug.csv: line 5 net 28.64 ≠ gross")
    assert kept.problems["message"].endswith("0 of 10 posted.")
    with pytest.raises(TicketsRefused) as refused:
        raise posting.refusal_of(kept)
    assert len(refused.value.as_dict()["problems"]) == 9


def test_the_corrected_file_is_posted_after_the_refused_one(book):
    refused = post(book, csv(*lines(2), "88202,2025-08-12,09:30,DVR-05,44.92,16.82,28.10,A01,H1"))
    made = post(book, csv(*lines(2), "88202,2025-08-12,09:30,DRV-05,44.92,16.82,28.10,A01,H1"))
    assert [refused.state, made.state] == ["refused", "posted"]
    assert Movement.objects.count() == 3


def test_the_same_file_twice_is_the_same_import(book):
    data = csv(*lines(3))
    made = post(book, data)
    assert post(book, data, name="again.csv") == made
    assert receive_tickets(book.site, "x.csv", data, by=book.company.manager) == made
    assert (MovementImport.objects.count(), Movement.objects.count()) == (1, 3)


def test_a_file_that_overlaps_the_last_one_posts_only_what_is_new(book):
    post(book, csv(*lines(3)))
    made = post(book, csv(*lines(5)))
    assert (made.state, made.posted_n, told(made, "already")["n"]) == ("posted", 2, 3)
    assert Movement.objects.count() == 5


def test_a_ticket_that_the_book_has_with_other_figures_refuses_the_file(book):
    book.move(quantity="27.00", document="88201", source="weighbridge", moved_at="2025-08-12 09:01")
    kept = post(book, csv(*lines(3)))
    assert kept.state == "refused"
    (problem,) = kept.problems["problems"]
    assert problem["line"] == 3
    assert problem["message"] == "ticket 88201 is in the book already, with another tonnes, gross, tare"
    assert Movement.objects.count() == 1


def test_missing_tickets_are_listed_and_do_not_stop_the_file(book):
    made = post(book, csv(*lines(2, 88188), *(line.replace("09:", "10:") for line in lines(1, 88204))))
    gap = told(made, "gaps")
    assert made.state == "posted"
    assert gap["message"] == "14 tickets are missing from the series: 88190–88203 (14)."
    assert gap["gaps"] == [{"first": "88190", "last": "88203", "n": 14}]
    # The next file begins where the last one ended, so that a gap between two files shows too.
    assert told(post(book, csv(*lines(2, 88206))), "gaps")["gaps"] == [
        {"first": "88205", "last": "88205", "n": 1}
    ]


def test_tickets_that_the_book_knows_are_no_gap(book):
    for number in range(88190, 88203):
        book.move(document=str(number), source="weighbridge", moved_at="2025-08-01 08:00")
    made = post(book, csv(*lines(2, 88188), *lines(1, 88204)))
    assert told(made, "gaps")["gaps"] == [{"first": "88203", "last": "88203", "n": 1}]


@given(st.sets(st.integers(1, 400), min_size=1), st.sampled_from(["", "W-", "2025/"]))
def test_gaps_and_numbers_make_the_whole_series(numbers, prefix):
    documents = [f"{prefix}{number:05d}" for number in numbers]
    missing = [each for gap in gaps_in(documents) for each in gap.numbers()]
    whole = [f"{prefix}{number:05d}" for number in range(min(numbers), max(numbers) + 1)]
    assert sorted([*documents, *missing]) == whole


# --- times ------------------------------------------------------------------------------------------


def one(book, moment, **chosen):
    return post(book, csv(f"1,{moment},DRV-05,28.10", head="Ticket,Date and time,Pile,Net"), **chosen)


def test_the_evening_of_the_last_day_counts_there(book):
    made = one(book, "2025-08-31 23:52")
    assert made.movements.get().book_on == dt.date(2025, 8, 31)
    assert made.movements.get().moved_at == dt.datetime(2025, 9, 1, 4, 52, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("text", "utc", "day"),
    [
        ("2025-08-31T23:52:10Z", "2025-08-31T23:52:10+00:00", "2025-08-31"),
        ("2025-09-01T04:59:00Z", "2025-09-01T04:59:00+00:00", "2025-08-31"),
        ("2025-08-31 23:52 -05:00", "2025-09-01T04:52:00+00:00", "2025-08-31"),
        ("20250831 11:52 PM", "2025-09-01T04:52:00+00:00", "2025-08-31"),
        ("2025-08-31 24:00", "2025-09-01T04:59:59.999999+00:00", "2025-08-31"),
        ("2025-11-02 03:00", "2025-11-02T09:00:00+00:00", "2025-11-02"),
    ],
)
def test_times_as_tickets_write_them(book, text, utc, day):
    row = one(book, text).movements.get()
    assert row.moved_at == dt.datetime.fromisoformat(utc)
    assert row.book_on == dt.date.fromisoformat(day)


def test_an_hour_that_happened_twice_is_asked_for(book):
    """Clocks in Chicago went back at 2:00 on 2 November 2025 (time zone database)."""
    kept = one(book, "2025-11-02 01:30")
    assert "happened twice in America/Chicago" in kept.problems["message"]
    assert one(book, "2025-11-02 01:30", clock_change="first").movements.get().moved_at.hour == 6
    Movement.objects.get()
    assert one(book, "2025-11-02 01:30 -06:00").movements.count() == 0, "ticket 1 stands with another time"


def test_an_hour_that_never_was_is_refused(book):
    kept = one(book, "2025-03-09 02:30")
    assert "did not exist in America/Chicago: clocks went forward" in kept.problems["message"]


def test_dates_that_could_be_two_days_are_asked_for(book):
    kept = one(book, "03/04/2025 10:00")
    assert "may be day and month or month and day" in kept.problems["message"]
    assert one(book, "03/04/2025 10:00", date_order="dmy").movements.get().book_on == dt.date(2025, 4, 3)


def test_a_number_above_twelve_tells_the_order(book):
    made = post(
        book, csv("1,13/04/2025 10:00,DRV-05,28", "2,03/04/2025 10:00,DRV-05,28", head="No,Date,Pile,Net")
    )
    assert [row.book_on.day for row in made.movements.order_by("line")] == [13, 3]


def test_a_closed_month_proposes_the_correction_and_takes_it_when_told(book):
    august = book.locked("2025-08")
    kept = one(book, "2025-08-31 23:52")
    (problem,) = kept.problems["problems"]
    assert "is 2025-09-01 in UTC; the site's day ends at 24:00 local" in problem["message"]
    assert "belongs to 2025-08-31, in 2025-08, which is locked" in problem["message"]
    assert "correction on 2025-09-01 that points to 2025-08" in problem["remedy"]
    late = one(book, "2025-08-31 23:52", accept_late=True)
    row = late.movements.get()
    assert (row.book_on, row.belongs_to) == (dt.date(2025, 9, 1), august)
    assert told(late, "late")["n"] == 1


# --- what comes in other forms ------------------------------------------------------------------------


def test_semicolons_and_decimal_commas_are_seen(book):
    data = csv(
        "1;12.08.2025;09:30;DRV-05;28,10",
        "2;13.08.2025;09:30;DRV-05;1.028,5",
        head="Ticket;Date;Time;Pile;Net kg",
    )
    made = post(book, data)
    assert (made.mapping["delimiter"], made.mapping["decimal"], made.mapping["unit"]) == (
        ";",
        ",",
        "kilogram",
    )
    assert [row.tonnes for row in made.movements.order_by("line")] == [Decimal("-0.028"), Decimal("-1.028")]
    # 28.10 kg and 1 028.5 kg: half to even at the last kilogram, once.


def test_a_column_of_units_wins(book):
    data = csv("1,2025-08-12,DRV-05,62000,lb", "2,2025-08-12,DRV-05,31,ton", head="No,Date,Pile,Net,Unit")
    kept = post(book, data)
    assert [each["line"] for each in kept.problems["problems"]] == [3]
    assert "unit “ton” may be several" in kept.problems["message"]


def test_columns_that_nobody_gave_are_asked_for(book):
    kept = post(book, csv("1,DRV-05", head="Ticket,Pile"))
    assert (
        "no column gives when it moved (a date, or date and time); the quantity" in kept.problems["message"]
    )


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 a workbook", b"Ticket,Date\n"])
def test_what_is_no_table_is_refused_and_kept(book, data):
    kept = post(book, data)
    assert kept.state == "refused"
    assert "Nothing was posted" in kept.problems["message"]
    assert posting.data_of(kept) == data


def test_transfers_come_in_two_legs_and_to_other_sites(book):
    far = book.company.pile(book.company.site("TUL"), book.material, "TUL-04")
    data = csv(
        "T1,2025-08-12,DRV-05,DRV-06,100",
        "T2,2025-08-13,DRV-05,TUL-04,50",
        "T3,2025-08-13,DRV-05,TUL/TUL-04,7",
        head="Document,Date,From pile,To pile,Tonnes",
    )  # fmt: skip
    made = post(book, data)
    assert (made.state, made.posted_n, made.movements.count()) == ("posted", 3, 6)
    for row in made.movements.select_related("other_leg"):
        assert row.other_leg.tonnes == -row.tonnes
        assert (row.other_leg.document, row.other_leg.line) == (row.document, row.line)
    assert [book.balance(pile) for pile in (book.pile, book.other, far)] == [-157, 100, 57]


def test_a_transfer_between_grades_or_to_nowhere_is_refused(book):
    book.company.pile(book.site, book.company.material("M1", "Fines"), "DRV-01")
    data = csv(
        "T1,2025-08-12,DRV-05,DRV-01,100", "T2,2025-08-12,DRV-05,DRV-05,5", head="No,Date,From,To,Tonnes"
    )
    kept = post(book, data)
    assert [each["line"] for each in kept.problems["problems"]] == [2, 3]
    assert not Movement.objects.exists()


def test_opening_balances_once_a_pile(book):
    head = "Pile,Date,Opening"
    made = post(book, csv("DRV-05,2025-01-01,24500", "DRV-06,2025-01-01,0.5", head=head), what="opening")
    assert [row.tonnes for row in made.movements.order_by("line")] == [24500, Decimal("0.5")]
    assert made.movements.first().moved_at == at("2025-01-01 00:00", book.site)
    kept = post(book, csv("DRV-05,2025-02-01,1", head=head), what="opening")
    assert "has an opening balance already" in kept.problems["message"]


def test_belt_readings_become_production_between_them(book):
    book.scale("belt", "B1")
    head = "Belt,Date,Time,Pile,Totaliser"
    data = csv("B1,2025-08-01,24:00,DRV-05,1450.5", "B1,2025-07-31,24:00,DRV-05,1000", head=head)
    made = post(book, data)
    assert (made.state, made.mapping["what"], made.posted_n) == ("posted", "belt", 2)
    (row,) = made.movements.all()
    assert (row.kind, row.tonnes, row.book_on, row.line) == (
        "production",
        Decimal("450.5"),
        dt.date(2025, 8, 1),
        2,
    )
    kept = post(book, csv("B1,2025-08-02,24:00,DRV-05,1400", head=head))
    assert "the totaliser of scale B1 goes back from 1450.5" in kept.problems["message"]
    assert BeltReading.objects.count() == 2


def test_lines_of_several_kinds(book):
    head = "Type,Date,Pile,Net"
    made = post(book, csv("out,2025-08-12,DRV-05,10", "Produced,2025-08-12,DRV-05,30", head=head))
    assert [row.kind for row in made.movements.order_by("line")] == ["sale", "production"]
    assert (
        "kind “lost” is not known"
        in post(book, csv("lost,2025-08-12,DRV-05,10", head=head)).problems["message"]
    )


def test_owners_stay_apart(book):
    piles.open_pile(
        site=book.site, code="DRV-09", name="Held", material=book.material, opened_on=dt.date(2025, 1, 1),
        by=book.company.manager, owner=book.owner("A01"),
    )  # fmt: skip
    kept = post(
        book, csv("1,2025-08-12,DRV-09,10,A02", "2,2025-08-12,DRV-09,10,A01", head="No,Date,Pile,Net,Owner")
    )
    (problem,) = kept.problems["problems"]
    assert problem["message"] == "pile DRV-09 holds material of A01, not of A02"


# --- looking before posting ----------------------------------------------------------------------------


def test_a_preview_keeps_and_posts_nothing(book):
    preview = preview_tickets(book.site, "x.csv", csv(*lines(3)), by=book.company.manager)
    names = ("document", "date", "time", "pile", "gross", "tare", "net", "counterparty", "haulier")
    assert preview.settings.columns == names
    assert (len(preview.checked.rows), preview.posted) == (3, None)
    assert not MovementImport.objects.exists()


def test_a_received_file_waits_and_is_posted_from_its_kept_bytes(book):
    received = receive_tickets(book.site, "x.csv", csv(*lines(3)), by=book.company.manager)
    assert (received.state, Movement.objects.count()) == ("received", 0)
    again = posting.read_again(received, by=book.company.manager, chosen={"what": "purchase"})
    made = posting.post_received(again, by=book.company.accountant)
    assert (made.state, made.movements.first().kind, book.balance()) == (
        "posted",
        "purchase",
        Decimal("84.3"),
    )


def test_only_who_may_and_only_choices_that_there_are(book, cast):
    for person in (book.company.surveyor, cast.outsider):
        with pytest.raises(NotAllowed):
            post_tickets(book.site, "x.csv", csv(*lines(1)), by=person)
    with pytest.raises(BadEntry, match="colour"):
        post(book, csv(*lines(1)), colour="red")
    with pytest.raises(BadEntry, match="stone"):
        post(book, csv(*lines(1)), unit="stone")
    with pytest.raises(BadEntry, match="two columns"):
        post(book, csv(*lines(1)), columns=["date", "date"] + [""] * 7)


def test_late_lines_of_a_pile_that_was_taken_over_follow_it(book):
    merged = piles.merge_piles(
        [book.pile, book.other], code="DRV-07", name="Both", on=dt.date(2025, 8, 20),
        by=book.company.manager, reason="grew together",
    )  # fmt: skip
    post(book, csv(*lines(3)))
    assert [book.balance(pile) for pile in (book.pile, book.other, merged)] == [0, 0, Decimal("-84.3")]


def test_a_movement_of_an_import_is_reversed_like_any_other(book):
    made = post(book, csv(*lines(1)))
    movements.reverse_movement(made.movements.get(), by=book.company.manager, reason="void")
    assert book.balance() == 0


def test_a_period_that_closes_meanwhile_refuses_the_file(book, monkeypatch):
    book.locked("2025-08")
    monkeypatch.setattr("inventory.book_days.Calendar.closed_period", lambda self, day: None)
    kept = post(book, csv(*lines(3)))
    assert kept.state == "refused"
    assert "something changed meanwhile" in kept.problems["message"]
    assert not Movement.objects.exists()


def test_a_price_is_kept_as_money(book):
    data = csv(
        "1,2025-08-12,DRV-05,10,9.2000", "2,2025-08-12,DRV-05,10,9.20001", head="No,Date,Pile,Net,Price"
    )
    kept = post(book, data)
    assert [each["line"] for each in kept.problems["problems"]] == [3]
    made = post(book, csv("1,2025-08-12,DRV-05,10,9.2000", head="No,Date,Pile,Net,Price"))
    assert made.movements.get().unit_price == Decimal("9.2")
