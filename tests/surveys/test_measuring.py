"""Asking for a measurement: what is pinned, which version it is, and when it is refused."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pytest

from compute import ALGORITHM
from compute.errors import BadOption
from inventory import places
from inventory.errors import NoBaseInForce, NotAllowed
from surveys import computing, grounds, intake, measuring, review
from surveys.errors import NothingRead, ReasonNeeded, WrongPile
from surveys.models import ControlPoint, Measurement, Transition
from tests.cast import Cast
from tests.surveys.scene import DAY, Yard, frustum_m3, frustum_rows, heap, point_file, work


def test_a_frustum_has_the_volume_of_the_closed_form(yard: Yard) -> None:
    measurement = yard.computed(heap(5.0))
    assert measurement.record["net_m3"] == pytest.approx(frustum_m3(5.0), rel=1e-12)
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), abs=5e-4)
    assert measurement.net_m3 == measurement.above_m3 - measurement.below_m3
    assert float(measurement.tonnes) == pytest.approx(1.6 * frustum_m3(5.0), abs=5e-4)
    assert measurement.u95_m3 > 0
    assert measurement.u95_t > 0
    assert (measurement.state, measurement.job_state, measurement.progress) == ("computed", "done", 1.0)


def test_every_input_is_pinned(yard: Yard) -> None:
    ControlPoint.objects.create(
        site=yard.site,
        name="CP1",
        northing_m="-30.0000",
        easting_m="-30.0000",
        elevation_m="101.5000",
        valid_from=dt.date(2025, 1, 1),
        valid_to=DAY,
    )
    ControlPoint.objects.create(
        site=yard.site,
        name="CP1",
        northing_m="-30.0100",
        easting_m="-30.0000",
        elevation_m="101.5000",
        valid_from=DAY,
    )
    pins = yard.asked().request
    stored = yard.pile.survey_files.get().stored_file
    base, density = yard.pile.bases.get(), yard.pile.material.densities.get()
    assert pins["files"] == [
        {
            "name": "shots.csv",
            "sha256": stored.sha256,
            "bytes": stored.bytes,
            "columns": None,
            "unit": "metre",
            "delimiter": None,
            "decimal": None,
            "whole_yard": False,
        }
    ]
    assert pins["outline"] == yard.pile.outline
    assert pins["other_outlines"] == {yard.neighbour.code: yard.neighbour.outline}
    assert (pins["base"]["id"], pins["base"]["version"], pins["base"]["kind"]) == (base.pk, 1, "toe")
    assert (pins["density"]["id"], pins["density"]["t_per_m3"]) == (density.pk, "1.6000")
    assert [point["northing_m"] for point in pins["control"]] == ["-30.0100"]
    assert pins["model"]["height_bias_base_m"] == 0.02
    assert pins["limits"]["toe_shots_wanted"] == 8
    assert pins["algorithm"] == ALGORITHM
    assert pins["edge"] is None
    assert json.loads(json.dumps(pins)) == pins


def test_the_survey_overrides_the_site_and_the_site_the_method(yard: Yard) -> None:
    places.change_site(
        yard.site,
        by=yard.company.manager,
        uncertainty={"shot_noise_m": 0.5, "toe_position_m": 0.7},
        limits={"toe_gap_m": 12.0},
    )
    survey = yard.survey_with(heap(), yard.pile)
    survey.uncertainty, survey.limits = {"shot_noise_m": 0.6}, {"toe_gap_m": 13.0}
    survey.save()
    pins = measuring.request_measurement(survey, yard.pile, yard.surveyor).request
    assert (pins["model"]["shot_noise_m"], pins["model"]["toe_position_m"]) == (0.6, 0.7)
    assert pins["limits"]["toe_gap_m"] == 13.0


def test_an_override_that_does_not_exist_is_refused_by_name(yard: Yard) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    survey.limits = {"toe_gap": 13.0}
    survey.save()
    with pytest.raises(BadOption, match="toe_gap is no limits"):
        measuring.request_measurement(survey, yard.pile, yard.surveyor)


def test_without_a_density_the_volume_stands_and_says_why(yard: Yard, company: Any) -> None:
    other = company.material("M9", "Sand")
    pile = company.pile(yard.site, other)
    company.base(pile)
    survey = yard.survey_with(heap(east_m=200.0), pile)
    measurement = work(measuring.request_measurement(survey, pile, yard.surveyor))
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), abs=5e-4)
    assert (measurement.tonnes, measurement.u95_t, measurement.density) == (None, None, None)
    assert measurement.request["no_density"]["code"] == "no-density-in-force"


def test_without_a_base_the_books_refusal_is_the_answer(yard: Yard, company: Any) -> None:
    pile = company.pile(yard.site, yard.pile.material)
    survey = yard.survey_with(heap(), pile)
    with pytest.raises(NoBaseInForce, match="has no base in force on 2025-06-30"):
        measuring.request_measurement(survey, pile, yard.surveyor)
    assert not Measurement.objects.exists()


def test_a_surveyed_ground_is_pinned_and_measured_against(yard: Yard) -> None:
    # A level pad 2 m below the toe adds the prism of the toe square: 40 · 40 · 2.
    pad = point_file(
        [f"{i},{n},{e},98.0,GND" for i, (n, e) in enumerate([(-9, -9), (-9, 49), (49, 49), (49, -9)])]
    )
    base = grounds.propose_surveyed_base(
        yard.pile,
        "pad.csv",
        pad,
        yard.surveyor,
        valid_from=dt.date(2025, 6, 1),
        height_uncertainty_m="0.02",
        reason="pad survey",
    )
    from inventory import basing

    basing.approve_base(base, yard.lead)
    measurement = yard.computed(heap(5.0))
    assert measurement.base_version == base
    assert measurement.request["base"]["sha256"] == base.evidence_sha256
    assert measurement.record["net_m3"] == pytest.approx(frustum_m3(5.0) + 3200.0, rel=1e-12)
    before = yard.computed(heap(5.0, toe_m=100.0), day=dt.date(2025, 5, 31))
    assert before.record["net_m3"] == pytest.approx(frustum_m3(5.0), rel=1e-12)


def test_a_later_request_replaces_what_nobody_approved(yard: Yard) -> None:
    first = yard.reviewed()
    second = measuring.request_measurement(first.survey, yard.pile, yard.surveyor, "second look")
    first.refresh_from_db()
    assert (first.state, second.version, second.state, second.supersedes) == ("withdrawn", 2, "draft", None)
    last = Transition.objects.filter(measurement=first).last()
    assert (last.to_state, last.comment) == ("withdrawn", "replaced by version 2")


def test_a_correction_of_an_approved_version_needs_a_reason_and_leaves_it_in_force(yard: Yard) -> None:
    first = yard.approved()
    with pytest.raises(ReasonNeeded, match="is approved and counted"):
        measuring.request_measurement(first.survey, yard.pile, yard.surveyor)
    second = measuring.request_measurement(first.survey, yard.pile, yard.surveyor, "wrong pole height")
    first.refresh_from_db()
    assert first.state == "approved"
    assert (second.version, second.supersedes, second.correction_reason) == (2, first, "wrong pole height")


def test_a_survey_of_the_whole_yard_makes_one_measurement_a_pile(yard: Yard) -> None:
    survey = yard.survey_with(point_file(frustum_rows(), frustum_rows(east_m=60.0, height_m=4.0)))
    asked = measuring.measure_survey(survey, yard.surveyor)
    assert [one.pile.code for one in asked.measurements] == [yard.pile.code, yard.neighbour.code]
    volumes = [work(one).record["net_m3"] for one in asked.measurements]
    assert volumes == [pytest.approx(frustum_m3(5.0), rel=1e-12), pytest.approx(frustum_m3(4.0), rel=1e-12)]


def test_measuring_again_leaves_alone_what_has_the_same_inputs(yard: Yard) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    (first,) = measuring.measure_survey(survey, yard.surveyor).measurements
    intake.receive_file(survey, "next.csv", heap(4.0, east_m=60.0), yard.surveyor, yard.neighbour)
    again = measuring.measure_survey(survey, yard.surveyor)
    assert again.unchanged == (first,)
    assert [one.pile for one in again.measurements] == [yard.neighbour]


def test_one_pile_that_cannot_be_measured_does_not_stop_the_others(yard: Yard, company: Any) -> None:
    bare = company.pile(yard.site, yard.pile.material, code="AAA")
    survey = yard.survey_with(heap(), yard.pile)
    intake.receive_file(survey, "bare.csv", heap(3.0), yard.surveyor, bare)
    asked = measuring.measure_survey(survey, yard.surveyor)
    assert [one.pile for one in asked.measurements] == [yard.pile]
    ((pile, refusal),) = asked.refused
    assert (pile, refusal.code) == (bare, "no-base-in-force")


def test_stray_shots_do_not_touch_a_pile(yard: Yard) -> None:
    survey = yard.survey_with(
        point_file(frustum_rows(), ["90,20.0,80.0,100.0,SPT", "91,21.0,80.0,100.0,SPT"])
    )
    assert [pile.code for pile in measuring.piles_touched(survey)] == [yard.pile.code]


def test_nothing_is_measured_while_a_file_waits_for_a_choice(yard: Yard) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    intake.receive_file(survey, "unclear.csv", point_file(frustum_rows(), header=False), yard.surveyor)
    with pytest.raises(NothingRead, match=r"unclear\.csv may hold shots"):
        measuring.request_measurement(survey, yard.pile, yard.surveyor)


def test_a_survey_without_shots_is_refused(yard: Yard) -> None:
    with pytest.raises(NothingRead):
        measuring.measure_survey(yard.survey(), yard.surveyor)
    with pytest.raises(NothingRead):
        measuring.request_measurement(yard.survey(), yard.pile, yard.surveyor)
    refused = yard.survey_with(b"PK\x03\x04\x00\x00", yard.pile)
    with pytest.raises(NothingRead):
        measuring.request_measurement(refused, yard.pile, yard.surveyor)


def test_a_file_set_aside_enters_nothing(yard: Yard) -> None:
    survey = yard.survey_with(heap(5.0), yard.pile)
    wrong = intake.receive_file(survey, "wrong.csv", heap(9.0, east_m=0.5), yard.surveyor, yard.pile)
    intake.set_aside(wrong, yard.surveyor, "another pile's file")
    measurement = work(measuring.request_measurement(survey, yard.pile, yard.surveyor))
    assert measurement.record["net_m3"] == pytest.approx(frustum_m3(5.0), rel=1e-12)


def test_measuring_is_for_surveyors_and_piles_of_the_site(yard: Yard, cast: Cast) -> None:
    survey = yard.survey_with(heap(), yard.pile)
    for person in (cast.a.manager, cast.a.administrator, cast.outsider):
        with pytest.raises(NotAllowed):
            measuring.request_measurement(survey, yard.pile, person)
        with pytest.raises(NotAllowed):
            measuring.measure_survey(survey, person)
    elsewhere = cast.a.pile(cast.a.site("OTH"), yard.pile.material)
    with pytest.raises(WrongPile):
        measuring.request_measurement(survey, elsewhere, yard.surveyor)


def test_the_digest_comes_out_again_from_the_pins_alone(yard: Yard) -> None:
    measurement = yard.approved()
    digest = measurement.digest
    yard.pile.outline = []
    yard.pile.save()
    places.change_site(yard.site, by=yard.company.manager, code_rules={"rejected": ["SPT*"]})
    yard.company.density(yard.pile.material, "2.2", valid_from=DAY, reason="new test")
    assert computing.recompute(Measurement.objects.get(pk=measurement.pk)) == digest


def test_geometry_is_kept_and_checked_by_its_hash(yard: Yard) -> None:
    arrays = computing.geometry_of(yard.computed())
    assert arrays
    assert all(array.size for array in arrays.values())


def test_a_drawn_edge_of_the_survey_is_used(yard: Yard) -> None:
    survey = yard.survey_with(heap(5.0), yard.pile)
    # The crest square alone: a prism of 20 · 20 · 5 over the toe-derived base at its own rim would be 0,
    # so the base is a fixed level here.
    yard.company.base(yard.pile, kind="level", level_m="100", valid_from=DAY)
    ring = [[10, 10], [30, 10], [30, 30], [10, 30], [10, 10]]
    edge = json.dumps({"type": "Polygon", "coordinates": [ring]}).encode()
    intake.receive_file(survey, "edge.geojson", edge, yard.surveyor, yard.pile, purpose="edge")
    measurement = work(measuring.request_measurement(survey, yard.pile, yard.surveyor))
    assert measurement.record["net_m3"] == pytest.approx(20 * 20 * 5, rel=1e-12)
    assert review.open_findings(measurement) is not None
