"""Walls and partitions as people keep them, pinned by the measurements of their day."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import pypdf
import pytest
from django.db import IntegrityError, transaction

from inventory import yards
from inventory.errors import BadEntry, NotAllowed, SamePerson
from inventory.models import PartitionLine, Wall
from surveys import computing, footprints, measuring, review
from surveys.certificates.making import certificate
from surveys.errors import FootprintsOverlap
from surveys.models import State
from tests.cast import Cast, square
from tests.compute.bays import DEEP, FLOOR_M, WIDE, content, filled_bay
from tests.surveys.scene import DAY, Yard, frustum_rows, point_file, work
from tests.surveys.yards_scene import side_by_side

pytestmark = pytest.mark.django_db
NEW_YEAR, JULY = dt.date(2025, 1, 1), dt.date(2025, 7, 1)


FOOT = [[2000, 4000 + DEEP, FLOOR_M], [2000, 4000, FLOOR_M], [2000 + WIDE, 4000, FLOOR_M],
        [2000 + WIDE, 4000 + DEEP, FLOOR_M]]  # fmt: skip


def proposed_wall(yard: Yard, **changes: Any) -> Wall:
    given = {
        "code": "W1",
        "foot": FOOT,
        "height_m": "4",
        "valid_from": dt.date(2025, 1, 1),
        "reason": "built",
    }
    return yards.propose_wall(pile=yard.pile, by=yard.surveyor, **{**given, **changes})


def bay_file() -> bytes:
    rows = filled_bay(off_m=0.03)
    return point_file([f"{k},{y:.4f},{x:.4f},{z:.4f},{code}" for k, (x, y, z, code) in enumerate(rows, 1)])


def test_a_wall_in_force_is_pinned_and_closes_the_bay(yard: Yard) -> None:
    with_level = {"kind": "level", "level_m": "100", "valid_from": dt.date(2025, 2, 1), "reason": "floor"}
    yard.company.base(yard.pile, **with_level)
    wall = yards.approve(proposed_wall(yard), yard.lead)
    measurement = yard.computed(bay_file())
    assert measurement.request["walls"][0]["id"] == wall.pk
    assert float(measurement.record["net_m3"]) == pytest.approx(content(0.0), rel=1e-6)
    assert measurement.record["walls"][0]["corners"] == 2
    assert computing.recompute(measurement) == measurement.digest
    yard.accept_stops(measurement)
    approved = review.approve(yard.review(measurement), yard.lead)
    read = pypdf.PdfReader(io.BytesIO(certificate(approved).data))
    told = "\n".join(page.extract_text() for page in read.pages)
    assert "walls.W1.freeboard_m 1.000" in told


def test_a_measurement_without_walls_pins_nothing_of_them(yard: Yard) -> None:
    proposed_wall(yard)
    measurement = yard.computed()
    assert not {"walls", "partition"} & measurement.request.keys()
    assert not {"walls", "partition"} & measurement.record.keys()


def test_a_wall_is_dated_and_signed_by_two(yard: Yard, cast: Cast) -> None:
    wall = proposed_wall(yard)
    with pytest.raises(NotAllowed):
        yards.approve(wall, cast.a.accountant)
    both = yard.company.lead_surveyor
    own = yards.propose_wall(
        pile=yard.pile, by=both, code="W2", foot=FOOT, height_m="3", valid_from=DAY, reason="built"
    )
    with pytest.raises(SamePerson):
        yards.approve(own, both)
    yards.approve(wall, yard.lead)
    higher = yards.approve(proposed_wall(yard, height_m="5", valid_from=JULY, reason="raised"), yard.lead)
    assert [w.height_m for w in yards.walls_on(yard.pile, DAY)] == [4]
    assert yards.walls_on(yard.pile, JULY) == [higher]
    with pytest.raises(IntegrityError), transaction.atomic():
        Wall.objects.filter(pk=wall.pk).update(height_m=9)
    with pytest.raises(IntegrityError), transaction.atomic():
        wall.delete()


@pytest.mark.parametrize(
    "changes",
    [{"foot": FOOT[:1]}, {"foot": [[0, 0], [1, 1]]}, {"height_m": 0}, {"lean_deg": 60}, {"repose_deg": 70}],
)
def test_what_is_no_wall_is_refused(yard: Yard, changes: dict[str, Any]) -> None:
    with pytest.raises(BadEntry):
        proposed_wall(yard, **changes)
    assert not Wall.objects.exists()


# --- partition -----------------------------------------------------------------------------------


def divided(yard: Yard) -> PartitionLine:
    """The frustum of the scene, moved so that it lies over the border of both outlines."""
    line = [[50.0, -30.0], [50.0, 80.0]]
    partition = yards.propose_partition(
        left=yard.pile,
        right=yard.neighbour,
        line=line,
        repose_deg="35",
        valid_from=NEW_YEAR,
        reason="agreed with the foreman",
        by=yard.surveyor,
    )
    return yards.approve(partition, yard.lead)


def test_both_sides_of_a_partition_add_up_to_the_heap(yard: Yard) -> None:
    divided(yard)
    survey = yard.survey_with(point_file(frustum_rows(east_m=30.0)))
    sides = [
        work(measuring.request_measurement(survey, pile, yard.surveyor))
        for pile in (yard.pile, yard.neighbour)
    ]
    assert [m.request["partition"]["is_left"] for m in sides] == [True, False]
    # The line is the middle of the frustum: halves of Euclid's closed form, 14000/3.
    for m in sides:
        assert float(m.record["net_m3"]) == pytest.approx(14000 / 3 / 2, rel=1e-9)
        assert m.record["partition"]["u_m3"] > 0
        assert computing.recompute(m) == m.digest
        assert m.state == State.COMPUTED


def test_a_pile_has_one_partition_on_a_day(yard: Yard) -> None:
    divided(yard)
    third = yard.company.pile(yard.site, yard.pile.material, outline=square(-5, 60, 50))
    with pytest.raises(BadEntry) as refused:
        yards.propose_partition(
            left=yard.pile, right=third, line=[[0, 0], [9, 9]], repose_deg=35, valid_from=DAY,
            reason="another", by=yard.surveyor,
        )  # fmt: skip
    assert "divided already" in refused.value.message


# --- footprints ----------------------------------------------------------------------------------


def test_two_piles_on_the_same_ground_are_not_both_approved(yard: Yard) -> None:
    first, second = side_by_side(yard, 35.0)
    (seen,) = footprints.overlaps_on(first.survey)
    assert (seen.one, seen.other, round(seen.area_m2, 6)) == ("QRY-01", "QRY-02", 200.0)
    assert seen.counted_twice_m3 == pytest.approx(250 - 125 / 6)
    review.approve(first, yard.lead)
    with pytest.raises(FootprintsOverlap) as refused:
        review.approve(second, yard.lead)
    # 5 m of each lie over the other. ∫ (20u − u²/2) du over 5 m: a face of 1 in 2 with its two hips.
    assert "share 200.0 m² with 229.2 m³ on it" in refused.value.message
    second.refresh_from_db()
    assert second.state == State.REVIEWED


def test_piles_that_touch_are_approved(yard: Yard) -> None:
    for each in side_by_side(yard, 40.0):
        assert footprints.overlaps_on(each.survey) == []
        review.approve(each, yard.lead)
