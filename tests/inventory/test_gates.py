"""The four gates on an invented yard's year of month ends, and at their own edges."""

from __future__ import annotations

import csv
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from inventory.gates import (
    DRIFT,
    LEVEL,
    NOT_COUNTED,
    NOTE,
    POST,
    QUIET,
    Month,
    cusum,
    increments,
    judge,
    level_test,
    money_gate,
    noise_gate,
    run_gate,
)
from inventory.policy import Thresholds
from inventory.sheet_lines import AMOUNTS, Line

D = Decimal
YEAR = Path(__file__).parents[1] / "reference" / "month_end_year.csv"
DEFAULT = Thresholds()


def rows():
    with YEAR.open(newline="") as file:
        return list(csv.DictReader(file))


def year():
    """Pile → its months; a pile that closed by merging has no measured closing in that month."""
    piles = {}
    for row in rows():
        if row["measured_closing_t"] == "0":
            continue
        book_t = D(row["book_closing_t"])
        u95_t = D(row["threshold_pct"]) * book_t / 100
        month = Month(row["period"], book_t, D(row["variance_t"]), D(row["adjustment_t"]), u95_t)
        piles.setdefault(row["pile"], []).append(month)
    return piles


def firing(gate, months):
    return [months[n].period[5:] for n in range(len(months)) if gate(months[: n + 1], DEFAULT).fires]


def test_the_identity_holds_on_every_row_of_the_year():
    assert len(rows()) == 140
    for row in rows():
        line = Line(
            pile=None,
            **{name: D(row[name]) for name in row if name in AMOUNTS},
            measured_closing_t=D(row["measured_closing_t"]),
        )
        assert line.book_before_t == D(row["book_closing_t"])
        assert line.variance_t == D(row["variance_t"])
        assert line.book_closing_t == D(row["closing_after_t"]), row


def test_the_increment_rule_sees_the_drifting_belt_two_months_before_the_noise_gate():
    months = year()["DRV-01"]
    assert firing(run_gate, months)[0] == "06"
    assert firing(lambda so_far, of: noise_gate(so_far[-1], of), months) == ["08"]


def test_the_increment_rule_stays_on_for_true_loss_and_gives_three_false_alarms():
    fires = {pile: firing(run_gate, months) for pile, months in year().items()}
    assert fires["KTV-02"] == ["05", "06", "07", "08", "09", "10", "11", "12"]
    false = {pile: found for pile, found in fires.items() if found and pile not in ("DRV-01", "KTV-02")}
    assert false == {"KTV-01": ["04"], "TUL-01": ["08"], "DRV-06": ["12"]}


def test_four_variances_of_one_sign_would_accuse_every_pile():
    def naive(months):
        signs = [month.variance_t > 0 for month in months]
        return any(len(set(signs[n : n + 4])) == 1 for n in range(len(signs) - 3))

    piles = year()
    assert len(piles) == 13
    assert all(naive(months) for months in piles.values())


def test_the_level_test_accuses_the_sand_and_nothing_else():
    fires = {pile: found for pile, months in year().items() if (found := firing(level_test, months))}
    assert fires == {
        "TUL-01": ["04", "05", "06", "07", "08", "09"],
        "TUL-02": ["04", "05", "06", "07"],
    }
    # The sand never leaves the ± of its borrowed density: the noise gate alone would say nothing.
    for pile in fires:
        assert not any(noise_gate(month, DEFAULT).fires for month in year()[pile])


def test_a_wrong_survey_shows_as_an_increment_and_its_mirror():
    found = dict(zip([month.period for month in year()["DRV-05"]], increments(year()["DRV-05"]), strict=True))
    assert (found["2025-04"], found["2025-05"]) == (D(710), D(-841))


def test_late_tickets_show_as_a_pair_of_increments():
    found = increments(year()["TUL-02"])
    assert found[7:9] == (D(-470), D(454))


def months(*variances, posted=(), book=10000, u95=300):
    return [
        Month(
            f"2025-{n + 1:02d}",
            D(book),
            None if variance is None else D(variance),
            D(dict(posted).get(n, 0)),
            D(u95),
        )
        for n, variance in enumerate(variances)
    ]


