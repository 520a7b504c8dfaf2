"""Cost formulas and the lower of cost and net realisable value, against worked examples of textbooks."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.errors import BadEntry
from inventory.valuation import (
    Layer,
    cost_less_by_products,
    fifo,
    line_amount,
    lower_of_cost_and_nrv,
    shared_by_sales_value,
    weighted_average,
)

D = Decimal

# A course sheet “FIFO vs LIFO vs Weighted Average” (coursehero.com/file/6386813/wtavg, read): 300 units at
# 20.00, bought 100 at 20.20, 200 at 20.70, 200 at 21.00; 450 sold.
COURSE_OPENING = [Layer(D(300), D("6000"))]
COURSE_BOUGHT = [Layer(D(100), D("2020")), Layer(D(200), D("4140")), Layer(D(200), D("4200"))]

# A worked answer (qammunity.org/8872703, read): 116 at 580, 385 at 2,310, 194 at 1,358; 240 left.
ANSWER_LAYERS = [Layer(D(116), D(580)), Layer(D(385), D(2310)), Layer(D(194), D(1358))]


def test_the_weighted_average_of_the_course_sheet() -> None:
    costed = weighted_average(COURSE_OPENING, COURSE_BOUGHT, D(450), D(0))
    assert costed.issued_per_t == D("20.45")
    assert costed.issued_amount == D("9202.50")
    assert (costed.tonnes, costed.amount) == (D(350), D("7157.50"))


def test_first_in_first_out_of_the_course_sheet() -> None:
    costed = fifo(COURSE_OPENING, COURSE_BOUGHT, D(450), D(0))
    assert costed.issued_amount == D("9055")
    assert costed.layers == (Layer(D(150), D("3105.00")), Layer(D(200), D("4200")))
    assert costed.amount == D("7305")


def test_both_formulas_of_the_worked_answer() -> None:
    first_in = fifo([], ANSWER_LAYERS, D(455), D(0))
    assert (first_in.issued_amount, first_in.amount) == (D("2614"), D("1634"))
    average = weighted_average([], ANSWER_LAYERS, D(455), D(0))
    assert round(average.issued_per_t, 3) == D("6.112")
    # The answer prints 2,781 and 1,467, rounded to whole units of money.
    assert (round(average.issued_amount), round(average.amount)) == (D(2781), D(1467))


def test_a_write_down_and_the_reversal_that_stops_at_cost() -> None:
    """An examination answer (forum.theanalystspace.com/thread-105103-1-1.html, read): cost 720,000, net
    realisable value 690,000, then 760,000. IAS 2.9 and 2.33: carried at 690,000, then at 720,000."""
    before = lower_of_cost_and_nrv(D(1000), D("720000"), D(690))
    assert (before.carrying_amount, before.change) == (D("690000"), D("30000"))
    after = lower_of_cost_and_nrv(D(1000), D("720000"), D(760), before.allowance)
    assert (after.carrying_amount, after.change) == (D("720000"), D("-30000"))


def test_the_write_down_of_fines_to_the_cent() -> None:
    """Net realisable value falls to 3.70 under a cost of 4.10, on 19,144 t (IAS 2.9)."""
    tested = lower_of_cost_and_nrv(D("19144.000"), line_amount(D("19144.000"), D("4.10")), D("3.70"))
    assert tested.change == tested.allowance == D("7657.60")


def test_without_a_net_realisable_value_the_allowance_stays_but_never_above_cost() -> None:
    assert lower_of_cost_and_nrv(D(100), D(410), None, D(40)).change == 0
    assert lower_of_cost_and_nrv(D(5), D("20.50"), None, D(40)).allowance == D("20.50")


def test_nothing_left_releases_the_whole_allowance() -> None:
    assert lower_of_cost_and_nrv(D(0), D(0), D("3.70"), D("7657.60")).change == D("-7657.60")


def test_an_amount_is_rounded_once_half_to_even() -> None:
    assert line_amount(D("0.5"), D("0.05")) == D("0.02")
    assert line_amount(D("1.5"), D("0.05")) == D("0.08")
    assert line_amount(D(-1), D("0.005")) == D("0.00")


def test_stock_issued_before_it_came_in_is_made_good_by_what_comes() -> None:
    short = fifo([], [], D(10), D(5))
    assert short.layers == (Layer(D(-10), D("-50.00")),)
    made_good = fifo(short.layers, [Layer(D(30), D(180))], D(0), D(5))
    # Ten of the thirty were issued at 5.00 and cost 6.00: the 10.00 apart is cost of this period.
    assert (made_good.layers, made_good.issued_amount) == ((Layer(D(20), D("120.00")),), D("10.00"))


def test_haul_without_tonnes_raises_the_newest_layer() -> None:
    costed = fifo([Layer(D(10), D(50))], [Layer(D(10), D(60)), Layer(D(0), D(7))], D(10), D(5))
    assert costed.layers == (Layer(D(10), D(67)),)


def test_by_products_come_off_the_joint_cost_at_net_realisable_value() -> None:
    """IAS 2.14, from memory."""
    assert cost_less_by_products(D("78000"), [(D(1200), D("3.70")), (D(300), D("5.50"))]) == D("71910.00")
    with pytest.raises(BadEntry, match="more than the joint cost"):
        cost_less_by_products(D(100), [(D(30), D(4))])


def test_a_joint_cost_is_shared_by_sales_value_to_the_cent() -> None:
    """IAS 2.14, from memory: relative sales value at separation."""
    assert shared_by_sales_value(D("100.00"), [(D(1), D(1)), (D(1), D(1)), (D(1), D(1))]) == (
        D("33.34"),
        D("33.33"),
        D("33.33"),
    )
    with pytest.raises(BadEntry, match="sales value"):
        shared_by_sales_value(D(100), [(D(0), D(1))])


tonnes = st.decimals(min_value=0, max_value=10_000, places=3)
cents = st.decimals(min_value=0, max_value=100_000, places=2)
layers = st.lists(st.builds(Layer, tonnes.filter(bool), cents), max_size=6)


@given(opening=layers, receipts=layers, issued=tonnes)
@pytest.mark.parametrize("formula", [weighted_average, fifo])
def test_no_cent_and_no_kilogram_is_lost(formula, opening, receipts, issued) -> None:
    costed = formula(opening, receipts, issued, D("4.10"))
    came_t = sum((layer.tonnes for layer in [*opening, *receipts]), D(0))
    came = sum((layer.amount for layer in [*opening, *receipts]), D(0))
    assert costed.tonnes == came_t - issued
    assert costed.amount == came - costed.issued_amount


@given(cost=cents, tonnes=tonnes, values=st.lists(st.decimals(0, 50, places=4), min_size=1, max_size=5))
def test_carried_at_the_lower_of_both_whatever_came_before(cost, tonnes, values) -> None:
    allowance = D(0)
    for nrv in values:
        tested = lower_of_cost_and_nrv(tonnes, cost, nrv, allowance)
        if tonnes:
            assert tested.carrying_amount == min(cost, line_amount(tonnes, nrv))
        assert tested.allowance == allowance + tested.change >= 0
        allowance = tested.allowance
