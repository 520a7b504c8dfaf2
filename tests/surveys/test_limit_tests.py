"""Limits against closed forms: what a frustum is high, steep, wide and heavy; margins; trends."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import limits
from inventory.models import Limit, Pile
from surveys import surface_facts
from surveys.limit_tests import LimitTest, limit_tests, net_changes
from tests.cast import OPENED_ON
from tests.surveys.scene import CREST_M, DAY, SIDE_M, Yard, frustum_m3, heap

pytestmark = pytest.mark.django_db
BATTER_M = (SIDE_M - CREST_M) / 2


def limit(yard: Yard, quantity: str, given: Any, unit: str, operator: str = "max", **more: Any) -> Limit:
    said = {"pile": yard.pile, "source": "Permit 7", "consequence": "tipping stops", **more}
    proposed = limits.propose_limit(
        site=yard.site, quantity=quantity, operator=operator, given=given, unit=unit,
        reason="yearly", valid_from=OPENED_ON, by=yard.surveyor, **said,
    )  # fmt: skip
    return limits.approve_limit(proposed, yard.company.manager)


def only(yard: Yard, on: dt.date = DAY) -> LimitTest:
    surface_facts.fill()
    (test,) = limit_tests(yard.surveyor, on)
    return test


@pytest.mark.parametrize(
    ("quantity", "given", "unit", "value"),
    [
        ("height", "6", "metre", 5.0),
        ("area", "2000", "square-metre", SIDE_M**2),
        ("volume", "6000", "cubic-metre", frustum_m3(5.0)),
        ("tonnes", "9000", "tonne", 1.6 * frustum_m3(5.0)),
        ("slope", "45", "degree", math.degrees(math.atan(5.0 / BATTER_M))),
        ("age", "200", "day", float((DAY - OPENED_ON).days)),
    ],
)
def test_each_quantity_is_the_closed_form_of_the_frustum(
    yard: Yard, quantity: str, given: str, unit: str, value: float
) -> None:
    yard.approved()
    bound = limit(yard, quantity, given, unit)
    test = only(yard)
    assert test.value == pytest.approx(value, rel=1e-6)
    assert test.margin == pytest.approx(float(bound.value) - value, rel=1e-6)
    assert test.state == ("near" if value >= 0.9 * float(bound.value) else "within")


def test_height_above_natural_ground_is_from_the_level_that_the_limit_names(yard: Yard) -> None:
    yard.approved()
    limit(yard, "height-above-natural", "8", "metre", reference_level_m="98.5")
    assert only(yard).value == pytest.approx(105.0 - 98.5)


def test_without_that_level_it_is_not_testable_and_says_so(yard: Yard) -> None:
    yard.approved()
    limit(yard, "height-above-natural", "8", "metre")
    test = only(yard)
    assert (test.state, test.value) == ("not-testable", None)
    assert "natural ground" in test.why


def test_setback_is_the_shortest_distance_to_the_boundary(yard: Yard) -> None:
    yard.approved()
    # The pile's east edge runs along x = 40; a slanted line comes to 40 + 7 at its nearest point.
    limit(yard, "setback", "6", "metre", "min", boundary=[[47.0, 20.0], [90.0, 60.0]])
    test = only(yard)
    assert test.value == pytest.approx(7.0, abs=2e-3)
    assert (test.state, test.margin) == ("within", pytest.approx(1.0, abs=2e-3))


def test_passed_by_little_or_much(yard: Yard) -> None:
    yard.approved()
    limit(yard, "height", "4.5", "metre")
    test = only(yard)
    assert (test.state, test.margin) == ("over", pytest.approx(-0.5))
    limit(yard, "volume", f"{frustum_m3(5.0) - 1:.3f}", "cubic-metre", source="Permit 8")
    over = {t.limit.quantity: t for t in limit_tests(yard.surveyor, DAY)}["volume"]
    assert over.state == "over"
    assert over.is_within_doubt


def test_not_measured_is_said(yard: Yard) -> None:
    limit(yard, "height", "6", "metre")
    test = only(yard)
    assert (test.state, test.why) == ("not-testable", "the pile has no approved measurement")


def test_a_limit_of_the_site_sums_and_will_not_guess_what_is_missing(yard: Yard) -> None:
    yard.approved()
    limit(yard, "volume", "20000", "cubic-metre", pile=None)
    test = only(yard)
    assert (test.state, test.why) == ("not-testable", f"not measured: {yard.neighbour.code}")


def test_a_steady_growth_reaches_the_limit_when_arithmetic_says(yard: Yard) -> None:
    """Heights 1.0, 1.5, … 4.0 m in seven months: half a metre a month to 5.25 m is two and a half months."""
    for month in range(1, 8):
        yard.approved(heap(0.5 + 0.5 * month), dt.date(2025, month, 28))
    limit(yard, "height", "5.25", "metre")
    trend = only(yard, dt.date(2025, 7, 28)).trend
    assert trend.crossing is not None
    assert trend.crossing.days == pytest.approx(2.5 * 365.25 / 12, rel=1e-6)
    assert trend.expected_on == dt.date(2025, 7, 28) + dt.timedelta(days=76)


def test_no_trend_under_six_months_of_change(yard: Yard) -> None:
    for month in range(1, 7):
        yard.approved(heap(0.5 + 0.5 * month), dt.date(2025, month, 28))
    limit(yard, "height", "5.25", "metre")
    trend = only(yard, dt.date(2025, 6, 28)).trend
    assert trend.crossing is None
    assert trend.refused == "5 months of change are known in a row; 6 are needed"


def test_changes_stop_at_a_gap() -> None:
    months = {(2024, 11): 9.0, (2024, 12): 1.0, (2025, 2): 2.0, (2025, 3): 5.0, (2025, 4): 4.0}
    assert net_changes(months) == [3.0, -1.0]
    assert net_changes({(2024, 12): 1.0, (2025, 1): 4.0}) == [3.0]


def test_an_upright_face_counts_by_its_surface_and_a_spike_does_not() -> None:
    """A level square with a step 3 m high and 10 m long over 1 mm, and a needle of 0.1 m² surface."""
    low, high = 0.0, 3.0
    vertices = np.array(
        [[0, 0, low], [5, 0, low], [5, 10, low], [0, 10, low], [5.001, 0, high], [5.001, 10, high]], float
    )
    triangles = np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]])
    ring = np.array([[-1.0, -1.0], [11.0, -1.0], [11.0, 11.0], [-1.0, 11.0]])
    steepest = surface_facts.steepest_face_deg(vertices, triangles, ring)
    assert steepest == pytest.approx(math.degrees(math.atan2(3.0, 0.001)))
    needle = np.array([[1, 1, 0], [1.001, 1, 0], [1.001, 1.05, 4.0]], float)
    flat = np.vstack([vertices[:4], needle])
    assert surface_facts.steepest_face_deg(flat, np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6]]), ring) == 0.0


def test_queries_do_not_grow_with_months_and_strangers_see_nothing(yard: Yard, cast: Any) -> None:
    limit(yard, "height", "6", "metre")
    yard.approved(heap(2.0), dt.date(2025, 3, 28))

    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as captured:
            limit_tests(yard.surveyor, DAY)
        return len(captured)

    one = queries()
    for month in (4, 5, 6):
        yard.approved(heap(2.0), dt.date(2025, month, 28))
    assert queries() == one == 3
    assert limit_tests(cast.outsider, DAY) == []
    assert Pile.objects.exists()
