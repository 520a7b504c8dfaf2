"""Walls: closed forms of what lies in a bay, upright and leaning, seen and hidden."""

from __future__ import annotations

import math

import numpy as np
import pytest

from compute.building import BaseChoice
from compute.errors import BadOption
from compute.walls import CONTACT_M
from tests.compute.bays import (
    DEEP,
    E_M,
    FLOOR_M,
    HIGH,
    LEVEL,
    N_M,
    WIDE,
    bay_wall,
    content,
    filled_bay,
    measured,
)
from tests.compute.shots_of import shots_of


def bent(rows: list[tuple]) -> list[tuple]:
    """One toe shot a hair out of line: without a wall no plane stands on a toe that is one straight line."""
    return [(x, y + 1e-3 if (c, x) == ("TOE", E_M + 10.0) else y, z, c) for x, y, z, c in rows]


def codes(measurement) -> list[str]:
    return [finding["code"] for finding in measurement.record["findings"]]


@pytest.mark.parametrize("off_m", [0.0, 0.03, 0.15])
def test_a_prism_against_walls_is_whole_though_the_pole_stood_off_them(off_m):
    rows = filled_bay(off_m=off_m)
    with_wall = measured(rows, bay_wall())
    assert with_wall.record["net_m3"] == pytest.approx(content(0.0), rel=1e-9)
    assert with_wall.record["walls"][0]["corners"] == 2
    # Two corners cut by the chord between contacts 1 m and 0.8 m from them, at full height.
    lost = content(0.0) - measured(bent(rows)).record["net_m3"]
    assert lost > 2 * 0.5 * 0.8 * 1.0 * HIGH - 0.01
    assert "cross-check-differs" not in codes(with_wall)


@pytest.mark.parametrize("base", ["level", "toe", "plane", "surface"])
@pytest.mark.parametrize("lean_deg", [-8.0, -2.0, 0.0, 3.0, 10.0])
def test_a_leaning_wall_closes_the_side_exactly_over_every_base(base, lean_deg):
    tangent = math.tan(math.radians(lean_deg))
    corners = [(-0.5, -0.5), (WIDE + 0.5, -0.5), (WIDE + 0.5, DEEP + 2), (-0.5, DEEP + 2)]
    choice = {
        "level": LEVEL,
        "surface": BaseChoice(
            "surface", shots=shots_of([(E_M + x, N_M + y, FLOOR_M, "GND") for x, y in corners])
        ),
    }.get(base) or BaseChoice(base)
    out = measured(filled_bay(tangent), bay_wall(lean_deg=lean_deg), base=choice)
    assert out.record["net_m3"] == pytest.approx(content(tangent), rel=1e-9)
    assert out.record["second_base"]["net_m3"] == pytest.approx(content(tangent), rel=1e-9)
    assert out.record["cross_check"]["net_m3"] == pytest.approx(content(tangent), rel=1e-6)
    if base == "level":
        plain = measured(bent(filled_bay(tangent))).record["net_m3"]
        sliver = out.record["walls"][0]["sliver_m3"]
        assert math.copysign(1, sliver) == -math.copysign(1, lean_deg) if lean_deg else sliver == 0
        assert abs(plain - content(tangent)) > abs(sliver) / 2


def test_a_surveyed_ground_that_ends_at_the_foot_still_carries_a_wall_that_leans_away():
    tangent = math.tan(math.radians(10.0))
    pad = [
        (E_M + x, N_M + y, FLOOR_M, "GND") for x, y in ((0, 0), (WIDE, 0), (WIDE, DEEP + 2), (0, DEEP + 2))
    ]
    out = measured(
        filled_bay(tangent), bay_wall(lean_deg=10.0), base=BaseChoice("surface", shots=shots_of(pad))
    )
    assert out.record["net_m3"] == pytest.approx(content(tangent), rel=1e-9)


