"""Which cause comes first, scored on simulated years with one planted cause each.

The years share the model's idea of what causes leave behind, so the table says how well the ranking
tells causes apart when they behave as described, not how often real yards behave so.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.stats import multivariate_normal

from inventory.causes import CODES, Change, PileHistory, Yard, likely_causes
from inventory.causes.fits import Months, scatter_t
from inventory.causes.wording import CHECKS
from tests.inventory.simulated_years import CAUSES, year

YEARS = 30
RIVALS = {
    frozenset({"base", "density"}),
    frozenset({"belt-scale", "unticketed-loads"}),
    frozenset({"production-figures", "unticketed-loads"}),
}
"""Pairs that months alone hardly part: an offset and a share of a stock that does not change much, and
production and sales that run together. Either of the two first is right enough to start from."""


def confusion() -> dict[str, Counter[str]]:
    table: dict[str, Counter[str]] = {cause: Counter() for cause in CAUSES}
    for cause in CAUSES:
        for seed in range(YEARS):
            yard, pile = year(cause, seed)
            table[cause][likely_causes(yard, pile)[0].code] += 1
    return table


def test_the_planted_cause_comes_first(capsys: pytest.CaptureFixture[str]) -> None:
    table = confusion()
    with capsys.disabled():
        print("\nplanted cause → what came first")
        for cause, found in table.items():
            print(f"  {cause:20}", ", ".join(f"{code} {n}" for code, n in found.most_common()))
    right = sum(found[cause] for cause, found in table.items())
    assert right / (YEARS * len(CAUSES)) > 0.88
    for cause, found in table.items():
        near = sum(n for code, n in found.items() if code == cause or frozenset({code, cause}) in RIVALS)
        assert near / YEARS >= 0.8, (cause, found)


def test_quiet_years_rarely_accuse() -> None:
    loud = 0
    for seed in range(100, 200):
        yard, pile = year("noise", seed)
        loud += likely_causes(yard, pile)[0].code != "noise"
    assert loud <= 12


def test_the_size_of_a_drift_is_recovered() -> None:
    sizes = []
    for seed in range(20):
        yard, pile = year("belt-scale", seed)
        (cause,) = [c for c in likely_causes(yard, pile) if c.code == "belt-scale"]
        true = (yard.piles[pile].book_t[-1] - yard.piles[pile].measured_t[-1]) * -1.0
        assert math.copysign(1.0, float(cause.evidence["size"])) == math.copysign(1.0, true)
        sizes.append(abs(float(cause.evidence["size"])))
    assert 0.015 < float(np.median(sizes)) < 0.04


def test_the_evidence_of_a_model_is_the_density_of_its_gaussian() -> None:
    """Outside opinion: scipy's multivariate normal with the covariance of two piles written out."""
    rng = np.random.default_rng(5)
    known = np.array([[True] * 7, [True, False, True, True, False, True, True]])
    y, shapes = (
        np.where(known, rng.normal(0.0, 3.0, (2, 7)), 0.0),
        np.where(known, rng.normal(size=(2, 7)), 0.0),
    )
    sigma, offset_sd, mean, sd = rng.uniform(1.0, 2.0, 2), np.array([0.9, 1.3]), 0.4, 1.7
    months = Months(y, known, sigma, offset_sd)
    found = months.size_of(shapes, mean, sd)
    parts = [(row, np.flatnonzero(known[row])) for row in (0, 1)]
    alone = [
        sigma[row] ** 2 * np.eye(len(at)) + offset_sd[row] ** 2 * np.ones((len(at), len(at)))
        for row, at in parts
    ]
    for size in (0.0, found.size):
        for (row, at), cov in zip(parts, alone, strict=True):
            outside = multivariate_normal(size * shapes[row, at], cov).logpdf(y[row, at])
            assert months.log_evidence(shapes, size)[row] == pytest.approx(outside, abs=1e-9)
    # The posterior of the size, from the joint normal of size and data of both piles.
    seen, shape = y[known], shapes[known]
    cov = block_diag(*alone) + sd**2 * np.outer(shape, shape)
    gain = np.linalg.solve(cov, sd**2 * shape)
    assert found.size == pytest.approx(mean + gain @ (seen - mean * shape), abs=1e-9)
    assert found.size_sd**2 == pytest.approx(sd**2 - gain @ (sd**2 * shape), abs=1e-9)
    assert months.only([1]).log_evidence(shapes[1:], 0.3) == months.log_evidence(shapes, 0.3)[1:]


def test_an_unmeasured_month_has_no_causes_and_gaps_are_taken() -> None:
    yard, name = year("wrong-survey", 3)
    pile = yard.piles[name]
    unmeasured = PileHistory(**{**vars(pile), "measured_t": (*pile.measured_t[:-1], None)})
    assert likely_causes(Yard(yard.months, {**yard.piles, name: unmeasured}), name) == ()
    gap = PileHistory(**{**vars(pile), "measured_t": (*pile.measured_t[:4], None, *pile.measured_t[5:])})
    assert likely_causes(Yard(yard.months, {**yard.piles, name: gap}), name)[0].code == "wrong-survey"


def test_a_posting_hides_nothing() -> None:
    """The wrong survey of the month before was posted and reversed: the mirror is still seen."""
    yard, name = year("wrong-survey", 8)
    pile = yard.piles[name]
    month = len(yard.months) - 2
    posted = pile.measured_t[month] - pile.book_t[month]
    book = np.array(pile.book_t)
    book[month + 1 :] += posted
    adjustment = np.zeros(len(book))
    adjustment[month] = posted
    after = PileHistory(
        **{**vars(pile), "book_t": tuple(book.tolist()), "adjustment_t": tuple(adjustment.tolist())}
    )
    ranked = likely_causes(Yard(yard.months, {**yard.piles, name: after}), name)
    assert ranked[0].code == likely_causes(yard, name)[0].code == "wrong-survey"


def test_one_month_of_history_is_enough_to_answer() -> None:
    pile = PileHistory(
        "A", "stone", (1000.0,), (1100.0,), (0.0,), (100.0,), (50.0,), ("2025-01-30",), (20.0,),
        base_changes={0: Change(100.0)},
    )  # fmt: skip
    ranked = likely_causes(Yard(("2025-01",), {"A": pile}), "A")
    assert ranked[0].code == "base-changed"
    assert sum(cause.fit for cause in ranked) == pytest.approx(1.0)
    assert scatter_t(Yard(("2025-01",), {"A": pile}))["A"] == pytest.approx(4.4)


def test_every_cause_has_words_and_a_check() -> None:
    assert set(CHECKS) == set(CODES)
    assert set(CAUSES) <= set(CODES)
