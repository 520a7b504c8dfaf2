"""The budget against closed forms, published propagation and the standard pile's own arithmetic."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compute.errors import BadOption, NumberNotFinite
from compute.leave_out import LeaveOut
from compute.records import Density, UncertaintyModel
from compute.uncertainty import (
    MODELS,
    TERMS,
    budget,
    combined,
    correlated_noise_m3,
    correlated_squares,
    model_for,
    shot_noise_m3,
    toe_position_m3,
    top_derivative_by_shot,
)
from compute.volume import derivative_by_vertex
from tests.compute import cases
from tests.compute import standard_pile as pile

NO_LOSS = LeaveOut("", (0.0,), 0.0, 0.0, 0.0, 0.0, 0.0)
STANDARD = UncertaintyModel(0.03, 0.03, 0.03, 0.05, 10.0, 0.03)


def case_on(base: str, **more):
    return cases.standard_case(3.0, base=base, model=STANDARD, **more)


# --- the standard pile: own arithmetic, not published --------------------------------------------


def test_three_centimetres_over_the_footprint():
    # 2,084 m² · 0.03 m = 62.5 m³, 0.64 % of 9,735 m³. Own arithmetic, not published.
    found = budget(case_on("level"), NO_LOSS)
    assert found.terms["height_bias_top"] == pytest.approx(63.0, rel=0.015)
    assert found.terms["height_bias_base"] == pytest.approx(63.0, rel=0.015)


def test_three_centimetres_of_independent_noise_on_some_313_shots():
    # σ √(Σ c²) with about 313 shots: 3.5 m³. Own simulation, not published.
    case = case_on("level")
    assert len(case.shots) == pytest.approx(313, rel=0.05)
    assert budget(case, NO_LOSS).terms["shot_noise"] == pytest.approx(3.5, rel=0.15)


def test_correlated_three_centimetres_with_a_range_of_ten_metres():
    # σ a √(π A / 5) = 10.9 m³. Own arithmetic, not published.
    assert correlated_noise_m3(0.03, 10.0, pile.AREA_M2) == pytest.approx(10.9, abs=0.05)
    assert budget(case_on("level"), NO_LOSS).terms["correlated_noise"] == pytest.approx(10.9, rel=0.01)


def test_a_toe_shot_up_the_slope_costs_what_a_survey_shows():
    """Toe shot 0.3 m up a 36° slope all round: −4.6 % with a base through it, −0.06 % without.

    Own simulation, not published; the pile with its foot cut off is measured here again.
    """
    case = cases.standard_case(2.0, base="toe", model=dataclasses.replace(STANDARD, toe_position_m=0.3))
    assert toe_position_m3(case) == pytest.approx(0.046 * pile.VOLUME_M3, rel=0.03)
    fixed = cases.standard_case(2.0, base="level", model=dataclasses.replace(STANDARD, toe_position_m=0.3))
    assert toe_position_m3(fixed) == pytest.approx(0.0006 * pile.VOLUME_M3, rel=0.1)
    points, lines, ring = pile.shots_of_survey(2.0)
    up = points.copy()
    middle = np.clip(up[ring, 0], -pile.HALF_STRAIGHT_M, pile.HALF_STRAIGHT_M)
    outward = np.column_stack([up[ring, 0] - middle, up[ring, 1]]) / pile.TOE_RADIUS_M
    up[ring, :2] -= 0.3 * outward
    up[ring, 2] = 0.3 * pile.TAN_SLOPE
    real = cases.measure(
        cases.MeasureRequest(
            top=cases.shots_of(up, {"toe": ring, "crest": lines[0]}), base=cases.BaseChoice("toe")
        )
    ).case
    loss = cases.standard_case(2.0, base="toe").volume.net_m3 - real.volume.net_m3
    assert toe_position_m3(case) == pytest.approx(loss, rel=0.02)


# --- published propagation -----------------------------------------------------------------------


def test_volume_of_a_box():
    """40.00±0.05 × 20.00±0.03 × 15.00±0.02 ft → 12,000 ± 28 ft³.

    Ghilani, Adjustment Computations, ch. 6; from memory.
    """
    terms = {
        "height_bias_top": 40.0 * 20.0 * 0.02,
        "height_bias_base": 40.0 * 15.0 * 0.03,
        "toe_position": 20.0 * 15.0 * 0.05,
    }
    found = combined(terms, 12_000.0, None)
    assert round(found.u_net_m3) == 28
    assert found.dominant == "height_bias_base"


def test_random_errors_average_and_a_systematic_one_adds():
    """±0.02 ft per 100 ft tape over 1,296.88 ft → ±0.02 · √13 = ±0.07 ft.

    NCEES-style question, Professional Surveyor, May/June 1998.
    """
    assert round(shot_noise_m3(0.02, np.ones(13)), 2) == 0.07


def test_uncertainty_of_a_surface_difference():
    """After Anderson 2019, Earth Surf. Process. Landforms 44:1015–1033, eqs 11–21; a public worked notebook.

    Random terms are times 1.96 there. Its correlated 63.664 m³ is met to 0.4 % from the printed sill and
    range, which are rounded; its "mean correlated" value has a bracket error and is not used.
    """
    cell_m, n, sigma, sill, range_m, sigma_sys = 0.25, 682_640, 0.11584754, 0.0071469, 2.3546, 0.104254974
    area = n * cell_m**2
    random = 1.96 * shot_noise_m3(sigma, np.full(n, cell_m**2))
    correlated = 1.96 * correlated_noise_m3(math.sqrt(sill), range_m, area)
    assert random == pytest.approx(11.725, abs=5e-4)
    assert correlated == pytest.approx(63.664, rel=4e-3)
    assert sigma_sys * area == pytest.approx(4448.038, abs=5e-3)
    terms = {"shot_noise": random, "correlated_noise": correlated, "height_bias_top": sigma_sys * area}
    found = combined(terms, 0.0, None)
    assert found.u_net_m3 == pytest.approx(4448.5095, abs=5e-3)
    assert found.dominant == "height_bias_top"


@pytest.mark.parametrize(
    ("volume_percent", "density_percent", "tonnes_percent", "share_percent"),
    [(0.6, 5.0, 5.0, 99), (1.0, 3.0, 3.2, 90), (1.0, 1.5, 1.8, 69), (3.0, 1.5, 3.4, 20)],
)
def test_tonnes_from_volume_and_density(volume_percent, density_percent, tonnes_percent, share_percent):
    # (u_T/T)² = (u_V/V)² + (u_ρ/ρ)²: own arithmetic on the general propagation of JCGM 100:2008, 5.1.
    density = Density(1.85, 1.85 * density_percent / 100.0)
    found = combined({"spacing": 10_000.0 * volume_percent / 100.0}, 10_000.0, density)
    assert round(100.0 * found.u_tonnes_t / 18_500.0, 1) == tonnes_percent
    assert round(100.0 * found.density_share) == share_percent
    assert found.U_tonnes_t == 2.0 * found.u_tonnes_t


def test_the_sentence_a_manager_reads():
    # 14,109 m³ ± 155 m³ and 26,100 t ± 830 t (k = 2), 88 % of the variance from density. Own arithmetic.
    found = combined({"height_bias_top": 77.5}, 14_109.0, Density(1.85, 0.015 * 1.85))
    assert found.U_net_m3 == pytest.approx(155.0)
    assert found.U_tonnes_t == pytest.approx(830.0, abs=10.0)
    assert round(100.0 * found.density_share) == 88
    assert found.dominant == "height_bias_top"
    assert found.dominant_tonnes == "density"
    assert found.advice.startswith("To halve the uncertainty of this tonnage, do a density test;")


# --- what cancels and what does not --------------------------------------------------------------


@pytest.mark.parametrize("base", ["toe", "plane", "lowest-toe"])
def test_a_common_height_error_cancels_against_a_base_of_the_same_shots(base):
    found = budget(case_on(base), NO_LOSS)
    assert found.terms["height_bias_top"] == pytest.approx(0.0, abs=1e-8)
    assert found.terms["height_bias_base"] == 0.0
    assert found.dominant == "toe_position"


def place_of(case, point_m) -> int:
    """A case keeps its shots in an order of its own: the one at this plan position."""
    east = case.shots.x_m + float(case.origin.easting_m) - cases.EAST
    north = case.shots.y_m + float(case.origin.northing_m) - cases.NORTH
    return int(np.argmin(np.hypot(east - point_m[0], north - point_m[1])))


@pytest.mark.parametrize("base", ["level", "toe", "plane"])
def test_derivatives_are_the_change_of_the_measured_volume(base):
    """Each shot raised by 1 mm and everything measured again: V is linear in the heights."""
    points, lines, ring = pile.shots_of_survey(5.0)
    roles = {"toe": ring, "crest": lines[0]}
    choice = cases.BaseChoice(base, level_m=cases.FLOOR if base == "level" else None)

    def case_of(p):
        return cases.measure(cases.MeasureRequest(top=cases.shots_of(p, roles), base=choice)).case

    case = case_of(points)
    for shot in (int(ring[3]), int(lines[0][2]), len(points) - 1):
        raised = points.copy()
        raised[shot, 2] += 1e-3
        change = case_of(raised).volume.net_m3 - case.volume.net_m3
        assert change == pytest.approx(1e-3 * case.derivative_by_shot[place_of(case, points[shot])], abs=1e-8)


def test_the_tops_derivative_is_found_again_under_an_own_base():
    case = case_on("toe")
    expected = np.zeros(len(case.shots))
    used = case.vertex_of_shot >= 0
    expected[used] = derivative_by_vertex(case.top, None)[case.vertex_of_shot[used]]
    assert top_derivative_by_shot(case) == pytest.approx(expected, abs=1e-9)


def test_shot_noise_is_what_noisy_surveys_scatter():
    """400 surveys with 3 cm of noise on every shot: the volumes scatter as the derivative says."""
    case = case_on("toe")
    heights = np.random.default_rng(6).normal(0.0, 0.03, (400, len(case.shots)))
    scatter = (heights @ case.derivative_by_shot).std(ddof=1)
    # The standard deviation of 400 draws is itself known to 1/√800 = 3.5 %.
    assert budget(case, NO_LOSS).terms["shot_noise"] == pytest.approx(scatter, rel=0.12)


def test_noise_far_wider_than_the_pile_cancels_and_narrow_noise_does_not():
    wide = budget(case_on("toe"), NO_LOSS).terms["correlated_noise"]
    ratio = []
    for range_m in (2.0, 10.0, 100.0, 500.0):
        model = dataclasses.replace(STANDARD, correlation_length_m=range_m)
        own = budget(dataclasses.replace(case_on("toe"), model=model), NO_LOSS)
        fixed = budget(dataclasses.replace(case_on("level"), model=model), NO_LOSS)
        ratio.append(own.terms["correlated_noise"] / fixed.terms["correlated_noise"])
    assert ratio == sorted(ratio, reverse=True)
    assert ratio[0] > 1.5
    assert ratio[-1] < 0.1
    assert wide > 0.0


def test_correlated_squares_by_hand():
    # Three points on a line at 0, 5 and 20 m with range 10: ρ(5) = 1 − 0.75 + 0.0625 = 0.3125, the rest 0.
    xy = np.array([[0.0, 0.0], [5.0, 0.0], [20.0, 0.0]])
    found = correlated_squares(xy, np.array([[1.0, 1.0], [2.0, -1.0], [3.0, 0.0]]), 10.0)
    assert found == pytest.approx([14.0 + 2 * 2 * 0.3125, 2.0 - 2 * 0.3125])
    assert correlated_squares(xy, np.ones((3, 1)), 0.0) == pytest.approx([3.0])


def test_blocks_stand_for_many_shots():
    rng = np.random.default_rng(7)
    xy = rng.uniform(0, 80, (4_000, 2))
    weights = np.column_stack([np.ones(4_000), rng.normal(0, 1, 4_000)])
    from scipy.spatial.distance import cdist

    share = np.minimum(cdist(xy, xy) / 10.0, 1.0)
    rho = 1.0 - 1.5 * share + 0.5 * share**3
    exact = (weights * (rho @ weights)).sum(axis=0)
    assert correlated_squares(xy, weights, 10.0)[0] == pytest.approx(exact[0], rel=0.02)
    assert correlated_squares(xy, weights, 10.0)[1] == pytest.approx(exact[1], rel=0.2)


def test_correlated_noise_of_a_small_pile_is_no_more_than_all_of_it():
    assert correlated_noise_m3(0.03, 50.0, 100.0) == pytest.approx(0.03 * 100.0)


# --- the record ----------------------------------------------------------------------------------


@given(
    values=st.lists(st.floats(0, 1e6), min_size=len(TERMS), max_size=len(TERMS)),
    net=st.floats(-1e6, 1e6),
    rho=st.floats(0.1, 5),
    relative=st.floats(0, 0.3),
)
@settings(max_examples=200)
def test_terms_add_by_squares_and_nothing_is_ever_nan(values, net, rho, relative):
    terms = dict(zip(TERMS, values, strict=True))
    found = combined(terms, net, Density(rho, rho * relative))
    assert found.u_net_m3 == pytest.approx(math.hypot(*values))
    assert found.U_net_m3 == 2.0 * found.u_net_m3
    assert found.terms[found.dominant] == max(values)
    assert found.u_tonnes_t == pytest.approx(math.hypot(rho * found.u_net_m3, net * rho * relative))
    assert 0.0 <= found.density_share <= 1.0
    parts = {name: rho * value for name, value in terms.items()} | {"density": abs(net) * rho * relative}
    assert parts[found.dominant_tonnes] == pytest.approx(max(parts.values()))
    assert found.advice.endswith(".")


@given(share=st.floats(0.01, 0.99))
def test_the_advice_is_true(share):
    """A perfect density halves the uncertainty exactly when density holds three quarters of the variance."""
    u_volume = 10.0
    density = Density(1.0, u_volume * math.sqrt(share / (1.0 - share)) / 1_000.0)
    found = combined({"spacing": u_volume}, 1_000.0, density)
    halved_by_density = u_volume <= found.u_tonnes_t / 2.0 * (1 + 1e-12)
    halved_by_survey = 1_000.0 * density.standard_uncertainty_t_per_m3 <= found.u_tonnes_t / 2.0 * (1 + 1e-12)
    if "a better survey would not help" in found.advice:
        assert halved_by_density
    elif "a density test would not help" in found.advice:
        assert halved_by_survey
        assert "spacing" in found.advice
    else:
        assert "both density and survey" in found.advice


def test_nothing_known_wrong_is_zero_and_zero_volume_is_handled():
    found = combined(dict.fromkeys(TERMS, 0.0), 0.0, Density(1.6, 0.1))
    assert (found.u_net_m3, found.u_tonnes_t, found.density_share) == (0.0, 0.0, 0.0)
    assert found.dominant in TERMS
    assert combined(dict.fromkeys(TERMS, 0.0), 0.0, None).u_tonnes_t is None


@pytest.mark.parametrize(("term", "net"), [(math.nan, 1.0), (math.inf, 1.0), (1.0, math.nan)])
def test_what_is_no_number_is_refused(term, net):
    with pytest.raises(NumberNotFinite):
        combined({"spacing": term}, net, None)


def test_every_term_is_there_and_the_record_says_so():
    case = case_on("level", density=Density(1.85, 0.05))
    found = budget(case, NO_LOSS)
    assert tuple(found.terms) == TERMS
    body = found.as_dict()
    assert body["k"] == 2.0
    assert body["net_m3"] == pytest.approx(2.0 * math.hypot(*found.terms.values()))
    assert body["dominant"] in body["terms"]
    assert body["tonnes"] == found.U_tonnes_t


def test_material_moved_during_the_survey_counts():
    still = budget(case_on("level"), NO_LOSS)
    model = dataclasses.replace(STANDARD, moved_during_survey_m3=200.0)
    worked = budget(dataclasses.replace(case_on("level"), model=model), NO_LOSS)
    assert worked.terms["moved_during_survey"] == 200.0
    assert worked.u_net_m3 == pytest.approx(math.hypot(still.u_net_m3, 200.0))
    assert worked.dominant == "moved_during_survey"


# --- the model -----------------------------------------------------------------------------------


def test_survey_overrides_site_overrides_method():
    found = model_for("flight", {"shot_noise_m": 0.04, "toe_position_m": 0.2}, {"toe_position_m": 0.3})
    assert found == dataclasses.replace(MODELS["flight"], shot_noise_m=0.04, toe_position_m=0.3)
    assert found.method == "flight"


def test_an_unknown_method_is_the_least_sure():
    worst = MODELS["unknown"]
    for model in MODELS.values():
        for field in ("shot_noise_m", "height_bias_top_m", "height_bias_base_m", "toe_position_m"):
            assert getattr(model, field) <= getattr(worst, field)


@pytest.mark.parametrize(
    "given",
    [
        {"shot_nose_m": 0.03},
        {"method": 1.0},
        {"shot_noise_m": -0.01},
        {"shot_noise_m": math.nan},
        {"shot_noise_m": True},
        {"shot_noise_m": "0.03"},
        {"shot_noise_m": None},
        {"shot_noise_m": 30.0},
        {"moved_during_survey_m3": math.inf},
    ],
)
def test_a_wrong_override_is_refused_by_name(given):
    with pytest.raises(BadOption) as refused:
        model_for("gnss", given)
    assert "site" in refused.value.where
    assert refused.value.remedy


def test_an_unknown_survey_method_is_refused_with_the_choice():
    with pytest.raises(BadOption, match="theodolite") as refused:
        model_for("theodolite")
    assert "total-station" in refused.value.remedy
