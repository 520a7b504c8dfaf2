"""The spacing term against the real loss of a pile whose true volume is known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.building import BaseChoice
from compute.leave_out import FOLDS, MANY_SHOTS, SHARE_WHEN_NOTHING_CAN_GO, along_curve, judged, leave_out
from compute.line_graph import chains_of
from compute.records import Volume
from tests.compute import cases
from tests.compute import standard_pile as pile


def volume(net: float) -> Volume:
    return Volume(max(net, 0.0), max(-net, 0.0), net, 1.0, 1.0, 0.0)


def test_loss_that_goes_with_the_square_of_the_spacing_is_found_exactly():
    # V(h) = 1000 − 5 h²: at h = 2 it reads 980; thinned to h² = 5 it reads 975. The loss is 20.
    found = judged(volume(980.0), "", [975.0] * FOLDS, 0.8, 5.0 / 4.0)
    assert found.expected_loss_m3 == pytest.approx(20.0)
    assert found.scatter_m3 == 0.0
    assert found.u_spacing_m3 == pytest.approx(20.0)


def test_shots_that_fell_at_random_give_the_share_formula():
    # A fifth dropped from random shots: h² grows by 1/(1 − f), so the loss is (V − V′)(1 − f)/f = 4 (V − V′).
    found = judged(volume(980.0), "", [975.0] * FOLDS, 0.8, 1.0 / 0.8)
    assert found.expected_loss_m3 == pytest.approx(4.0 * 5.0)


def test_group_jackknife_of_a_mean():
    """Five groups of a mean: the jackknife is the usual standard error of the mean. Closed form."""
    groups = np.array([3.0, 5.0, 4.0, 9.0, 1.0])
    without = [(groups.sum() - g) / 4 for g in groups]
    found = judged(volume(float(groups.mean())), "", without, 0.8, 1.25)
    assert found.scatter_m3 == pytest.approx(groups.std(ddof=1) / np.sqrt(5))


SPACINGS = [
    # spacing m, real loss %, from the simulation below: own arithmetic, not published
    (1.0, 0.04),
    (2.0, 0.17),
    (3.0, 0.37),
    (4.0, 0.66),
    (6.0, 1.43),
    (10.0, 3.57),
]


@pytest.mark.parametrize(("spacing_m", "loss_percent"), SPACINGS)
def test_spacing_term_covers_the_real_loss_and_is_no_more_than_twice_it(spacing_m, loss_percent):
    """Toe and crest lines and shaken grids of the standard pile, six each, on a known floor."""
    for seed in range(6):
        case = cases.standard_case(spacing_m, seed)
        real = pile.VOLUME_M3 - case.volume.net_m3
        assert 100.0 * real / pile.VOLUME_M3 == pytest.approx(loss_percent, rel=0.35)
        found = leave_out(case)
        assert abs(real) <= 2.0 * found.u_spacing_m3
        assert found.u_spacing_m3 <= 2.6 * real
        assert found.expected_loss_m3 > 0.0


def test_the_same_survey_gives_the_same_bits_in_any_order_of_rows():
    points, lines, ring = pile.shots_of_survey(4.0)
    shuffled = np.random.default_rng(5).permutation(len(points))
    place = np.argsort(shuffled)
    level = BaseChoice("level", level_m=cases.FLOOR)
    found = []
    for p, toe, crest in ((points, ring, lines[0]), (points[shuffled], place[ring], place[lines[0]])):
        shots = cases.shots_of(p, {"toe": toe, "crest": crest})
        if p is not points:
            # The crest is joined in the order of the rows' numbers, so these stay with their shots.
            shots = dataclasses.replace(shots, line=(shuffled + 1).astype(np.int32))
        request = cases.MeasureRequest(top=shots, base=level)
        found.append(leave_out(cases.measure(request).case))
    assert found[0] == found[1]


@pytest.mark.parametrize("base", ["toe", "plane", "lowest-toe"])
def test_an_own_base_is_made_anew_in_every_fold(base):
    found = leave_out(cases.standard_case(4.0, base=base))
    level = leave_out(cases.standard_case(4.0))
    # On a level pad every own base is the same level, so the folds are those of the fixed level.
    assert found.nets_m3 == pytest.approx(level.nets_m3, rel=1e-9)


def test_a_surveyed_base_and_a_drawn_edge():
    points, _, _ = pile.shots_of_survey(3.0)
    rng = np.random.default_rng(2)
    ground = np.column_stack([rng.uniform(-60, 60, (200, 2)), np.zeros(200)])
    corners = np.array([[-70, -70, 0], [70, -70, 0], [70, 70, 0], [-70, 70, 0.0]])
    base = BaseChoice("surface", shots=cases.shots_of(np.vstack([ground, corners]), {"ground": slice(None)}))
    ring = pile.stadium(12.0, 4.0) + np.array([cases.EAST, cases.NORTH])
    found = leave_out(cases.measured(points, base, edge=ring))
    assert len(found.nets_m3) == FOLDS
    assert 0.0 < found.u_spacing_m3 < 0.02 * pile.VOLUME_M3


def test_too_few_shots_to_leave_out_take_the_sparsest_loss_known():
    corners = np.array([[0, 0, 3.0], [10, 0, 3.0], [10, 10, 3.0], [0, 10, 3.0]])
    case = cases.measured(corners, BaseChoice("level", level_m=cases.FLOOR))
    found = leave_out(case)
    assert found.kind == "too few shots to leave any out"
    assert found.u_spacing_m3 == pytest.approx(SHARE_WHEN_NOTHING_CAN_GO * 300.0)


def test_a_large_scan_is_judged_from_two_sixteenths():
    rng = np.random.default_rng(4)
    xy = np.column_stack([rng.uniform(-38, 38, 30_000), rng.uniform(-18, 18, 30_000)])
    points = np.column_stack([xy, pile.height_m(*xy.T)])
    assert len(points) > MANY_SHOTS
    case = cases.measured(points, BaseChoice("level", level_m=cases.FLOOR))
    found = leave_out(case)
    real = pile.VOLUME_M3 - case.volume.net_m3
    assert found.kind == "two even sixteenths of the shots"
    # The hollow bend at the toe reads high where the crest reads low: hardly anything is left.
    assert abs(real) <= 2.0 * found.u_spacing_m3
    assert found.u_spacing_m3 < 1e-3 * pile.VOLUME_M3


# --- order and lines -----------------------------------------------------------------------------


@given(seed=st.integers(0, 1_000))
@settings(max_examples=20, deadline=None)
def test_neighbours_along_the_curve_are_neighbours_on_the_ground(seed):
    xy = np.random.default_rng(seed).uniform(0, 100, (400, 2))
    order = along_curve(xy)
    assert sorted(order.tolist()) == list(range(400))
    steps = np.hypot(*np.diff(xy[order], axis=0).T)
    # 400 shots on 100 m × 100 m stand 5 m apart; a walk in random order would step 52 m.
    assert steps.mean() < 7.5


def test_the_curve_visits_every_cell_of_a_grid_by_single_steps():
    """Definition of Hilbert's curve: each step goes to one of the four neighbours."""
    grid = np.stack(np.meshgrid(np.arange(16.0), np.arange(16.0)), axis=-1).reshape(-1, 2)
    walk = grid[along_curve(grid)]
    assert np.abs(np.diff(walk, axis=0)).sum(axis=1).tolist() == [1.0] * 255


