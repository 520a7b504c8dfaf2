"""How the ± of several piles combine: published cases, then properties against a slow twin."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import DensityRecord, StockCount
from inventory.stock import combine


def density(material_id, t_per_m3="1.6", percent="3"):
    return DensityRecord(
        material_id=material_id,
        t_per_m3=Decimal(t_per_m3),
        standard_uncertainty_percent=Decimal(percent),
        moisture_basis="as-received",
    )


def count(volume_m3, volume_u95_m3, record):
    volume_m3, volume_u95_m3 = Decimal(volume_m3), Decimal(volume_u95_m3)
    density_part = 2 * volume_m3 * record.standard_uncertainty_t_per_m3
    return StockCount(
        volume_m3=volume_m3,
        volume_u95_m3=volume_u95_m3,
        tonnes=volume_m3 * record.t_per_m3,
        tonnes_u95_t=((volume_u95_m3 * record.t_per_m3) ** 2 + density_part**2).sqrt(),
        density=record,
    )


def test_independent_parts_add_in_quadrature():
    """Thirteen tape lengths of ±0.02 ft each give ±0.02·√13 = ±0.07 ft (NCEES-style question, *Professional
    Surveyor*, May/June 1998)."""
    record = density(1)
    total = combine([count("100", "0.02", record) for _ in range(13)])
    assert total.volume_u95_m3 == pytest.approx(Decimal("0.07"), abs=Decimal("0.005"))
    assert total.volume_u95_m3 == Decimal("0.072")


def test_a_common_error_adds_linearly():
    """Ten resistors calibrated against one standard of u = 0.1 Ω give 10 kΩ with u = 1 Ω, not 0.32 Ω
    (JCGM 100:2008, 5.2.2, example; from memory). Here: ten piles weighed by one density."""
    record = density(1, "1", "0.01")
    total = combine([count("1000", "0", record) for _ in range(10)])
    assert total.tonnes == 10_000
    assert total.tonnes_u95_t == 2  # k = 2
    apart = combine([count("1000", "0", density(n, "1", "0.01")) for n in range(10)])
    assert apart.tonnes_u95_t == Decimal("0.632")


def test_two_records_of_one_material_count_as_one_error():
    ours, theirs = density(1, "1.6"), density(1, "1.5")
    total = combine([count("1000", "0", ours), count("1000", "0", theirs)])
    assert total.tonnes_u95_t == 2 * (48 + 45)


def test_a_heap_below_its_base_lessens_what_the_density_can_spoil():
    record = density(1, "1", "1")
    total = combine([count("1000", "0", record), count("-400", "0", record)])
    assert (total.tonnes, total.tonnes_u95_t) == (600, 12)


volumes = st.decimals("0.001", "200000", places=3)
shares = st.decimals("0.001", "0.2", places=3)
heaps = st.lists(
    st.tuples(volumes, shares, st.integers(1, 3)).map(
        lambda drawn: count(
            drawn[0], (drawn[0] * drawn[1]).quantize(Decimal("0.001")), density(drawn[2], f"1.{drawn[2]}")
        )
    ),
    min_size=1,
    max_size=12,
)
CLOSE = {"rel": 1e-9, "abs": 2e-3}


def slow_u95_t(counts):
    independent = math.fsum((float(c.volume_u95_m3) * float(c.density.t_per_m3)) ** 2 for c in counts)
    common: dict[int, float] = {}
    for c in counts:
        relative = 2 * float(c.density.standard_uncertainty_percent) / 100
        common[c.density.material_id] = common.get(c.density.material_id, 0.0) + relative * float(c.tonnes)
    return math.sqrt(independent + math.fsum(part**2 for part in common.values()))


@given(heaps)
def test_the_sum_agrees_with_the_slow_twin(counts):
    total = combine(counts)
    assert Fraction(total.volume_m3) == sum(Fraction(c.volume_m3) for c in counts)
    assert Fraction(total.tonnes) == sum(Fraction(c.tonnes) for c in counts)
    assert float(total.tonnes_u95_t) == pytest.approx(slow_u95_t(counts), **CLOSE)
    expected = math.sqrt(math.fsum(float(c.volume_u95_m3) ** 2 for c in counts))
    assert float(total.volume_u95_m3) == pytest.approx(expected, **CLOSE)


@given(heaps, st.randoms())
def test_the_order_does_not_matter(counts, random):
    shuffled = random.sample(counts, len(counts))
    assert combine(shuffled) == combine(counts)


@given(heaps)
def test_one_pile_keeps_its_own_doubt(counts):
    total = combine(counts[:1])
    assert total.tonnes == counts[0].tonnes
    assert float(total.tonnes_u95_t) == pytest.approx(float(counts[0].tonnes_u95_t), **CLOSE)


@given(heaps)
def test_the_doubt_lies_between_all_independent_and_all_common(counts):
    total = combine(counts)
    parts = [float(c.tonnes_u95_t) for c in counts]
    assert math.hypot(*parts) - 2e-3 <= float(total.tonnes_u95_t) <= math.fsum(parts) + 2e-3


@given(heaps, st.data())
def test_groups_add_up_to_the_whole(counts, data):
    cut = data.draw(st.integers(0, len(counts)))
    left, right, whole = combine(counts[:cut]), combine(counts[cut:]), combine(counts)
    assert left.volume_m3 + right.volume_m3 == whole.volume_m3
    assert (left.tonnes or 0) + (right.tonnes or 0) == whole.tonnes
    assert math.hypot(float(left.volume_u95_m3), float(right.volume_u95_m3)) == pytest.approx(
        float(whole.volume_u95_m3), **CLOSE
    )
