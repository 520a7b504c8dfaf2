"""One door into the book: what enters, enters once, follows from its density and base, and stays."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from inventory import counting
from inventory.errors import (
    BadEntry,
    BaseNotInForce,
    CountNotCurrent,
    CountStands,
    EvidenceChanged,
    NotAllowed,
    NumberNotFinite,
    PileNotOpen,
    TonnesDoNotFollow,
)
from inventory.models import Role, StockCount

APRIL = dt.date(2025, 4, 30)
MAY = dt.date(2025, 5, 31)


@pytest.fixture
def pile(company):
    return company.pile(company.site("DRV"), company.material("M4", "Sub-base 0/40"), "DRV-05")


@pytest.fixture
def record(company, pile):
    return company.density(pile.material, "1.85")


def test_what_was_measured_is_what_the_book_holds(company, pile, record):
    base = company.base(pile)
    count = counting.record_stock_count(
        pile,
        counted_at=dt.datetime(2025, 4, 30, 14, 5, tzinfo=dt.UTC),
        volume_m3=14866.12345,
        below_base_m3=3.00049,
        volume_u95_m3=155.5556,
        tonnes=14866.12345 * 1.85,
        tonnes_u95_t=830.1,
        density=record,
        base=base,
        evidence_ref="measurement/7",
        evidence_digest="f" * 64,
        by=company.lead_surveyor,
    )
    count.refresh_from_db()
    assert count.volume_m3 == Decimal("14866.123")
    assert count.below_base_m3 == Decimal("3.000")
    assert count.volume_u95_m3 == Decimal("155.556")
    assert count.tonnes == Decimal("27502.328")
    assert count.tonnes_u95_t == Decimal("830.1")
    assert (count.pile, count.density, count.base, count.counted_on) == (pile, record, base, APRIL)
    assert (count.recorded_by, count.superseded_at) == (company.lead_surveyor, None)


def test_the_same_evidence_again_is_the_same_count(company, pile, record):
    first = company.count(pile, APRIL, "14866", record=record, evidence_ref="measurement/7")
    again = company.count(pile, APRIL, "14866", record=record, evidence_ref="measurement/7")
    assert again == first
    assert StockCount.objects.count() == 1


@pytest.mark.parametrize(
    ("volume_m3", "changed", "named"),
    [
        ("14867", {}, "another volume_m3, tonnes, tonnes_u95_t"),
        ("14866", {"evidence_digest": "e" * 64}, "another evidence_digest"),
        ("14866", {"counted_on": MAY}, "another counted_on"),
    ],
)
def test_the_same_evidence_with_other_figures_is_refused(company, pile, record, volume_m3, changed, named):
    company.count(pile, APRIL, "14866", record=record, evidence_ref="measurement/7")
    with pytest.raises(EvidenceChanged, match=named):
        company.count(pile, APRIL, volume_m3, record=record, evidence_ref="measurement/7", **changed)
    assert StockCount.objects.get().volume_m3 == Decimal(14866)


def test_the_same_evidence_again_after_its_correction_changes_nothing(company, pile):
    first = company.count(pile, APRIL, "15380", evidence_ref="measurement/7")
    second = company.count(pile, APRIL, "14866", evidence_ref="measurement/8", supersedes=first)
    assert company.count(pile, APRIL, "15380", evidence_ref="measurement/7") == first
    assert list(StockCount.objects.current()) == [second]


def test_a_correction_takes_the_place_of_what_it_corrects(company, pile):
    wrong = company.count(pile, APRIL, "15380")
    right = company.count(pile, APRIL, "14866", supersedes=wrong)
    wrong.refresh_from_db()
    assert wrong.superseded_by == right
    assert wrong.superseded_at == right.recorded_at
    assert wrong.volume_m3 == Decimal(15380)
    third = company.count(pile, APRIL, "14870", supersedes=right)
    assert list(pile.counts.current()) == [third]


def test_a_second_count_of_a_day_needs_to_say_what_it_corrects(company, pile):
    first = company.count(pile, APRIL, "15380", evidence_ref="measurement/7")
    with pytest.raises(
        CountStands, match=r"has a count of 2025-04-30 already: 15380\.000 m³, evidence measurement/7"
    ):
        company.count(pile, APRIL, "14866", evidence_ref="measurement/8")
    company.count(pile, MAY, "14866")
    assert set(pile.counts.current().values_list("counted_on", flat=True)) == {APRIL, MAY}
    assert first in pile.counts.current()


def test_a_correction_that_moves_to_a_taken_day_leaves_everything_as_it_was(company, pile):
    april, may = company.count(pile, APRIL), company.count(pile, MAY)
    with pytest.raises(CountStands):
        company.count(pile, MAY, "900", supersedes=april, evidence_ref="measurement/9")
    assert set(pile.counts.current()) == {april, may}


def test_only_what_stands_can_be_corrected(company, pile):
    first = company.count(pile, APRIL)
    company.count(pile, APRIL, "900", supersedes=first)
    with pytest.raises(CountNotCurrent):
        company.count(pile, APRIL, "800", supersedes=first)
    other = company.pile(pile.site, pile.material, "DRV-06")
    with pytest.raises(CountNotCurrent, match="another pile"):
        company.count(other, APRIL, "800", supersedes=pile.counts.current().get())


def test_a_withdrawn_count_makes_room_without_a_successor(company, pile):
    count = company.count(pile, APRIL, evidence_ref="measurement/7")
    withdrawn = counting.withdraw_stock_count("measurement/7", by=company.lead_surveyor, reason="wrong pile")
    again = counting.withdraw_stock_count("measurement/7", by=company.lead_surveyor, reason="twice")
    assert (again.withdrawn_reason, again.superseded_at) == ("wrong pile", withdrawn.superseded_at)
    assert not pile.counts.current().exists()
    new = company.count(pile, APRIL, "900")
    assert list(pile.counts.current()) == [new]
    assert count.pk != new.pk


def test_a_withdrawal_needs_a_reason_a_right_and_a_count_that_stands(company, pile):
    company.count(pile, APRIL, evidence_ref="measurement/7")
    with pytest.raises(BadEntry):
        counting.withdraw_stock_count("measurement/7", by=company.lead_surveyor, reason="")
    with pytest.raises(NotAllowed):
        counting.withdraw_stock_count("measurement/7", by=company.manager, reason="wrong pile")
    with pytest.raises(StockCount.DoesNotExist):
        counting.withdraw_stock_count("measurement/0", by=company.lead_surveyor, reason="wrong pile")
    company.count(pile, APRIL, "900", supersedes=pile.counts.get())
    with pytest.raises(CountNotCurrent):
        counting.withdraw_stock_count("measurement/7", by=company.lead_surveyor, reason="wrong pile")


def test_only_who_may_approve_records(cast, pile):
    for role in set(Role) - {Role.LEAD_SURVEYOR}:
        with pytest.raises(NotAllowed):
            cast.a.count(pile, APRIL, by=cast.a.people[role])
    with pytest.raises(NotAllowed):
        cast.a.count(pile, APRIL, by=cast.outsider)
    assert not StockCount.objects.exists()


def test_tonnes_follow_from_the_volume_and_the_density_in_force(company, pile, record):
    with pytest.raises(
        TonnesDoNotFollow, match=r"1000\.000 m³ at 1\.85 t/m³ are 1850\.000 t, not 1850\.100 t"
    ):
        company.count(pile, APRIL, record=record, tonnes=Decimal("1850.1"))
    newer = company.density(pile.material, "1.80", valid_from=dt.date(2025, 4, 1))
    with pytest.raises(TonnesDoNotFollow, match=f"that is {newer.label} \\(1.8 t/m³\\)"):
        company.count(pile, APRIL, record=record)
    assert company.count(pile, dt.date(2025, 3, 31), record=record).tonnes == Decimal(1850)


@pytest.mark.parametrize("missing", ["tonnes", "tonnes_u95_t", "density"])
def test_tonnes_uncertainty_and_density_come_together(company, pile, record, missing):
    with pytest.raises(BadEntry, match="come together"):
        company.count(pile, APRIL, record=record, **{missing: None})


def test_the_base_is_the_pile_s_own_and_in_force_on_the_day(company, pile):
    first = company.base(pile)
    second = company.base(pile, valid_from=MAY)
    with pytest.raises(BaseNotInForce):
        company.count(pile, MAY, base=first)
    assert company.count(pile, MAY, base=second).base == second
    other = company.pile(pile.site, pile.material, "DRV-06")
    with pytest.raises(BadEntry, match="of another pile"):
        company.count(pile, APRIL, base=company.base(other))


def test_a_pile_is_counted_only_on_days_it_exists(company, pile):
    pile.closed_on = MAY
    pile.save()
    with pytest.raises(PileNotOpen, match="opened on 2025-01-01, closed on 2025-05-31"):
        company.count(pile, MAY)
    with pytest.raises(PileNotOpen):
        company.count(pile, dt.date(2024, 12, 31))
    company.count(pile, MAY - dt.timedelta(days=1))


@pytest.mark.parametrize("name", ["below_base_m3", "volume_u95_m3"])
def test_parts_below_zero_are_refused(company, pile, name):
    with pytest.raises(BadEntry, match=name):
        company.count(pile, APRIL, **{name: Decimal("-0.01")})


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e12])
def test_no_quantity_that_is_not_finite_enters(company, pile, value):
    with pytest.raises(NumberNotFinite):
        company.count(pile, APRIL, **{"volume_m3": value, "below_base_m3": 0.0})


@pytest.mark.parametrize("name", ["evidence_ref", "evidence_digest"])
def test_nothing_enters_without_evidence(company, pile, name):
    with pytest.raises(BadEntry, match=name):
        company.count(pile, APRIL, **{name: " "})


def test_the_day_is_the_site_s_own(company):
    site = company.site("FAR", timezone="Pacific/Auckland", day_end=dt.time(6))
    pile = company.pile(site, company.material("M1", "Fines"))
    # 17:59 UTC on 29 April is 05:59 on 30 April in Auckland (UTC+12 after 6 April): still the day before.
    for minute, day in ((59, dt.date(2025, 4, 29)), (60, APRIL)):
        moment = dt.datetime(2025, 4, 29, 17, 0, tzinfo=dt.UTC) + dt.timedelta(minutes=minute)
        count = company.count(pile, day, counted_at=moment, counted_on=None, evidence_ref=f"m/{minute}")
        assert count.counted_on == day


def test_recording_asks_a_constant_number_of_questions(company, pile, record, django_assert_max_num_queries):
    base = company.base(pile)
    for month in range(2, 12):
        with django_assert_max_num_queries(14):
            company.count(pile, dt.date(2025, month, 15), record=record, base=base)