def test_every_fifth_of_the_curve_is_spread_evenly():
    xy = np.random.default_rng(8).uniform(0, 100, (2_000, 2))
    for k in range(FOLDS):
        part = xy[along_curve(xy)[k::FOLDS]]
        counts = np.histogram2d(*part.T, bins=4, range=[[0, 100], [0, 100]])[0]
        assert counts.min() > 15
        assert counts.max() < 37


def test_chains_end_at_junctions_and_never_drop_them():
    # A ring 0–5, a line 0–6–7–8 from it, a closed line 9–10–11, a branch 7–12.
    ring = np.arange(6, dtype=np.int32)
    ring_sides = [(k, (k + 1) % 6) for k in range(6)]
    other = [(0, 6), (6, 7), (7, 8), (9, 10), (10, 11), (9, 11), (7, 12)]
    lines = np.sort(np.array(ring_sides + other, np.int32), axis=1)
    chains = chains_of(lines, ring)
    assert chains[0].is_ring
    assert chains[0].vertices.tolist() == list(range(6))
    assert 0 not in chains[0].inner(5)
    open_ones = {tuple(c.vertices.tolist()) for c in chains if not c.closed}
    assert {frozenset((c[0], c[-1])) for c in open_ones} == {frozenset(p) for p in ((0, 7), (7, 8), (7, 12))}
    assert [c.inner(5).tolist() for c in chains if c.vertices.tolist() == [0, 6, 7]] == [[6]]
    (closed,) = [c for c in chains if c.closed and not c.is_ring]
    assert sorted(closed.vertices.tolist()) == [9, 10, 11]
    drop = np.zeros(13, bool)
    drop[6] = True
    (first,) = [c for c in chains if 6 in c.vertices]
    assert sorted(first.segments(drop).ravel().tolist()) == [0, 7]


def test_a_corner_of_the_toe_is_kept_where_a_line_stands_in_it():
    """Dropping a toe shot must not put a crest shot outside the ring."""
    case = cases.standard_case(8.0)
    found = leave_out(case)
    assert np.isfinite(found.nets_m3).all()
    assert max(found.nets_m3) < 1.05 * case.volume.net_m3
