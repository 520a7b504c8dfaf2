"""Two piles on one surface: the parts add up to the whole, and the split's own doubt is its closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from compute.building import BaseChoice
from compute.errors import BadOption
from compute.measure import Measurement, MeasureRequest, measure
from compute.partition import Footprint, Partition, overlaps
from compute.surface import make_edge
from compute.triangulate import triangulate
from tests.compute.crew import Pile, crew_shots
from tests.compute.shots_of import shots_of

E_M, N_M = 2000.0, 4000.0
REPOSE_DEG = 35.0
LEVEL = BaseChoice("level", level_m=100.0)


def frustum() -> list[tuple]:
    """60 × 40 at the toe, 40 × 20 on top, 5 m high: faces of 1 in 2."""
    toe = [(x, y, 100.0, "TOE") for x in (0, 15, 30, 45, 60) for y in (0, 40)]
    toe += [(x, y, 100.0, "TOE") for y in (10, 20, 30) for x in (0, 60)]
    crest = [(10, 10), (30, 10), (50, 10), (50, 30), (30, 30), (10, 30), (10, 10)]
    rows = toe + [(x, y, 105.0, "CRS 1") for x, y in crest] + [(30, 20, 105.0, "SPT")]
    return [(E_M + x, N_M + y, z, code) for x, y, z, code in rows]


def line(x_from: float, x_to: float | None = None) -> np.ndarray:
    """A line from south to north beyond both sides of the heap: the west lies on its left."""
    return np.array([[E_M + x_from, N_M - 10], [E_M + (x_from if x_to is None else x_to), N_M + 50]])


def part(
    rows: list[tuple], line_m: np.ndarray, is_left: bool, base: BaseChoice = LEVEL, repose: float = REPOSE_DEG
) -> Measurement:
    partition = Partition(line_m, is_left, repose, "N-2")
    return measure(MeasureRequest(top=shots_of(rows), base=base, partition=partition))


def test_a_frustum_is_divided_at_its_closed_form():
    # West of x = 20: ∫ h (40 − 2h) dx with h = x/2 up to 10, then 10 m of the full section of 150 m².
    west = part(frustum(), line(20.0), True)
    assert west.record["net_m3"] == pytest.approx(1000 - 500 / 3 + 1500, rel=1e-12)
    assert west.record["edge"]["kind"] == "partition"
    assert west.record["plan_area_m2"] == pytest.approx(800.0)


def test_the_doubt_of_the_split_is_that_of_a_contact_at_the_angle_of_repose():
    west, east = (part(frustum(), line(20.0), left) for left in (True, False))
    # ∫ h² along x = 20: twice (y/2)² over 10 m, and 5² over 20 m.
    squares = 2 * (10**3 / 3) / 4 + 25 * 20
    moved = squares / (2 * math.tan(math.radians(REPOSE_DEG)))
    for side in (west, east):
        facts = side.record["partition"]
        assert facts["moved_m3"] == pytest.approx(moved, rel=1e-9)
        assert facts["u_m3"] == pytest.approx(moved / math.sqrt(3), rel=1e-9)
        assert facts["length_m"] == pytest.approx(40.0)
        assert facts["thickness_m"] == pytest.approx((2 * 25 + 5 * 20) / 40)
        assert side.record["uncertainty"]["terms"]["partition"] == facts["u_m3"]
    whole = measure(MeasureRequest(top=shots_of(frustum()), base=LEVEL)).record
    assert "partition" not in whole
    assert "partition" not in whole["uncertainty"]["terms"]
    assert west.record["uncertainty"]["net_m3"] > facts["u_m3"]


BENT = np.array([[E_M - 5, N_M + 3], [E_M + 30, N_M + 14.0], [E_M + 90, N_M + 25]])
HEAP = crew_shots(Pile(np.array([[0.0, 0], [72, 0], [72, 32], [0, 32]])), 4.0, 3)


@pytest.mark.parametrize("base", ["level", "toe", "plane", "lowest-toe", "surface"])
@pytest.mark.parametrize(
    "line_m", [line(31.7, 40.2), np.array([[E_M - 5, N_M + 3], [E_M + 30, N_M + 14.0], [E_M + 90, N_M + 25]])]
)
def test_the_parts_add_up_to_the_whole_over_every_base(base, line_m):
    rows = [(x + E_M, y + N_M, z, c) for x, y, z, c in HEAP]
    corners = [(-9, -9, 99.9), (90, -9, 100.1), (90, 50, 99.8), (-9, 50, 100.2)]
    ground = shots_of([(x + E_M, y + N_M, z, "GND") for x, y, z in corners])
    choice = {"level": LEVEL, "surface": BaseChoice("surface", shots=ground)}.get(base) or BaseChoice(base)
    whole = measure(MeasureRequest(top=shots_of(rows), base=choice)).record
    left, right = (part(rows, line_m, side, choice).record for side in (True, False))
    for figure in ("above_base_m3", "below_base_m3", "net_m3", "plan_area_m2"):
        assert left[figure] + right[figure] == pytest.approx(whole[figure], rel=1e-9, abs=1e-9)
    seconds = left["second_base"]["net_m3"] + right["second_base"]["net_m3"]
    assert seconds == pytest.approx(whole["second_base"]["net_m3"], rel=1e-9)
    assert left["cross_check"]["net_m3"] == pytest.approx(left["net_m3"], rel=5e-4)
    assert left["digest"] != right["digest"]


@pytest.mark.parametrize(
    "line_m",
    [line(200.0), np.array([[E_M + 20, N_M + 10], [E_M + 20, N_M + 20]])],
    ids=["beside the heap", "ends inside it"],
)
def test_a_line_that_does_not_divide_the_heap_is_refused(line_m):
    with pytest.raises(BadOption) as refused:
        part(frustum(), line_m, True)
    assert "beyond the toe at both ends" in refused.value.remedy


@pytest.mark.parametrize("repose", [0.0, 90.0])
def test_a_slope_that_is_none_is_refused(repose):
    with pytest.raises(BadOption):
        Partition(line(20.0), True, repose)


# --- footprints of one date ----------------------------------------------------------------------


def block(code: str, west: float, high: float) -> Footprint:
    """A cuboid 20 × 20, `high` above the ground at 100 m."""
    ring = np.array([[west, 0.0], [west + 20, 0], [west + 20, 20], [west, 20]])
    top, ground = (triangulate(np.column_stack([ring, np.full(4, z)])) for z in (100.0 + high, 100.0))
    return Footprint(code, top, ground, make_edge("drawn", ring, np.full(4, -1)))


def test_an_overlap_is_told_with_its_area_and_what_is_counted_twice():
    (found,) = overlaps([block("B", 17.0, 2.0), block("A", 0.0, 5.0), block("C", 60.0, 4.0)])
    assert (found.one, found.other) == ("A", "B")
    assert found.area_m2 == pytest.approx(3 * 20)
    assert found.counted_twice_m3 == pytest.approx(3 * 20 * 2.0)


def test_piles_that_touch_or_overlap_by_a_pole_are_no_overlap():
    assert overlaps([block("A", 0.0, 5.0), block("B", 20.0, 2.0)]) == []
    assert overlaps([block("A", 0.0, 5.0), block("B", 19.96, 2.0)]) == []
    assert len(overlaps([block("A", 0.0, 5.0), block("B", 19.9, 2.0)])) == 1


def test_parts_of_one_partition_do_not_overlap():
    sides = [part(frustum(), line(20.0), left).case for left in (True, False)]
    found = overlaps([Footprint(str(k), c.top, c.base.surface, c.edge) for k, c in enumerate(sides)])
    assert found == []
