"""Piles: opened once, never under another's code or on another's ground, followed by their lineage."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory import outlines, piles
from inventory.errors import (
    AcrossOrganizations,
    BadEntry,
    BadOutline,
    NameTaken,
    NotAllowed,
    OutlinesOverlap,
    PileNotOpen,
)
from inventory.models import PileLineage, Role
from tests.cast import OPENED_ON, square

JULY_1 = dt.date(2025, 7, 1)


@pytest.fixture
def site(company):
    return company.site("DRV")


@pytest.fixture
def stone(company):
    return company.material("M3", "Crushed stone 10/20")


@pytest.fixture
def two(company, site, stone):
    """Two neighbours, 10 m apart."""
    return (
        company.pile(site, stone, "DRV-03", outline=square(0), hazards="Undercut face, north side"),
        company.pile(site, stone, "DRV-04", outline=square(50)),
    )


def test_a_merge_closes_both_and_remembers_them(company, two):
    merged = piles.merge_piles(
        two,
        code="DRV-07",
        name="Two lobes",
        on=JULY_1,
        by=company.manager,
        reason="ran together",
        outline=[[0, 0], [90, 0], [90, 40], [0, 40]],
    )
    for pile in two:
        pile.refresh_from_db()
        assert pile.closed_on == JULY_1
        assert pile.is_open_on(dt.date(2025, 6, 30))
        assert not pile.is_open_on(JULY_1)
    assert merged.is_open_on(JULY_1)
    assert merged.material == two[0].material
    assert merged.hazards == "Undercut face, north side"
    lineage = PileLineage.objects.filter(to_pile=merged)
    assert {(link.from_pile.code, link.kind, link.effective_on) for link in lineage} == {
        ("DRV-03", "merged", JULY_1),
        ("DRV-04", "merged", JULY_1),
    }


def test_only_piles_of_one_site_and_material_merge(company, site, stone, two):
    other_material = company.pile(site, company.material("M1", "Fines"), "DRV-01")
    other_site = company.pile(company.site("TUL"), stone, "TUL-04")
    for other in (other_material, other_site):
        with pytest.raises(BadEntry, match="one site and one material"):
            piles.merge_piles([two[0], other], code="X", name="X", on=JULY_1, by=company.manager, reason="r")
    with pytest.raises(BadEntry, match="two piles"):
        piles.merge_piles([two[0], two[0]], code="X", name="X", on=JULY_1, by=company.manager, reason="r")


def test_a_merge_that_fails_changes_nothing(company, two):
    with pytest.raises(NameTaken):
        piles.merge_piles(two, code="DRV-03", name="Again", on=JULY_1, by=company.manager, reason="r")
    for pile in two:
        pile.refresh_from_db()
        assert pile.closed_on is None
    assert not PileLineage.objects.exists()


def test_a_split_leaves_the_first_pile_open(company, two):
    part = piles.split_pile(
        two[1],
        code="DRV-08",
        name="East part",
        on=JULY_1,
        by=company.manager,
        reason="bay needed",
        outline=square(70, side_m=20),
        rest_outline=square(50, side_m=20),
    )
    two[1].refresh_from_db()
    assert two[1].closed_on is None
    assert two[1].outline == square(50, side_m=20)
    assert part.predecessors.get().kind == "split"


def test_a_move_closes_here_and_opens_there(cast, two):
    company = cast.a
    wharf = company.site("TUL")
    moved = piles.move_pile(
        two[0],
        site=wharf,
        code="TUL-05",
        name="From the quarry",
        on=JULY_1,
        by=company.manager,
        reason="barge",
    )
    two[0].refresh_from_db()
    assert (two[0].closed_on, moved.site, moved.predecessors.get().kind) == (JULY_1, wharf, "moved")
    with pytest.raises(AcrossOrganizations):
        piles.move_pile(
            moved,
            site=cast.b.site("OTH"),
            code="X",
            name="X",
            on=dt.date(2025, 8, 1),
            by=company.manager,
            reason="r",
        )


def test_a_code_is_never_given_twice(company, site, stone, two):
    piles.close_pile(two[0], JULY_1, by=company.manager)
    with pytest.raises(NameTaken, match="never given twice"):
        company.pile(site, stone, "DRV-03")
    assert company.pile(company.site("TUL"), stone, "DRV-03")


def test_a_pile_closes_once_after_its_first_day_and_its_last_count(company, two):
    pile = two[0]
    company.count(pile, JULY_1)
    with pytest.raises(BadEntry, match="has a count of 2025-07-01"):
        piles.close_pile(pile, JULY_1, by=company.manager)
    with pytest.raises(BadEntry, match="never have existed"):
        piles.close_pile(pile, OPENED_ON, by=company.manager)
    piles.close_pile(pile, JULY_1 + dt.timedelta(days=1), by=company.manager)
    with pytest.raises(PileNotOpen, match="was closed on 2025-07-02"):
        piles.close_pile(pile, dt.date(2025, 8, 1), by=company.manager)


def test_names_and_hazards_change_by_those_who_may(company, two):
    pile = two[0]
    assert piles.rename_pile(pile, " North cone ", by=company.manager).name == "North cone"
    assert piles.record_hazards(pile, "Feeder below", by=company.accountant).hazards == "Feeder below"
    with pytest.raises(BadEntry):
        piles.rename_pile(pile, "", by=company.manager)
    with pytest.raises(NotAllowed):
        piles.record_hazards(pile, "none", by=company.auditor)


def test_every_verb_asks_for_the_right(cast, site, stone, two):
    refused = [cast.a.people[role] for role in set(Role) - {Role.MANAGER, Role.LEAD_SURVEYOR}]
    given = {"code": "X", "name": "X", "on": JULY_1, "reason": "r"}
    for user in [*refused, cast.outsider]:
        for attempt in (
            lambda by: piles.open_pile(
                site=site, code="X", name="X", material=stone, opened_on=JULY_1, by=by
            ),
            lambda by: piles.close_pile(two[0], JULY_1, by=by),
            lambda by: piles.rename_pile(two[0], "X", by=by),
            lambda by: piles.redraw_outline(two[0], square(), by=by),
            lambda by: piles.merge_piles(two, by=by, **given),
            lambda by: piles.split_pile(two[0], by=by, **given),
            lambda by: piles.move_pile(two[0], site=site, by=by, **given),
        ):
            with pytest.raises(NotAllowed):
                attempt(user)


def test_a_material_of_another_organization_is_refused(cast, site):
    with pytest.raises(AcrossOrganizations):
        cast.a.pile(site, cast.b.material())


def test_two_open_piles_do_not_claim_the_same_ground(company, site, stone, two):
    with pytest.raises(OutlinesOverlap, match=r"DRV-09 and DRV-03 share 400\.0 m²"):
        company.pile(site, stone, "DRV-09", outline=square(-20, -20))
    with pytest.raises(OutlinesOverlap):
        piles.redraw_outline(two[1], square(30), by=company.manager)
    # Touching, and a hair's breadth over the line, is how drawn lines are.
    company.pile(site, stone, "DRV-10", outline=square(0, 39.9))
    piles.close_pile(two[0], JULY_1, by=company.manager)
    company.pile(site, stone, "DRV-11", outline=square(-20, -20), opened_on=JULY_1)
    with pytest.raises(OutlinesOverlap):
        company.pile(site, stone, "DRV-12", outline=square(10, -20, 15), opened_on=dt.date(2025, 6, 30))


@pytest.mark.parametrize("far", [(0.0, 0.0), (500_000.0, 4_500_000.0)])
def test_a_ring_is_kept_counter_clockwise_and_open(far):
    east_m, north_m = far
    ring = square(east_m, north_m)
    assert outlines.checked_outline(ring) == ring
    assert outlines.checked_outline([*ring, ring[0]]) == ring
    assert outlines.checked_outline(ring[::-1]) == ring
    assert outlines.checked_outline([]) == []


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([[0, 0], [1, 1]], "has 2 corners"),
        ([[0, 0], [10, 10], [10, 0], [0, 10]], "self-intersection at easting 5.000, northing 5.000"),
        ([[0, 0], [10, 0], [10, 10], [5, 0], [0, 10]], "no simple ring"),
        ([[0, 0], [10, 0], [20, 0]], "no simple ring"),
        ([[0, 0], [0, 0], [0, 0]], "has 2 corners"),
        ([[0, 0], [0.5, 0], [0.5, 0.5], [0, 0.5]], "0.250 m²"),
        ([[0, 0, 3], [10, 0, 3], [10, 10, 3]], "Corner 1 has 3 values"),
        ([[0, 0], [10, "x"], [10, 10]], "Corner 2"),
        ([[0, 0], [10, float("nan")], [10, 10]], "Corner 2"),
    ],
)
def test_an_outline_that_is_no_ring_is_refused(points, words):
    with pytest.raises(BadOutline) as refused:
        outlines.checked_outline(points)
    assert words in refused.value.message
    assert refused.value.remedy


def test_a_crossing_is_named_in_the_site_frame():
    points = [[500_000 + e, 4_500_000 + n] for e, n in [(0, 0), (10, 10), (10, 0), (0, 10)]]
    with pytest.raises(BadOutline, match=r"easting 500005\.000, northing 4500005\.000"):
        outlines.checked_outline(points)
