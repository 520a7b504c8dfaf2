"""A plan sees what can be seen, keeps off where it may not stand, and its spacing brings what it says."""

from __future__ import annotations

import dataclasses
import itertools
import math
from functools import cache

import numpy as np
import pytest
import shapely

from compute.errors import BadOption, NothingToMeasure
from compute.leave_out import leave_out
from compute.sight_lines import Terrain, growth_to, sees
from compute.station_choice import Places, choose, cost_of
from compute.triangulate import triangulate
from compute.uncertainty import budget
from compute.visit_plan import CAUTIONS, VisitRequest, plan_visit
from compute.visit_shots import shots_for
from tests.compute import standard_pile as pile
from tests.compute.cases import standard_case

TOP, EDGE = pile.surveyed(3.0)
FAR_M = 100.0


def request(**more):
    return VisitRequest(**{"top": TOP, "ring_m": EDGE.ring_m, **more})


@cache
def planned(permitted=None):
    return plan_visit(request(permitted_height_m=permitted))


# --- sights --------------------------------------------------------------------------------------


def cone(radius=20.0, height=10.0):
    top, edge = pile.cone(radius, height, 64)
    return top, edge


def test_sights_over_a_cone_are_those_of_geometry():
    """From 1.6 m on level ground the top of a pole is seen where its line clears the apex: closed form."""
    top, _ = cone()
    ground = Terrain(top, None, 0.0)
    eye = np.array([-60.0, 0.0, 1.6])
    # Straight over the apex: the line from the eye through (0, 0, 10) reaches x at 1.6 + (60 + x) * 8.4 / 60.
    x = np.array([5.0, 10.0, 15.0])
    needed = 1.6 + (60.0 + x) * 8.4 / 60.0
    for lift, clear in ((0.15, True), (-0.4, False)):
        targets = np.column_stack([x, np.zeros(3), needed + lift])
        assert sees(ground, eye, targets, 500.0).tolist() == [clear] * 3
    beside = np.array([[0.0, 15.0, 1.8 + 2.5], [0.0, 30.0, 1.8], [30.0, 0.0, 1.8]])
    assert sees(ground, eye, beside, 500.0).tolist() == [True, True, False]
    assert not sees(ground, eye, beside, 50.0).any()


def test_a_grown_pile_hides_more():
    top, edge = cone()
    assert growth_to(top.vertices_m[:, 2], 0.0, 15.0) == pytest.approx(1.5)
    assert growth_to(top.vertices_m[:, 2], 0.0, 8.0) == 1.0
    assert growth_to(top.vertices_m[:, 2], 0.0, None) == 1.0
    eye = np.array([-60.0, 0.0, 1.6])
    targets = np.array([[10.0, 0.0, 5.0 + 9.0]])
    assert sees(Terrain(top, None, 0.0), eye, targets, 500.0).all()
    assert not sees(Terrain(top, None, 0.0, 1.5), eye, targets, 500.0).any()
    inside = np.array([[0.0, 5.0], [100.0, 0.0]])
    assert Terrain(top, None, 0.0, 1.5).height_at(inside) == pytest.approx([11.25, 0.0], abs=0.05)
    assert len(edge.ring_m) == 64


# --- the plan ------------------------------------------------------------------------------------


@pytest.mark.parametrize("permitted", [None, 12.0, 16.0])
def test_every_face_is_seen_and_each_station_sees_two_others(permitted):
    plan = planned(permitted)
    assert 3 <= len(plan.stations) <= 8
    assert plan.hidden_share < 0.01
    assert plan.short_of_two == ()
    assert plan.twice_share > 0.5
    names = {s.name for s in plan.stations}
    for station in plan.stations:
        assert len(station.sees) >= 2
        assert set(station.sees) <= names - {station.name}
        for other in plan.stations:
            assert (other.name in station.sees) == (station.name in other.sees)
        assert station.longest_sight_m <= 200.0
    assert plan.cautions == CAUTIONS
    assert "does not judge whether ground is safe" in plan.cautions[0]


def test_what_the_plan_says_of_its_sights_is_so():
    """Each pair that is said to see each other is looked at again, at a hundred places along its sight."""
    plan = planned(12.0)
    for a, b in itertools.combinations(plan.stations, 2):
        share = np.linspace(0.0, 1.0, 101)[1:-1, None]
        p = np.array([a.x_m, a.y_m, a.z_m + 1.6])
        q = np.array([b.x_m, b.y_m, b.z_m + 1.8])
        along = p + share * (q - p)
        clear = bool((along[:, 2] > pile.height_m(along[:, 0], along[:, 1])).all())
        assert clear or b.name not in a.sees


def test_stations_keep_off_pile_margin_and_forbidden_ground():
    road = np.array([[-80.0, 20.0], [80.0, 20.0], [80.0, 90.0], [-80.0, 90.0]])
    plan = plan_visit(request(no_go_m=(road,), margin_m=8.0))
    for station in plan.stations:
        here = shapely.points(station.x_m, station.y_m)
        assert shapely.distance(shapely.polygons(EDGE.ring_m), here) >= 7.9
        assert shapely.distance(shapely.polygons(road), here) >= 7.9
    free = planned()
    assert plan.hidden_share >= free.hidden_share


def test_a_pile_against_a_wall_stays_partly_hidden_and_says_where():
    wall = np.array([[-300.0, 17.0], [300.0, 17.0], [300.0, 400.0], [-300.0, 400.0]])
    plan = plan_visit(request(no_go_m=(wall,), permitted_height_m=25.0))
    assert plan.hidden_m2 > 50.0
    assert plan.hidden_share == pytest.approx(plan.hidden_m2 / EDGE.area_m2, rel=0.02)
    assert len(plan.hidden_at_m) > 5
    assert plan.hidden_at_m[:, 1].mean() > 3.0


