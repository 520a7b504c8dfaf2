"""Whatever is proposed and approved, each day has one density at most, and the right one.

The slow twin is a dictionary from day to record, filled day by day.
"""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import density
from inventory.errors import NoDensityInForce, ValidityOverlap
from inventory.models import DensityRecord

FIRST = dt.date(2025, 1, 1)
DAYS = 24
spans = st.tuples(st.integers(0, DAYS - 1), st.one_of(st.none(), st.integers(1, DAYS)))


def day(number):
    return FIRST + dt.timedelta(days=number)


def fits(twin, begin, end):
    """The rule in its slow form: at most one record is touched, and no day that had one is left bare."""
    touched = {twin[n] for n in range(begin, end) if n in twin}
    after = {twin[n] for n in range(end, DAYS + 1) if n in twin}
    return len(touched) <= 1 and not touched & after


@pytest.fixture
def yard(company):
    material = company.material()
    return company, material, company.pile(company.site(), material)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(proposals=st.lists(spans, min_size=1, max_size=7))
def test_each_day_has_the_record_that_was_approved_last_for_it(yard, proposals):
    company, material, _ = yard
    pile = company.pile(
        company.site(f"S{material.densities.count()}-{company.organization.sites.count()}"), material
    )
    twin: dict[int, DensityRecord] = {}
    for begin, length in proposals:
        # The last number stands for every later day: an open record holds it, a closed one may reach it.
        end = DAYS + 1 if length is None else min(begin + length, DAYS)
        dates = {"valid_from": day(begin), "valid_to": None if length is None else day(end)}
        if fits(twin, begin, end):
            record = company.density(material, "1.6", pile=pile, **dates)
            twin.update(dict.fromkeys(range(begin, end), record))
        else:
            with pytest.raises(ValidityOverlap):
                company.proposed_density(material, "1.6", pile=pile, **dates)
        for number in range(DAYS + 1):
            assert_in_force(pile, number, twin.get(number))
    in_force = list(DensityRecord.objects.filter(pile=pile, status="approved").order_by("valid_from"))
    for earlier, later in itertools.pairwise(in_force):
        assert earlier.valid_to is not None
        assert earlier.valid_to <= later.valid_from


def assert_in_force(pile, number, record):
    if record is None:
        with pytest.raises(NoDensityInForce):
            density.density_in_force(pile, day(number))
    else:
        assert density.density_in_force(pile, day(number)) == record
