"""The ten cases of a month end, each to the cent, and the posting that cannot be undone.

Losses are an expense of the period in which they occur (IAS 2.34); stock is carried at the lower of cost
and net realisable value (IAS 2.9). Which side a surplus or shortage stands on: common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory.accounts import PARTS, account_for_material
from inventory.closing_entries import close_journals, money_tasks
from inventory.errors import (
    BookRefused,
    JournalRefused,
    NotAllowed,
    NoValueInForce,
    PeriodNotReady,
    SamePerson,
)
from inventory.journals import CASES, Line, check_balance, journal_adjustment, post_journals, prepare_entry
from inventory.models import JournalEntry, Movement, Period, PeriodLine, PeriodPool, PeriodValue
from inventory.movements import record_transfer, reverse_movement
from inventory.owners import add_owner, give_pile_to
from inventory.periods import period_of
from inventory.valuing import value_period
from tests.inventory.money_scene import Money, as_table

pytestmark = pytest.mark.django_db
D = Decimal
NONE = D(0)


def day(month: int, of_month: int = 10) -> dt.date:
    return dt.date(2025, month, of_month)


def noon(on: dt.date) -> dt.datetime:
    return dt.datetime.combine(on, dt.time(12), dt.UTC)


@pytest.fixture
def money(cast) -> Money:
    return Money(cast.a)


@pytest.fixture
def quarry(cast):
    return cast.a.site("DRV", currency="XTS")


def posted(money, adjustment):
    entry = journal_adjustment(adjustment, money.company.accountant)
    assert entry is not None
    assert entry.posted_at is not None
    return entry


def prepared(money, period, case):
    """The entries of a case that closing prepares, as tables."""
    close_journals(period, money.company.accountant)
    entries = JournalEntry.objects.filter(period=period, case_code=case).order_by("pk")
    return [as_table(entry) for entry in entries]


# --- adjustments ---------------------------------------------------------------------------------


def test_1_a_gain_and_2_its_reversal_cancel_to_the_cent(money, quarry, cast) -> None:
    sub_base = cast.a.material("M4")
    pile = money.pile(quarry, sub_base, "DRV-05", "27569")
    april, may = money.month(quarry, day(4)), money.month(quarry, day(5))
    gain = money.adjustment(april, pile, "884", "5.90", "measured")
    entry = posted(money, gain)
    assert as_table(entry) == [
        ("inventory", "DRV-05", D("5215.60"), NONE),
        ("adjustment", "DRV-05", NONE, D("5215.60")),
    ]
    back = posted(money, money.adjustment(may, pile, "-884", "5.90", "wrong-survey", "error", reverses=gain))
    assert back.reverses == entry
    assert as_table(back) == [
        ("inventory", "DRV-05", NONE, D("5215.60")),
        ("adjustment", "DRV-05", D("5215.60"), NONE),
    ]
    assert (entry.number, back.number) == ("DRV-2025-04-0001", "DRV-2025-05-0001")


@pytest.mark.parametrize(
    ("tonnes", "cost", "reason", "nature", "debit", "amount"),
    [
        ("-700", "4.10", "scale-over-reading", "error", "production-cost", "2870.00"),
        ("-113.250", "7.60", "unknown", "loss", "shrinkage", "860.70"),
        ("-56", "24.00", "natural-loss", "loss", "storage-loss", "1344.00"),
        ("-56", "24.00", "measured", "estimate", "adjustment", "1344.00"),
    ],
)
def test_3_4_6_a_shortage_debits_what_caused_it(
    money, quarry, cast, tonnes, cost, reason, nature, debit, amount
) -> None:
    pile = money.pile(quarry, cast.a.material("M1"), "DRV-01", "20000")
    entry = posted(money, money.adjustment(money.month(quarry, day(8)), pile, tonnes, cost, reason, nature))
    assert as_table(entry) == [
        (debit, "DRV-01", D(amount), NONE),
        ("inventory", "DRV-01", NONE, D(amount)),
    ]


def test_an_adjustment_is_journalised_once_and_only_when_approved(money, quarry, cast) -> None:
    pile = money.pile(quarry, cast.a.material("M1"), "DRV-01", "100")
    period = money.month(quarry, day(8))
    adjustment = money.adjustment(period, pile, "-10", "4.10", "unknown")
    assert posted(money, adjustment) == posted(money, adjustment)
    with pytest.raises(NotAllowed):
        journal_adjustment(money.adjustment(period, pile, "-3", "4.10", "unknown"), cast.a.manager)
    waiting = money.adjustment(period, pile, "-5", "4.10", "unknown")
    waiting.approved_by = None
    with pytest.raises(JournalRefused, match="Nothing was posted"):
        journal_adjustment(waiting, cast.a.accountant)
    tiny = money.adjustment(period, pile, "0.001", "4.10", "measured")
    assert journal_adjustment(tiny, cast.a.accountant) is None


# --- what closing prepares -------------------------------------------------------------------------


def test_5_a_late_sale_is_accrued_with_its_cost(money, cast) -> None:
    wharf = cast.a.site("TUL", currency="XTS")
    sand = cast.a.material("M5")
    money.value(sand, "6.40")
    money.value(sand, "11.00", "price")
    pile = money.pile(wharf, sand, "TUL-02", "12000")
    august, september = money.month(wharf, day(8)), money.month(wharf, day(9))
    close_to_lock(august)
    late = money.moved(pile, "sale", "412", day(8, 20), document="T-1", source="wb", accept_late=True)
    assert (late.belongs_to, period_of(wharf, late.book_on)) == (august, september)
    assert prepared(money, september, "late-sale") == [
        [
            ("unbilled-receivable", "TUL-02", D("4532.00"), NONE),
            ("revenue", "TUL-02", NONE, D("4532.00")),
            ("cost-of-goods-sold", "TUL-02", D("2636.80"), NONE),
            ("inventory", "TUL-02", NONE, D("2636.80")),
        ]
    ]
    entry = JournalEntry.objects.get(case_code="late-sale")
    assert "corrects 2025-08" in entry.text


def close_to_lock(period: Period) -> None:
    """Along the states that the database demands; the steps themselves are proven elsewhere."""
    for state in ("counting", "reconciled", "approved", "locked"):
        Period.objects.filter(pk=period.pk).update(state=state)


def test_7_fines_are_written_down_and_up_again_never_above_cost(money, quarry, cast) -> None:
    fines = cast.a.material("M1")
    money.value(fines, "4.10")
    money.value(fines, "6.00", "nrv")
    money.value(fines, "3.70", "nrv", valid_from=day(11, 1))
    money.value(fines, "5.00", "nrv", valid_from=day(12, 1))
    money.pile(quarry, fines, "DRV-01", "19144")
    october, november, december = (money.month(quarry, day(month)) for month in (10, 11, 12))
    assert prepared(money, october, "nrv-write-down") == []
    assert prepared(money, november, "nrv-write-down") == [
        [("write-down", "DRV-01", D("7657.60"), NONE), ("allowance", "DRV-01", NONE, D("7657.60"))]
    ]
    value = PeriodValue.objects.get(period=november)
    assert (value.unit_cost, value.nrv_unit, value.carrying_amount) == (D("4.10"), D("3.70"), D("70832.80"))
    assert prepared(money, december, "nrv-reversal") == [
        [("allowance", "DRV-01", D("7657.60"), NONE), ("write-down", "DRV-01", NONE, D("7657.60"))]
    ]
    assert PeriodValue.objects.get(period=december).carrying_amount == D("78490.40")


def test_8_a_transfer_arrives_at_cost_plus_haul(money, quarry, cast) -> None:
    wharf, stone = cast.a.site("TUL", currency="XTS"), cast.a.material("M3")
    money.value(stone, "7.60")
    source, target = money.pile(quarry, stone, "DRV-07", "5000"), money.pile(wharf, stone, "TUL-04", "100")
    period, there = money.month(quarry, day(7)), money.month(wharf, day(7))
    given = {"quantity": D("500"), "moved_at": noon(day(7)), "by": cast.a.accountant}
    transfer = record_transfer(source, target, **given, unit_price=D("2.25"))
    assert transfer.into.tonnes == 500
    table = [
        ("inventory", "TUL-04", D("4925.00"), NONE),
        ("inventory", "DRV-07", NONE, D("3800.00")),
        ("haulage-clearing", "TUL-04", NONE, D("1125.00")),
    ]
    assert prepared(money, period, "transfer") == [table]
    close_journals(there, cast.a.accountant)
    # The quarry's entry carries both sites; the wharf prepares none of its own.
    assert not JournalEntry.objects.filter(period=there).exists()
    pool = PeriodPool.objects.get(period=there)
    assert (pool.tonnes, pool.amount) == (D(600), D("5685.00"))  # 100 at 7.60, and 4,925.00


def test_9_a_merge_has_no_profit_effect(money, quarry, cast) -> None:
    stone = cast.a.material("M3")
    money.value(stone, "7.60")
    one, two = money.pile(quarry, stone, "DRV-03", "6327"), money.pile(quarry, stone, "DRV-04", "17335")
    new = money.pile(quarry, stone, "DRV-07")
    july = money.month(quarry, day(7))
    for pile, tonnes in ((one, "6327"), (two, "17335")):
        lineage(pile, new, D(tonnes), money)
    tables = prepared(money, july, "merge")
    assert tables == [
        [("inventory", "DRV-07", D("48085.20"), NONE), ("inventory", "DRV-03", NONE, D("48085.20"))],
        [("inventory", "DRV-07", D("131746.00"), NONE), ("inventory", "DRV-04", NONE, D("131746.00"))],
    ]
    assert PeriodValue.objects.get(period=july).cost_amount == D("179831.20")


def lineage(source, target, tonnes, money) -> None:
    common = {
        "site": source.site,
        "moved_at": noon(day(7, 1)),
        "book_on": day(7, 1),
        "recorded_at": noon(day(7, 1)),
        "recorded_by": money.company.manager,
    }
    out = Movement.objects.create(pile=source, kind="lineage-out", tonnes=-tonnes, **common)
    into = Movement.objects.create(pile=target, kind="lineage-in", tonnes=tonnes, other_leg=out, **common)
    Movement.objects.filter(pk=out.pk).update(other_leg=into)


def test_10_own_works_go_to_the_job_at_cost(money, quarry, cast) -> None:
    sub_base = cast.a.material("M4")
    money.value(sub_base, "5.90")
    pile = money.pile(quarry, sub_base, "DRV-05", "1000")
    period = money.month(quarry, day(3))
    money.moved(pile, "own-works", "120.500", day(3))
    assert prepared(money, period, "own-works") == [
        [("job-cost", "DRV-05", D("710.95"), NONE), ("inventory", "DRV-05", NONE, D("710.95"))]
    ]


# --- what holds for all ----------------------------------------------------------------------------


def test_closing_twice_changes_nothing_and_what_holds_no_longer_is_reversed(money, quarry, cast) -> None:
    sub_base = cast.a.material("M4")
    money.value(sub_base, "5.90")
    pile = money.pile(quarry, sub_base, "DRV-05", "1000")
    period = money.month(quarry, day(3))
    used = money.moved(pile, "own-works", "100", day(3), document="J1", source="jobs")
    close_journals(period, cast.a.accountant)
    with pytest.raises(SamePerson):
        post_journals(period, cast.a.accountant)
    first = post_journals(period, cast.a.controller)
    assert [(entry.number, entry.approved_by) for entry in first] == [("DRV-2025-03-0001", cast.a.controller)]
    assert close_journals(period, cast.a.accountant) == []
    reverse_movement(used, by=cast.a.accountant, reason="wrong job")
    money.moved(pile, "own-works", "80", day(3), document="J2", source="jobs")
    waiting = close_journals(period, cast.a.accountant)
    assert [entry.case_code for entry in waiting] == ["reversal", "own-works"]
    post_journals(period, cast.a.controller)
    numbers = JournalEntry.objects.filter(period=period).order_by("number").values_list("number", flat=True)
    assert list(numbers) == [f"DRV-2025-03-000{n}" for n in (1, 2, 3)]
    assert ledger(period, "job-cost") == D("472.00")
    assert money_tasks(period) == []


def ledger(period, part):
    entries = JournalEntry.objects.filter(period=period, posted_at__isnull=False)
    lines = [line for entry in entries for line in entry.lines.all() if line.part == part]
    return sum(line.debit - line.credit for line in lines)


def test_what_is_left_to_do_is_told_as_tasks(money, quarry, cast) -> None:
    sub_base = cast.a.material("M4")
    period = money.month(quarry, day(3))
    assert money_tasks(period) == []
    money.value(sub_base, "5.90")
    money.pile(quarry, sub_base, "DRV-05", "1000")
    dear = money.pile(quarry, cast.a.material("M3"), "DRV-03", "10")
    assert "M3 at DRV has no approved cost" in money_tasks(period)[0]
    with pytest.raises(NoValueInForce, match="M3 at DRV"):
        close_journals(period, cast.a.accountant)
    money.value(dear.material, "7.60")
    assert "Value the period" in money_tasks(period)[0]
    money.moved(dear, "own-works", "1", day(3))
    close_journals(period, cast.a.accountant)
    assert money_tasks(period) == ["1 prepared journal entry waits to be posted by another person."]


def test_a_movement_after_reconciling_stops_the_values(money, quarry, cast) -> None:
    sub_base = cast.a.material("M4")
    money.value(sub_base, "5.90")
    pile = money.pile(quarry, sub_base, "DRV-05", "1000")
    period = money.month(quarry, day(3))
    flows = (
        "production",
        "purchases",
        "transfers_in",
        "sales",
        "transfers_out",
        "usage",
        "reclass",
        "adjustment",
    )
    PeriodLine.objects.create(
        period=period, pile=pile, opening_t=1000, book_closing_t=1000, **{f"{flow}_t": 0 for flow in flows}
    )
    close_journals(period, cast.a.accountant)
    money.moved(pile, "sale", "30", day(3))
    with pytest.raises(PeriodNotReady, match=r"DRV-05: line 1000\.000 t, movements 970\.000 t"):
        close_journals(period, cast.a.accountant)


def test_an_entry_that_does_not_balance_is_refused_twice(money, quarry, cast) -> None:
    period = money.month(quarry, day(3))
    lines = [Line("inventory", debit=D("10.00")), Line("revenue", credit=D("9.99"))]
    with pytest.raises(JournalRefused, match=r"apart by 0\.01"):
        prepare_entry(period, "gain", "x", lines, by=cast.a.accountant, subject="test:1")
    with pytest.raises(JournalRefused, match="debit 1 and credit 1"):
        check_balance([Line("inventory", debit=D(1), credit=D(1))], "x")
    good = [Line("inventory", debit=D("10.00")), Line("revenue", credit=D("10.00"))]
    entry = prepare_entry(period, "gain", "x", good, by=cast.a.accountant, subject="test:1")
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE inventory_journalline SET debit = 11 WHERE entry_id = %s AND line = 1", [entry.pk]
        )
    with pytest.raises(IntegrityError), transaction.atomic():
        post_journals(period, cast.a.controller)


@pytest.mark.parametrize("table", ["inventory_periodvalue", "inventory_periodpool", "inventory_journalentry"])
@pytest.mark.parametrize("verb", ["UPDATE", "DELETE"])
def test_a_locked_period_keeps_its_money(money, quarry, cast, table, verb) -> None:
    sub_base = cast.a.material("M4")
    money.value(sub_base, "5.90")
    pile = money.pile(quarry, sub_base, "DRV-05", "1000")
    period = money.month(quarry, day(3))
    money.moved(pile, "own-works", "100", day(3))
    close_journals(period, cast.a.accountant)
    post_journals(period, cast.a.controller)
    close_to_lock(period)
    column = "text = 'x'" if table.endswith("entry") else "tonnes = 1"
    words = f"UPDATE {table} SET {column}" if verb == "UPDATE" else f"DELETE FROM {table}"
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(words)
    with pytest.raises(BookRefused):
        close_journals(Period.objects.get(pk=period.pk), cast.a.accountant)


def test_a_customers_pile_has_no_value_and_the_formula_follows_the_material(money, quarry, cast) -> None:
    stone = cast.a.material("M3")
    account_for_material(stone, cost_method="fifo", by=cast.a.controller, reason="layers are kept apart")
    money.value(stone, "7.00")
    money.value(stone, "8.00", valid_from=day(3, 1))
    own = money.pile(quarry, stone, "DRV-03", "100")
    theirs = money.pile(quarry, stone, "DRV-04")
    owner = add_owner(cast.a.organization, code="C1", name="Customer A01", by=cast.a.manager)
    give_pile_to(theirs, owner, by=cast.a.manager)
    february, march = money.month(quarry, day(2)), money.month(quarry, day(3))
    close_journals(february, cast.a.accountant)
    money.moved(own, "production", "50", day(3))
    money.moved(own, "sale", "120", day(3))
    money.moved(theirs, "production", "999", day(3))
    close_journals(march, cast.a.accountant)
    pool = PeriodPool.objects.get(period=march)
    # 100 t at 7.00 leave first, then 20 of the 50 t at 8.00.
    assert (pool.tonnes, pool.amount, pool.layers) == (D(30), D("240.00"), [["30.000", "240.00"]])
    assert set(PeriodValue.objects.filter(period=march).values_list("pile__code", flat=True)) == {"DRV-03"}


def test_valuing_takes_the_same_queries_for_a_long_history(
    money, quarry, cast, django_assert_num_queries
) -> None:

    stone = cast.a.material("M3")
    money.value(stone, "7.00")
    pile = money.pile(quarry, stone, "DRV-03", "100")
    first, last = money.month(quarry, day(1, 15)), money.month(quarry, day(6))
    with CaptureQueriesContext(connection) as few:
        value_period(first)
    for month in range(1, 7):
        for of_month in range(1, 20, 3):
            money.moved(pile, "production", "10", day(month, of_month))
    money.pile(quarry, stone, "DRV-04", "50")
    with CaptureQueriesContext(connection) as many:
        value_period(last)
    assert len(many) == len(few) <= 8


def test_every_case_has_its_words_and_known_parts() -> None:
    assert all(case.words for case in CASES.values())
    assert {part for case in CASES.values() for part in (*case.debit, *case.credit)} == set(PARTS)
