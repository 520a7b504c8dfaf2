"""Marks over time: proposed and approved, doubted and destroyed, and told when they move.

How often a resting mark is called moving, and how often a step is found, is held against the normal
distribution by simulation with a fixed seed. Mann and Kendall's test as `scipy.stats` has it is the outside
opinion on drifts (H. B. Mann, Econometrica 13, 1945, 245; M. G. Kendall, Rank Correlation Methods, 1955).
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.db import IntegrityError, connection, transaction
from scipy import stats

from compute.mark_motion import CHANCE, motions_of
from inventory.errors import NotAllowed, SamePerson
from surveys import control, control_history, intake
from surveys.errors import ReasonNeeded, WrongDate, WrongState
from surveys.models import CheckMeasurement, ControlPoint
from tests.surveys.book_scene import MARKS, approved, book, known, received
from tests.surveys.scene import DAY, Yard, heap

FIRST = dt.date(2024, 1, 15)
NOISE_M = 0.004


def months(n: int) -> tuple[dt.date, ...]:
    return tuple(FIRST + dt.timedelta(days=30 * i) for i in range(n))


def series(rng: Any, n: int, step_m: float = 0.0, after: int = 0, drift_m: float = 0.0) -> Any:
    """(n, 3) offsets: noise, and on the height a step from `after` on, or a drift over the whole time."""
    offsets = rng.normal(0.0, NOISE_M, (n, 3))
    offsets[after:, 2] += step_m
    offsets[:, 2] += drift_m * np.linspace(0.0, 1.0, n)
    return offsets


# --- the judgement ----------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [6, 12, 36])
def test_a_resting_mark_is_called_moving_no_oftener_than_promised(n: int) -> None:
    rng = np.random.default_rng(11)
    tries = 2000
    alarms = sum(bool(motions_of(months(n), series(rng, n), np.full((n, 3), NOISE_M))) for _ in range(tries))
    # Three axes, two questions each; and the binomial's three sigma on top.
    promised = 6 * CHANCE
    assert alarms / tries <= promised + 3 * (promised / tries) ** 0.5


def test_steps_are_found_where_and_as_large_as_they_are() -> None:
    rng = np.random.default_rng(12)
    found = []
    for _ in range(300):
        motions = motions_of(months(12), series(rng, 12, 0.020, after=6), np.full((12, 3), NOISE_M))
        found += [motion for motion in motions if motion.axis == "up"]
    assert len(found) / 300 > 0.97
    steps = [motion for motion in found if motion.kind == "step"]
    assert len(steps) / len(found) > 0.95
    assert np.mean([motion.size_m for motion in steps]) == pytest.approx(0.020, abs=0.001)
    exact = sum((m.since, m.until) == (months(12)[5], months(12)[6]) for m in steps)
    assert exact / len(steps) > 0.9


def test_a_drift_is_told_as_a_drift_and_as_mann_and_kendall_tell_it() -> None:
    rng = np.random.default_rng(13)
    agreed = 0
    for _ in range(200):
        offsets = series(rng, 24, drift_m=0.024)
        (motion, *_) = motions_of(months(24), offsets, np.full((24, 3), NOISE_M))
        assert motion.axis == "up"
        slope = stats.theilslopes(offsets[:, 2], [day.toordinal() for day in months(24)]).slope
        if motion.kind == "drift":
            agreed += 1
            assert motion.size_m == pytest.approx(slope * 30 * 23, abs=0.007)
        assert stats.kendalltau(range(24), offsets[:, 2]).pvalue < 0.01
    assert agreed / 200 > 0.9


def test_one_wild_survey_moves_no_mark() -> None:
    rng = np.random.default_rng(14)
    for wild in range(12):
        offsets = series(rng, 12)
        offsets[wild, 2] += 0.080
        assert motions_of(months(12), offsets, np.full((12, 3), NOISE_M)) == ()


def test_too_few_days_say_nothing() -> None:
    offsets = np.array([[0.0, 0.0, 0.0]] * 2 + [[0.0, 0.0, 0.5]] * 2)
    assert motions_of(months(4), offsets, np.full((4, 3), NOISE_M)) == ()


# --- rows, through the doors ------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_book_leaves_a_row_for_every_sight_to_a_mark(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    rows = list(CheckMeasurement.objects.filter(file=file))
    kinds = [row.kind for row in rows]
    # Each of four set-ups sights its back-sight, its fore-sight, and its back-sight again.
    assert (kinds.count("backsight-distance"), kinds.count("re-shot"), kinds.count("closing")) == (4, 7, 1)
    for row in rows:
        assert row.from_mark in MARKS
        for value in (row.north_m, row.east_m, row.up_m, row.distance_m):
            assert value is None or abs(value) < Decimal("0.0015")


@pytest.mark.django_db
def test_a_file_of_coordinates_leaves_its_check_shots(yard: Yard) -> None:
    known(yard)
    north, east, up = MARKS["K2"]
    checks = f"c1,{north + 0.012:.3f},{east:.3f},{up - 0.02:.3f},CHK\nc2,500,500,100,CHK\n"
    survey = yard.survey()
    file = intake.receive_file(survey, "shots.csv", heap() + checks.encode(), yard.surveyor, yard.pile)
    row = CheckMeasurement.objects.get()
    assert (row.control_point.name, row.north_m, row.east_m, row.up_m) == (
        "K2", Decimal("0.0120"), Decimal("0.0000"), Decimal("-0.0200"),
    )  # fmt: skip
    intake.declare_columns(file, None, "foot", "", "", yard.surveyor)
    assert not CheckMeasurement.objects.exists()


def moved(name: str, by_m: tuple[float, float, float]) -> dict[str, tuple[float, float, float]]:
    place = MARKS[name]
    return {**MARKS, name: (place[0] + by_m[0], place[1] + by_m[1], place[2] + by_m[2])}


@pytest.mark.django_db
def test_a_mark_that_moved_is_told_and_no_other(yard: Yard) -> None:
    known(yard)
    for month in range(8):
        true = moved("K3", (0.0, 0.030, -0.018)) if month >= 4 else MARKS
        received(yard, book(true=true), dt.date(2025, 3, 1) + dt.timedelta(days=14 * month), f"{month}.csv")
    (finding,) = control_history.marks_on_the_move(yard.site)
    assert (finding.code, finding.where) == ("mark-moving", "K3")
    assert "30 mm east between 2025-04-12 and 2025-04-26 (4 surveys before, 4 after)" in finding.message
    assert "18 mm down" in finding.message
    assert len(control_history.history_of(yard.site)["K3"]) == 8 * 3


@pytest.mark.django_db
def test_resting_marks_are_silent_and_a_superseded_version_does_not_count_twice(yard: Yard) -> None:
    from surveys import fieldbooks

    known(yard)
    for month in range(6):
        file = received(yard, book(), dt.date(2025, 3, 1) + dt.timedelta(days=14 * month), f"{month}.csv")
    before = len(control_history.checks_of(yard.site))
    fieldbooks.reduce_book(file, yard.surveyor, reason="once more")
    assert len(control_history.checks_of(yard.site)) == before
    assert control_history.marks_on_the_move(yard.site) == []


# --- the life of a mark -----------------------------------------------------------------------------


@pytest.mark.django_db
def test_a_place_holds_when_another_person_has_approved_it(yard: Yard) -> None:
    proposed = control.propose_control_point(
        yard.site, "K9", northing_m=Decimal(1), easting_m=Decimal(2), elevation_m=Decimal(3),
        valid_from=DAY, by=yard.lead,
    )  # fmt: skip
    assert not ControlPoint.objects.in_force_on(DAY).exists()
    with pytest.raises(SamePerson):
        control.approve_control_point(proposed, yard.lead)
    with pytest.raises(NotAllowed):
        control.approve_control_point(proposed, yard.surveyor)
    control.withdraw_control_point(proposed, yard.surveyor, "typed wrongly")
    with pytest.raises(WrongState):
        control.approve_control_point(proposed, yard.lead)
    point = approved(yard, "K9", (1.0, 2.0, 3.5), DAY)
    assert [event.what for event in point.events.all()] == ["proposed", "approved"]
    assert ControlPoint.objects.in_force_on(DAY).get() == point


@pytest.mark.django_db
def test_a_moved_mark_goes_on_as_a_new_version(yard: Yard) -> None:
    first = approved(yard, "K9", (1.0, 2.0, 3.5), DAY)
    with pytest.raises(WrongDate, match="is known from"):
        approved(yard, "K9", (1.0, 2.0, 3.4), DAY)
    second = approved(yard, "K9", (1.0, 2.0, 3.4), DAY + dt.timedelta(days=30))
    first.refresh_from_db()
    assert first.valid_to == second.valid_from
    assert ControlPoint.objects.in_force_on(DAY + dt.timedelta(days=29)).get() == first
    assert ControlPoint.objects.in_force_on(DAY + dt.timedelta(days=30)).get() == second


@pytest.mark.django_db
def test_a_doubted_mark_is_compared_and_not_held(yard: Yard) -> None:
    points = {point.name: point for point in known(yard)}
    with pytest.raises(ReasonNeeded):
        control.mark_suspect(points["K3"], yard.surveyor, DAY, " ")
    control.mark_suspect(points["K3"], yard.surveyor, DAY, "a loader leaned on it")
    file = received(yard, book(true=moved("K3", (0.0, 0.05, 0.0))))
    pins = file.reductions.get().request
    assert {one["name"] for one in pins["control"]} == {"K1", "K2", "K4"}
    assert [one["name"] for one in pins["beside"]] == ["K3"]
    seen = file.checks.filter(control_point=points["K3"], kind="re-shot").first()
    assert seen is not None
    assert float(seen.east_m) == pytest.approx(0.05, abs=0.002)
    before = dt.date(2025, 6, 1)
    assert ControlPoint.objects.filter(name="K3").trusted_on(before).exists()
    control.restore(points["K3"], yard.surveyor, DAY, "measured from K2 and K4: it stands")
    assert ControlPoint.objects.filter(name="K3").trusted_on(DAY).exists()


@pytest.mark.django_db
def test_a_destroyed_mark_ends_on_its_day(yard: Yard) -> None:
    point = approved(yard, "K9", (1.0, 2.0, 3.5), dt.date(2025, 1, 1))
    control.mark_destroyed(point, yard.surveyor, DAY, "dug up")
    point.refresh_from_db()
    assert point.valid_to == DAY
    assert not ControlPoint.objects.in_force_on(DAY).exists()
    with pytest.raises(WrongState):
        control.restore(point, yard.surveyor, DAY, "found again")


@pytest.mark.django_db
def test_the_database_keeps_places_checks_and_events(yard: Yard) -> None:
    known(yard)
    received(yard, book())
    for statement in (
        "UPDATE surveys_controlpoint SET elevation_m = elevation_m + 1",
        "UPDATE surveys_controlpoint SET approval = 'proposed'",
        "DELETE FROM surveys_controlpoint",
        "UPDATE surveys_checkmeasurement SET up_m = 0",
        "DELETE FROM surveys_checkmeasurement",
        "UPDATE surveys_controlevent SET reason = 'x'",
        "DELETE FROM surveys_controlevent",
    ):
        with (
            pytest.raises(IntegrityError, match="write-once"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)