def test_a_variance_of_exactly_its_uncertainty_is_noise():
    (month,) = months(300)
    assert noise_gate(month, DEFAULT).fires is False
    assert noise_gate(replace(month, variance_t=D("300.001")), DEFAULT).fires is True
    assert noise_gate(month, replace(DEFAULT, coverage_factor=D(1))).fires is True


def test_an_uncertainty_that_was_not_assessed_makes_nothing_noise():
    (month,) = months(1)
    assert noise_gate(replace(month, u95_t=None), DEFAULT).fires is True


def test_the_money_gate_is_at_cost():
    assert money_gate(months(100)[0], DEFAULT, D("9.99")).fires is False
    assert money_gate(months(-100)[0], DEFAULT, D(10)).fires is True
    assert money_gate(months(100)[0], DEFAULT, None).fires is None


@pytest.mark.parametrize(
    ("variances", "unit_cost", "word"),
    [
        ([None], "5", NOT_COUNTED),
        ([10], "5", QUIET),
        ([400], "1", NOTE),
        ([400], "5", POST),
        ([400], None, POST),
        ([-10, -20, -30, -40], "5", DRIFT),
        ([-250, -260, -255, -250], "5", LEVEL),
    ],
)
def test_the_word_of_a_month(variances, unit_cost, word):
    judged = judge(months(*variances), DEFAULT, None if unit_cost is None else D(unit_cost))
    assert judged.word == word
    assert [gate.name for gate in judged.gates] == ["noise", "money", "run", "level"]


def test_a_month_that_was_not_measured_breaks_a_run_and_a_level():
    assert increments(months(10, None, 30)) == (D(10), None, D(20))
    assert not run_gate(months(-10, None, -30, -40), DEFAULT).fires
    assert not level_test(months(-250, None, -255, -250), DEFAULT).fires


def test_a_posting_ends_what_is_carried():
    assert increments(months(100, 20, posted=[(0, 100)])) == (D(100), D(20))
    assert not level_test(months(250, 250, 250, 250, posted=[(1, 250)]), DEFAULT).fires


def test_the_cumulative_sum_of_a_textbook():
    """Montgomery, Introduction to Statistical Quality Control, tabular cusum example (from memory): target
    10, one standard deviation 1, slack 0.5; the upper sum is 5.28 at sample 29, the first above 5."""
    data = (
        "9.45 7.99 9.29 11.66 12.16 10.18 8.04 11.46 9.20 10.34 9.03 11.47 10.51 9.40 10.08 9.37 10.62 10.31 "
        "8.52 10.84 10.90 9.33 12.29 11.50 10.60 11.08 10.38 11.62 11.31 10.52"
    )
    steps = [D(each) - 10 for each in data.split()]
    shaped = [replace(month, increment_u95_t=D(2)) for month in months(*steps)]
    reach = [cusum(shaped[: n + 1], steps[: n + 1], D("0.5")) for n in range(len(steps))]
    assert reach[28] == D("5.28")
    assert max(reach[:28]) < 5
    # The gate reads variances: carried unposted, their increments are these steps.
    carried = [sum(steps[: n + 1]) for n in range(len(steps))]
    standing = [replace(month, increment_u95_t=D(2)) for month in months(*carried)]
    fires = [run_gate(standing[: n + 1], replace(DEFAULT, run_length=24)).fires for n in range(len(steps))]
    assert fires.index(True) == 28


def test_increments_that_nobody_could_measure_have_no_sign():
    assert not run_gate(months("0.9", "1.8", "2.7", "3.6"), DEFAULT).fires
    assert run_gate(months("1.1", "2.2", "3.3", "4.4"), DEFAULT).fires


def test_one_jump_is_no_drift_however_large():
    jump = [replace(month, increment_u95_t=D(20)) for month in months(5, -5, 900, 905)]
    assert not any(run_gate(jump[: n + 1], DEFAULT).fires for n in range(4))
    drift = [replace(month, increment_u95_t=D(20)) for month in months(-30, -62, -91)]
    assert [run_gate(drift[: n + 1], DEFAULT).fires for n in range(3)] == [False, False, True]
