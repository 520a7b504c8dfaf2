"""Stock now: the right counts, the right sums, and no more questions when history grows."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory import counting, piles
from inventory.models import Pile, StockCount
from inventory.stock import combine, stock_now

JUNE_30 = dt.date(2025, 6, 30)
JULY_1 = dt.date(2025, 7, 1)


def by_key(rollups):
    return {getattr(rollup.key, "code", rollup.key): rollup for rollup in rollups}


@pytest.fixture
def yard(company):
    """Two sites, two materials, three counted piles, one without a density, one never counted."""
    drv, tul = company.site("DRV"), company.site("TUL")
    stone, sand, chips = (company.material(code, f"Material {code}") for code in ("M3", "M5", "M8"))
    stone_record = company.density(stone, "1.42", standard_uncertainty_percent="1.5")
    sand_record = company.density(sand, "1.55", standard_uncertainty_percent="5")
    company.count(
        company.pile(drv, stone, "DRV-03"), JUNE_30, "4000", volume_u95_m3="40", record=stone_record
    )
    company.count(
        company.pile(tul, stone, "TUL-04"), JUNE_30, "3000", volume_u95_m3="30", record=stone_record
    )
    company.count(company.pile(tul, sand, "TUL-01"), JULY_1, "2000", volume_u95_m3="20", record=sand_record)
    company.count(company.pile(drv, chips, "DRV-09"), JULY_1, "100", volume_u95_m3="5")
    company.pile(drv, stone, "DRV-10")
    return company


def test_the_sums_by_material(yard):
    groups = by_key(stock_now(yard.manager, on=dt.date(2025, 7, 11)).by_material())
    assert list(groups) == ["M3", "M5", "M8"]
    stone = groups["M3"]
    assert stone.total.volume_m3 == 7000
    assert stone.total.volume_u95_m3 == 50  # 30 and 40 in quadrature
    assert stone.total.tonnes == Decimal(9940)
    # Volume: 1.42 × 50 = 71.0 in quadrature. Density: one record, 2 × 1.5 % of 9940 = 298.2, linear.
    assert stone.total.tonnes_u95_t == Decimal("306.535")
    assert (stone.not_counted_n, stone.total.without_tonnes_n, stone.is_complete) == (1, 0, False)
    assert stone.oldest_age_days == 11
    assert (groups["M5"].total.tonnes, groups["M5"].is_complete) == (Decimal(3100), True)
    chips = groups["M8"]
    assert (chips.total.tonnes, chips.total.tonnes_u95_t) == (None, None)
    assert (chips.total.volume_m3, chips.total.without_tonnes_n, chips.is_complete) == (100, 1, False)


def test_the_sums_by_site_and_of_everything(yard):
    stock = stock_now(yard.accountant, on=dt.date(2025, 7, 11))
    groups = by_key(stock.by_site())
    assert groups["DRV"].total.tonnes == Decimal(5680)
    assert groups["TUL"].total.tonnes == Decimal(7360)
    everything = stock.everything.total
    assert everything.tonnes == Decimal(13040)
    # Different materials are independent: 306.535 and 2 × 5 % of 3100 = 310 with 31 of volume.
    assert everything.tonnes_u95_t == (Decimal("306.535") ** 2 + 310**2 + 31**2).sqrt().quantize(
        Decimal("0.001")
    )
    pairs = [(site.code, material.code) for site, material in (r.key for r in stock.by_site_and_material())]
    assert pairs == [("DRV", "M3"), ("DRV", "M8"), ("TUL", "M3"), ("TUL", "M5")]


def test_one_site_alone(yard):
    site = yard.organization.sites.get(code="TUL")
    stock = stock_now(yard.manager, on=JULY_1, site=site)
    assert [row.pile.code for row in stock.piles] == ["TUL-01", "TUL-04"]


def test_a_day_in_the_past_shows_what_was_counted_by_then(yard):
    stock = stock_now(yard.manager, on=JUNE_30)
    assert stock.everything.total.volume_m3 == 7000
    assert stock_now(yard.manager, on=dt.date(2024, 12, 31)).piles == ()


def test_the_newest_standing_count_is_taken(company):
    pile = company.pile(company.site(), company.material())
    company.count(pile, dt.date(2025, 5, 31), "500")
    first = company.count(pile, JUNE_30, "700")
    assert stock_now(company.manager, on=JULY_1).piles[0].counts == (first,)
    right = company.count(pile, JUNE_30, "650", supersedes=first)
    assert stock_now(company.manager, on=JULY_1).piles[0].counts == (right,)
    counting.withdraw_stock_count(right.evidence_ref, by=company.lead_surveyor, reason="wrong pile")
    assert stock_now(company.manager, on=JULY_1).everything.total.volume_m3 == 500


def test_a_merged_pile_holds_what_its_parts_held_until_it_is_counted(company):
    site, stone = company.site(), company.material()
    parts = [company.pile(site, stone, code) for code in ("A", "B")]
    counts = [
        company.count(pile, JUNE_30, volume) for pile, volume in zip(parts, ("4000", "3000"), strict=True)
    ]
    given = {"by": company.manager, "reason": "ran together"}
    merged = piles.merge_piles(parts, code="C", name="C", on=JULY_1, **given)
    moved = piles.move_pile(merged, site=site, code="D", name="D", on=dt.date(2025, 7, 5), **given)
    before = stock_now(company.manager, on=JUNE_30)
    assert [(row.pile.code, row.is_carried) for row in before.piles] == [("A", False), ("B", False)]
    for day, code in ((JULY_1, "C"), (dt.date(2025, 7, 5), "D")):
        (row,) = stock_now(company.manager, on=day).piles
        assert (row.pile.code, row.is_carried, row.total.volume_m3) == (code, True, 7000)
        assert set(row.counts) == set(counts)
        assert row.age_days == (day - JUNE_30).days
    own = company.count(moved, dt.date(2025, 7, 31), "6900")
    (row,) = stock_now(company.manager, on=dt.date(2025, 8, 1)).piles
    assert (row.counts, row.is_carried) == ((own,), False)


def test_a_split_never_counts_the_same_material_twice(company):
    pile = company.pile(company.site(), company.material(), "A")
    company.count(pile, JUNE_30, "4000")
    piles.split_pile(pile, code="B", name="B", on=JULY_1, by=company.manager, reason="bay needed")
    stock = stock_now(company.manager, on=JULY_1)
    assert stock.everything.total.volume_m3 == 4000
    assert stock.everything.not_counted_n == 1


def test_moisture_bases_are_not_added_up(company):
    site, stone = company.site(), company.material()
    for code, basis in (("A", "as-received"), ("B", "dry")):
        pile = company.pile(site, stone, code)
        record = company.density(stone, pile=pile, moisture_basis=basis)
        company.count(pile, JUNE_30, record=record)
    total = stock_now(company.manager, on=JULY_1).everything.total
    assert (total.volume_m3, total.tonnes, total.tonnes_u95_t, total.is_mixed_basis) == (
        2000,
        None,
        None,
        True,
    )


def test_age_counts_the_site_s_own_days(company):
    today = timezone.now()
    site = company.site("FAR", timezone="Pacific/Kiritimati")  # UTC+14
    pile = company.pile(site, company.material())
    company.count(pile, site.date_of(today) - dt.timedelta(days=3))
    assert stock_now(company.manager).piles[0].age_days == 3


def test_nobody_else_s_stock(cast, yard):
    assert stock_now(cast.outsider, on=JULY_1).piles == ()


def test_an_empty_yard_has_no_tonnes_and_no_doubt(company):
    total = stock_now(company.manager).everything.total
    assert (total.volume_m3, total.volume_u95_m3, total.tonnes, total.tonnes_u95_t) == (0, 0, None, None)


@pytest.fixture
def grow(company):
    site, stone = company.site(), company.material()
    record = company.density(stone)

    def make(piles_n, counts_n):
        for number in range(piles_n):
            pile = company.pile(site, stone, f"P{Pile.objects.count():03d}-{number}")
            StockCount.objects.bulk_create(
                StockCount(
                    pile=pile,
                    counted_on=dt.date(2025, 1, 1) + dt.timedelta(days=7 * n),
                    counted_at=dt.datetime(2025, 1, 1, 12, tzinfo=dt.UTC) + dt.timedelta(days=7 * n),
                    volume_m3=100 + n,
                    below_base_m3=0,
                    volume_u95_m3=2,
                    tonnes=(100 + n) * record.t_per_m3,
                    tonnes_u95_t=5,
                    density=record,
                    evidence_ref=f"{pile.pk}/{n}",
                    evidence_digest="d",
                    recorded_by=company.lead_surveyor,
                    recorded_at=dt.datetime(2025, 7, 1, tzinfo=dt.UTC),
                )
                for n in range(counts_n)
            )

    return make


@pytest.mark.parametrize(("piles_n", "counts_n"), [(2, 1), (2, 24), (30, 24)])
def test_three_questions_whatever_the_history(company, grow, django_assert_num_queries, piles_n, counts_n):
    grow(piles_n, counts_n)
    with django_assert_num_queries(3):
        stock = stock_now(company.manager, on=dt.date(2025, 12, 31))
        stock.by_material(), stock.by_site(), stock.by_site_and_material()
        assert stock.everything.total.volume_m3 == piles_n * (99 + counts_n)


def test_combining_needs_no_question(company, grow, django_assert_num_queries):
    grow(2, 2)
    counts = list(StockCount.objects.select_related("density"))
    with django_assert_num_queries(0):
        assert combine(counts).volume_m3 == 402
