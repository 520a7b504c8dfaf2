"""The bare pad through the database: what months of floor shots say, and the base that follows."""

from __future__ import annotations

from typing import Any

import pytest

from inventory import basing
from inventory.errors import NotAllowed
from surveys import computing, measuring, pad_monitoring
from surveys.errors import WrongState
from surveys.models import Measurement
from tests.cast import Cast
from tests.surveys.pad_scene import AUGUST, JULY, JUNE, RAISED_M, changed, floor, monitor, month, put_on_pad
from tests.surveys.scene import Yard, work

pytestmark = pytest.mark.django_db


@pytest.fixture
def on_pad(yard: Yard) -> Yard:
    return put_on_pad(yard)


def test_a_true_pad_is_kept_by_date_and_asks_for_nothing(on_pad: Yard) -> None:
    month(on_pad, JUNE, floor(45, 60, 0.01))
    month(on_pad, JULY)
    found = monitor(on_pad.pile)
    assert [look.seen is None for look in found.looks] == [False, True]
    assert found.looks[0].seen.mean_m == pytest.approx(0.01, abs=1e-9)
    assert (found.regions, found.step) == ((), None)


def test_a_pile_over_its_own_toe_has_no_pad_to_watch(yard: Yard) -> None:
    month(yard, JUNE, floor(45, 60, 0.15))
    assert pad_monitoring.monitor_of(yard.pile, JUNE) is None


def test_a_region_that_was_bare_is_found_and_its_bridge_is_the_closed_form(on_pad: Yard) -> None:
    found = changed(on_pad)
    (region,) = found.regions
    assert region.mean_m == pytest.approx(RAISED_M, abs=1e-9)
    assert (region.first_on, region.last_on) == (JULY, JULY)
    proposal = pad_monitoring.proposal_of(found, region)
    # In August the frustum stands on x = 25 to 65, y = 0 to 40: 19.5 m of its width on the raised strip.
    rim_m3 = 2 * 0.02 * 40 * RAISED_M
    assert proposal.bridge.net_m3 == pytest.approx(RAISED_M * 19.5 * 40, abs=rim_m3)
    assert proposal.tonnes == pytest.approx(1.6 * proposal.bridge.net_m3)


def test_the_proposal_goes_the_way_of_every_base_and_measures_as_the_bridge_said(on_pad: Yard) -> None:
    found = changed(on_pad)
    proposal = pad_monitoring.proposal_of(found, found.regions[0])
    before = found.newest
    base = pad_monitoring.propose_region(
        on_pad.pile, on_pad.surveyor, on=AUGUST, sha256=proposal.sha256, valid_from=JULY, reason="regraded"
    )
    assert (base.status, base.evidence_sha256, base.version) == ("proposed", proposal.sha256, 3)
    basing.approve_base(base, on_pad.lead)
    again = work(measuring.request_measurement(before.survey, on_pad.pile, on_pad.surveyor, "new base"))
    assert again.base_version == base
    apart = again.record["net_m3"] - Measurement.objects.get(pk=before.pk).record["net_m3"]
    assert apart == pytest.approx(-proposal.bridge.net_m3, abs=1e-6)
    # What was measured before its first day stays on the old base, to the digit.
    june = Measurement.objects.get(pile=on_pad.pile, surveyed_on=JUNE)
    assert computing.recompute(june) == june.digest


def test_what_was_not_shown_is_not_proposed(on_pad: Yard, cast: Cast) -> None:
    found = changed(on_pad)
    given: dict[str, Any] = {"on": AUGUST, "valid_from": JULY, "reason": "regraded"}
    with pytest.raises(WrongState):
        pad_monitoring.propose_region(on_pad.pile, on_pad.surveyor, sha256="0" * 64, **given)
    proposal = pad_monitoring.proposal_of(found, found.regions[0])
    with pytest.raises(NotAllowed):
        pad_monitoring.propose_region(on_pad.pile, cast.a.accountant, sha256=proposal.sha256, **given)


def test_floor_all_round_off_by_one_step_is_told_though_no_region_is_known(on_pad: Yard) -> None:
    """As a crew leaves it: eight shots round the pile, too far apart to be a region."""
    round_it = [(-4, -4), (20, -4), (44, -4), (44, 20), (44, 44), (20, 44), (-4, 44), (-4, 20)]
    rows = [f"{k},{y},{x},{100 + RAISED_M},FLR" for k, (x, y) in enumerate(round_it, 500)]
    month(on_pad, JUNE, rows)
    found = monitor(on_pad.pile, JUNE)
    assert found.regions == ()
    assert found.step is not None
    assert found.step.mean_m == pytest.approx(RAISED_M)
