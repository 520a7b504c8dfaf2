"""Standardised residuals flag planted errors as often as statistics promise, and no oftener.

For an error e in an observation of standard deviation s and redundancy r, the standardised residual is
normal with mean e √r / s and variance one (Baarda 1968, from memory), so the rate at which it passes a limit
is known beforehand. Seeded; each rate has to lie within the bounds that a binomial count of that size keeps
999 times in a thousand. Run with `-s` to see the rates.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, chi2, norm

from compute.traverse.adjust import Precision, least_squares, observations_of
from compute.traverse.chain import Control
from compute.traverse.remarks import LARGE
from compute.traverse.solve import TraverseRequest, solve_traverse
from tests.compute.field_crew import YARD, angle_rows, line

CONTROL = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): line(YARD["CP1"], YARD["CP2"])[0]})
SECONDS, METRES = 5.0, 0.003
PRECISION = Precision(SECONDS, METRES, 0.0)
TRIALS = 400


def adjusted(rng, **planted):
    text = angle_rows(YARD, rng, SECONDS, METRES, **planted)
    run = solve_traverse(TraverseRequest(text.encode(), "t.csv", CONTROL, rule="none")).run
    return least_squares(run, 1.0, PRECISION)


def within(count, trials, rate, chance=0.001):
    low, high = binom.ppf([chance / 2, 1 - chance / 2], trials, rate)
    return low <= count <= high


@pytest.mark.parametrize(
    ("place", "sigmas"),
    [("station CP3", 6.0), ("station CP3", 9.0), ("course CP2–CP3", 6.0), ("course CP4–CP5", 8.0)],
)
def test_planted_errors_are_flagged_at_the_promised_rate(place, sigmas):
    kind, name = place.split(" ")
    i = list(YARD).index(name.split("–")[0])
    size = sigmas * (SECONDS / 3600 if kind == "station" else METRES)
    planted = {"wrong_angle" if kind == "station" else "wrong_distance": (i, size)}
    rng, flagged, promised = np.random.default_rng(7), 0, 0.0
    for _ in range(TRIALS):
        found = adjusted(rng, **planted)
        row = next(j for j, o in enumerate(found.observations) if o.place == place)
        flagged += bool(abs(found.linear.standardised[row]) > LARGE)
        mean = sigmas * np.sqrt(found.linear.redundancy[row])
        promised = float(norm.sf(LARGE - mean) + norm.cdf(-LARGE - mean))
    print(f"{place}, {sigmas:.0f} sigma: flagged {flagged / TRIALS:.3f}, promised {promised:.3f}")
    assert 0.05 < promised < 0.995
    assert within(flagged, TRIALS, promised)


def test_sound_observations_are_flagged_no_oftener_than_chance():
    rng, beyond, passes = np.random.default_rng(11), 0, 0
    trials, first = 600, None
    for _ in range(trials):
        found = adjusted(rng)
        first = found if first is None else first
        beyond += np.abs(found.linear.standardised) > 1.96
        low, high = found.variance_bounds
        passes += low <= found.linear.variance_factor <= high
    print(f"beyond 1.96: {np.round(beyond / trials, 3)}; variance test passes {passes / trials:.3f}")
    for count in beyond:
        assert within(count, trials, 0.05)
    assert within(passes, trials, 0.95)
    assert len(beyond) == len(first.observations) == 10


def test_a_wrongly_stated_precision_fails_the_test_of_the_variance_factor():
    rng, fails = np.random.default_rng(13), 0
    for _ in range(100):
        text = angle_rows(YARD, rng, 4 * SECONDS, 4 * METRES)
        run = solve_traverse(TraverseRequest(text.encode(), "t.csv", CONTROL, rule="none")).run
        found = least_squares(run, 1.0, PRECISION)
        fails += not found.variance_bounds[0] <= found.linear.variance_factor <= found.variance_bounds[1]
    low, high = chi2.ppf([0.025, 0.975], 3)
    promised = 1.0 - (chi2.cdf(high / 16.0, 3) - chi2.cdf(low / 16.0, 3))
    assert within(fails, 100, promised)


def test_what_is_observed_is_weighted_as_stated():
    run = solve_traverse(TraverseRequest(angle_rows(YARD).encode(), "t.csv", CONTROL, rule="none")).run
    sigmas = {o.kind: o.sigma for o in observations_of(run, 1.0, PRECISION)}
    assert sigmas["angle"] == pytest.approx(SECONDS / 3600)
    assert sigmas["distance"] == pytest.approx(METRES)