def test_the_same_pile_gives_the_same_plan_wherever_it_lies():
    first, second = planned(), plan_visit(request())
    assert first.stations == second.stations
    moved = dataclasses.replace(TOP, vertices_m=TOP.vertices_m + np.array([64.0, -32.0, 128.0]))
    third = plan_visit(VisitRequest(moved, EDGE.ring_m + np.array([64.0, -32.0])))
    for a, b in zip(first.stations, third.stations, strict=True):
        assert (b.x_m - 64.0, b.y_m + 32.0, b.z_m - 128.0) == pytest.approx((a.x_m, a.y_m, a.z_m), abs=1e-6)


def test_a_mound_of_two_metres_needs_no_more_than_three():
    points = pile.shots_of_survey(3.0)[0] * np.array([1.0, 1.0, 0.2])
    flat = plan_visit(request(top=triangulate(points, None, np.arange(len(EDGE.ring_m), dtype=np.int32))))
    assert len(flat.stations) == 3
    assert flat.hidden_share == 0.0


@pytest.mark.parametrize(
    "more",
    [
        {"margin_m": 0.0}, {"instrument_m": math.nan}, {"permitted_height_m": -1.0}, {"longest_m": math.inf},
        {"ring_m": np.array([[0.0, 0.0], [1.0, 1.0], [1.0, 0.0], [0.0, 1.0]])},
    ],
)  # fmt: skip
def test_values_without_sense_are_refused(more):
    with pytest.raises(BadOption):
        plan_visit(request(**more))


def test_nowhere_to_stand_is_refused():
    everywhere = np.array([[-900.0, -900.0], [900.0, -900.0], [900.0, 900.0], [-900.0, 900.0]])
    with pytest.raises(NothingToMeasure):
        plan_visit(request(no_go_m=(everywhere,)))


# --- the choice ----------------------------------------------------------------------------------


def best_by_trying_all(places, count):
    return min(
        (cost_of(list(c), places) for c in itertools.combinations(range(len(places.seen)), count)),
        default=None,
    )


def test_the_choice_is_nearly_the_best_of_all():
    """Against every choice of three among twelve: never fails to see what three can see."""
    same = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        angle = np.arange(12) * 2 * math.pi / 12
        part = np.arange(60) * 2 * math.pi / 60
        width = rng.uniform(0.9, 1.6, 12)
        seen = np.cos(angle[:, None] - part[None, :]) > np.cos(width)[:, None]
        others = rng.random((12, 12)) < 0.8
        others &= others.T
        np.fill_diagonal(others, False)
        places = Places(seen, others, others, rng.uniform(20, 60, 12))
        cost, best = cost_of(choose(places, 3, 3), places), best_by_trying_all(places, 3)
        assert cost[:2] == best[:2]
        same += cost == best
    print(f"the very best choice of three: {same} of 30")
    assert same >= 20


# --- how many shots ------------------------------------------------------------------------------


def test_spacing_brings_the_uncertainty_that_it_says():
    """A plan from a survey at 5 m is carried out: what the new survey says of its spacing was told."""
    case = standard_case(5.0, seed=1)
    left = leave_out(case)
    doubt = budget(case, left)
    wanted = 2.0 * math.sqrt(doubt.u_net_m3**2 - 0.75 * doubt.terms["spacing"] ** 2)
    plan = shots_for(case, left, doubt, wanted)
    assert plan.limited_by is None
    assert plan.reached_expanded_m3 == pytest.approx(wanted)
    # A quarter of the variance of the spacing is half of it: the spacing shrinks by the root of two.
    assert plan.spacing_now_m / plan.spacing_m == pytest.approx(math.sqrt(2.0), rel=1e-6)
    spread = [
        budget(c, leave_out(c)).terms["spacing"]
        for c in (standard_case(5.0 / math.sqrt(2.0), seed=s) for s in range(4))
    ]
    assert np.mean(spread) == pytest.approx(doubt.terms["spacing"] / 2.0, rel=0.5)
    shots = [int(standard_case(5.0 / math.sqrt(2.0), seed=s).in_top.sum()) for s in range(4)]
    assert plan.shots == pytest.approx(np.mean(shots), rel=0.25)


def test_more_shots_do_not_help_against_a_common_height():
    case = standard_case(4.0)
    left = leave_out(case)
    doubt = budget(case, left)
    plan = shots_for(case, left, doubt, 20.0)
    assert plan.limited_by in ("height_bias_top", "height_bias_base")
    assert "out of reach of more shots" in plan.words
    rest = math.sqrt(sum(u * u for n, u in doubt.terms.items() if n != "spacing"))
    assert plan.reached_expanded_m3 == pytest.approx(2 * rest * math.sqrt(1 + 1 / 9), rel=1e-6)
    assert plan.usual_spacing_m == pytest.approx(pile.HEIGHT_M / 4, rel=0.01)
    for wrong in (0.0, -5.0, math.nan):
        with pytest.raises(BadOption):
            shots_for(case, left, doubt, wrong)


def test_fewer_shots_where_a_wide_margin_will_do():
    case = standard_case(3.0)
    left = leave_out(case)
    plan = shots_for(case, left, budget(case, left), 2000.0)
    assert plan.shots < plan.shots_now
    assert plan.spacing_m <= 4.0 * plan.spacing_now_m