@pytest.mark.parametrize("lean_deg", [-8.0, 10.0])
def test_the_sliver_under_a_leaning_face_is_its_closed_form(lean_deg):
    """The strip from foot to contact, its face rising from 0 to HIGH: mean height by the prismatoid rule."""
    tangent = math.tan(math.radians(lean_deg))
    out = HIGH * tangent

    def strip(z: float) -> float:
        # Area of the strip where the face is higher than z, in plan: from the foot line at height z outward.
        back = (WIDE + 2 * out) * (DEEP - HIGH + out) - (WIDE + 2 * z * tangent) * (DEEP - HIGH + z * tangent)
        return back + free_ends(z)

    def free_ends(z: float) -> float:
        # Beside the free face the strip is HIGH − z long in y, and as wide as the contact stands out there.
        return 2 * tangent * (HIGH - z) ** 2 / 2

    # strip(z) is a quadratic in z, so Simpson's rule integrates it exactly.
    sliver = -HIGH / 6 * (strip(0.0) + 4 * strip(HIGH / 2) + strip(HIGH))
    measurement = measured(filled_bay(tangent), bay_wall(lean_deg=lean_deg))
    assert measurement.record["walls"][0]["sliver_m3"] == pytest.approx(sliver, rel=1e-9)


def test_a_hidden_back_is_a_hole_and_its_declared_slope_stands_apart():
    rows = filled_bay(seen_from=2.0)
    steep = measured(rows, bay_wall(repose_deg=math.degrees(math.atan(1.5))))
    gentle = measured(rows, bay_wall(repose_deg=45.0))
    silent = measured(rows, bay_wall())
    for out, assumed in ((steep, WIDE * 3.0), (gentle, WIDE * (3.0 + 1.0) / 2 * 2.0), (silent, None)):
        (hole,) = out.record["walls"][0]["hidden"]
        assert hole["area_m2"] == pytest.approx(WIDE * 2.0)
        assert hole["assumed_m3"] == (assumed if assumed is None else pytest.approx(assumed, rel=1e-9))
        assert out.record["net_m3"] == pytest.approx(content(0.0) - WIDE * 2.0 * HIGH, rel=1e-9)
        assert "hidden-at-wall" in codes(out)
    assert steep.record["digest"] != gentle.record["digest"] != silent.record["digest"]
    assert "hidden-at-wall" not in codes(measured(filled_bay(), bay_wall()))


def test_a_declared_slope_without_a_base_under_it_gives_no_volume():
    out = measured(filled_bay(seen_from=2.0), bay_wall(repose_deg=40.0), base=BaseChoice("toe"))
    assert out.record["walls"][0]["hidden"][0]["assumed_m3"] is None


def test_freeboard_is_the_wall_over_the_highest_contact():
    kept = measured(filled_bay(), bay_wall(height_m=4.0))
    assert kept.record["walls"][0]["freeboard_m"] == pytest.approx(1.0)
    assert "over-wall" not in codes(kept)
    over = measured(filled_bay(), bay_wall(height_m=2.4))
    assert over.record["walls"][0]["freeboard_m"] == pytest.approx(-0.6)
    assert "over-wall" in codes(over)


def test_a_contact_shot_far_off_the_face_is_told_and_not_moved():
    assert "off-wall" not in codes(measured(filled_bay(off_m=CONTACT_M - 0.01), bay_wall()))
    assert "off-wall" in codes(measured(filled_bay(off_m=CONTACT_M + 0.01), bay_wall()))


def test_floor_in_a_corner_is_not_filled():
    """The toe runs round the south-west corner, within the usual gap: no corner is put there."""
    low = [r for r in filled_bay() if not (r[3] == "WAL" and r[0] < E_M + 4 and r[1] < N_M + 4)]
    toes = [(E_M, N_M + 3.0, FLOOR_M, "WAL"), (E_M + 4.0, N_M, FLOOR_M, "WAL")]
    toes += [(E_M + x, N_M + y, FLOOR_M, "TOE") for x, y in ((1.5, 2.5), (2.8, 1.4))]
    out = measured(low + toes, bay_wall())
    assert out.record["walls"][0]["corners"] == 1


def test_without_walls_the_record_and_its_digest_know_nothing_of_them():
    record = measured(bent(filled_bay())).record
    assert "walls" not in record
    with_wall = measured(filled_bay(), bay_wall()).record
    assert record["digest"] != with_wall["digest"]


@pytest.mark.parametrize(
    "changes",
    [{"height_m": 0.0}, {"lean_deg": 50.0}, {"repose_deg": 75.0}, {"foot_m": np.array([[0.0, 0, 0]])}],
)
def test_a_wall_that_is_none_is_refused_in_words(changes):
    with pytest.raises(BadOption) as refused:
        bay_wall(**changes)
    assert "W1" in refused.value.message
    assert refused.value.remedy
