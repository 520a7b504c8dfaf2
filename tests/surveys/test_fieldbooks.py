"""Field books through the doors: received, reduced, corrected in versions, accepted, measured.

The book is the reduction turned round, from marks and shots whose places are known; the volume of the
frustum is the closed form of the scene (Euclid, Elements XII.7).
"""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from compute.errors import BadOption
from compute.traverse.corrections import SetupCorrection as Correction
from inventory.errors import NotAllowed, SamePerson
from surveys import computing, fieldbooks, intake, measuring, pins, review
from surveys import fieldbook_sheets as sheets
from surveys.errors import (
    BookNotClosed,
    ControlMissing,
    NothingRead,
    ReasonNeeded,
    ReductionDiffers,
    ReductionNotAccepted,
    WrongState,
)
from surveys.fieldbook_request import BookSettings, GivenStation
from surveys.models import BookReduction, Measurement, SurveyFile
from tests.compute.field_crew import HEADER
from tests.surveys.book_scene import MARKS, book, frustum_shots, known, misread, received, wrong_pole
from tests.surveys.scene import DAY, Yard, frustum_m3, heap, work

pytestmark = pytest.mark.django_db
RIGHT = Correction("3", "orientation", 10.0 / 60.0, "the reading at the end of the set-up")


def live(file: SurveyFile) -> BookReduction:
    reduction = fieldbooks.live_reduction(file)
    assert reduction is not None, file.preview
    return reduction


def measured(file: SurveyFile, by: Any, reason: str = "") -> Measurement:
    asked = measuring.measure_survey(file.survey, by, reason)
    assert not asked.refused
    return work(asked.measurements[0])


def given(name: str) -> GivenStation:
    """A mark from the sheet in the van."""
    return GivenStation(name, *(Decimal(str(value)) for value in MARKS[name]), source="sheet")


def codes(thing: Any, *severities: str) -> set[str]:
    return {f["code"] for f in thing.findings if f["severity"] in severities}


# --- intake -----------------------------------------------------------------------------------------


def test_a_book_gives_the_pile_its_shots(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    assert (file.purpose, file.state, file.problems, file.points_n) == ("field-book", "read", {}, 14)
    assert live(file).gives_shots
    assert file.split["piles"] == {yard.pile.code: 14}
    for shot, (point, place, code) in zip(live(file).record["shots"], _in_order(file), strict=True):
        assert (shot["point"], shot["code"]) == (point, code)
        seen = (shot["northing"], shot["easting"], shot["elevation"])
        assert seen == pytest.approx(place, abs=0.0015)
    measurement = measured(file, yard.surveyor)
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)
    # The frustum of the scene has its toe shots 20 m apart; the book adds nothing to that.
    assert codes(measurement, "stop", "warn") == {"toe-gap"}
    assert [one["sha256"] for one in measurement.record["inputs"]] == [file.stored_file.sha256]


def _in_order(file: SurveyFile) -> list[Any]:
    """The true shots in the order of the book."""
    by_name = {point: (point, place, code) for point, place, code in frustum_shots()}
    return [by_name[shot["point"]] for shot in live(file).record["shots"]]


def test_every_problem_of_a_book_is_told_at_once_and_its_bytes_are_kept(yard: Yard) -> None:
    known(yard)
    lines = book().decode().splitlines()
    lines[2] = lines[2].replace("°", "*", 1)
    lines[5] = lines[5].replace(",1.800,", ",high,", 1)
    file = received(yard, "\n".join(lines).encode())
    assert (file.purpose, file.state) == ("field-book", "refused")
    assert [problem["line"] for problem in file.problems["problems"]] == [3, 6]
    assert not file.reductions.exists()
    with pytest.raises(NothingRead):
        measuring.measure_survey(file.survey, yard.surveyor)


def test_a_book_of_two_backsights_at_one_setup_is_refused(yard: Yard) -> None:
    known(yard)
    lines = book().decode().splitlines()
    file = received(yard, "\n".join([*lines, lines[1].replace(",K4,", ",K2,", 1)]).encode())
    assert file.state == "refused"
    assert "2 back-sights" in file.problems["problems"][0]["message"]


def test_other_files_stay_what_they_were(yard: Yard) -> None:
    file = received(yard, heap())
    assert (file.purpose, file.state) == ("measure", "read")
    courses = b"from,to,direction,distance\nA,B,10-00-00,100\nB,A,190-00-00,100\n"
    assert received(yard, courses, name="courses.csv").state != "read"


def test_a_book_that_hangs_on_nothing_says_so_and_takes_its_marks_by_hand(yard: Yard) -> None:
    file = received(yard, book())
    assert file.state == "read"
    assert not file.reductions.exists()
    assert file.preview["not_reduced"]["code"] == "control-missing"
    with pytest.raises(NothingRead, match="may hold shots"):
        measuring.request_measurement(file.survey, yard.pile, yard.surveyor)
    with pytest.raises(ControlMissing, match="K9"):
        fieldbooks.reduce_book(file, yard.surveyor, BookSettings(held=("K9",)))
    two = tuple(
        GivenStation(name, *(Decimal(str(value)) for value in MARKS[name]), source="sheet")
        for name in ("K1", "K4")
    )
    reduction = fieldbooks.reduce_book(file, yard.surveyor, BookSettings(stations=two))
    assert "not_reduced" not in file.preview
    assert [one["source"] for one in reduction.request["control"]] == ["sheet", "sheet"]
    # The two others are adjusted, and come out where they are.
    places = {one["name"]: one for one in reduction.record["stations"]}
    for name, place in MARKS.items():
        found = (places[name]["northing"], places[name]["easting"], places[name]["elevation"])
        assert found == pytest.approx(place, abs=0.002)


# --- closure, corrections, acceptance ---------------------------------------------------------------


def test_a_misread_circle_gives_no_shots_until_it_is_corrected(yard: Yard) -> None:
    known(yard)
    file = received(yard, book(misread()))
    first = live(file)
    assert not first.gives_shots
    assert codes(first, "stop") == {"misclosure-angular"}
    assert first.findings[0]["where"] == "station K3"
    assert first.record["closure"]["angular_seconds"] == pytest.approx(-600.0, abs=3.0)
    with pytest.raises(NothingRead, match="does not close"):
        measuring.request_measurement(file.survey, yard.pile, yard.surveyor)
    with pytest.raises(BookNotClosed):
        fieldbooks.accept(first, yard.lead)
    second = fieldbooks.correct_setups(file, yard.surveyor, [RIGHT], "circle misread by 10 minutes")
    first.refresh_from_db()
    assert (first.state, second.state, second.version) == ("superseded", "computed", 2)
    assert second.gives_shots
    assert float(measured(file, yard.surveyor).net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)
    # Nothing of what was observed has changed.
    assert second.request["file"] == first.request["file"]


def test_a_misclosure_is_accepted_only_for_a_reason_that_stays(yard: Yard) -> None:
    known(yard)
    file = received(yard, book(misread()))
    with pytest.raises(ReasonNeeded):
        fieldbooks.accept_misclosure(file, yard.surveyor, "  ")
    reduction = fieldbooks.accept_misclosure(file, yard.surveyor, "mark dug up; only the toe is wanted")
    assert reduction.gives_shots
    assert "misclosure-accepted" in codes(reduction, "warn")
    assert "misclosure-accepted" in codes(measured(file, yard.surveyor), "warn")
    carried = fieldbooks.reduce_book(file, yard.surveyor, reason="once more")
    assert carried.request["settings"]["accept_misclosure"] == "mark dug up; only the toe is wanted"


def test_corrections_are_carried_on_with_who_made_them(yard: Yard) -> None:
    known(yard)
    file = received(yard, book(wrong_pole("2")))
    pole = Correction("2", "target_height", 1.8, "pole read on the photograph")
    fieldbooks.correct_setups(file, yard.surveyor, [pole], "pole of set-up 2")
    hi = Correction("1", "instrument_height", 1.501, "taped twice")
    third = fieldbooks.correct_setups(file, yard.lead, [hi], "height of set-up 1")
    told = [(row.setup, row.field, row.value, row.by) for row in third.corrections.all()]
    assert told == [
        ("2", "target_height", "1.8", yard.surveyor),
        ("1", "instrument_height", "1.501", yard.lead),
    ]
    with pytest.raises(ReasonNeeded):
        fieldbooks.correct_setups(file, yard.surveyor, [hi], " ")
    with pytest.raises(BadOption, match="no set-up 9"):
        fieldbooks.correct_setups(file, yard.surveyor, [dataclasses.replace(hi, setup="9")], "again")
    with pytest.raises(BadOption):
        fieldbooks.correct_setups(file, yard.surveyor, [], "nothing")
    assert file.reductions.count() == 3


def test_a_wrong_pole_is_seen_and_its_correction_moves_the_figure_on_request(yard: Yard) -> None:
    known(yard)
    file = received(yard, book(wrong_pole("2")))
    assert "check-sight-off" in codes(live(file), "warn")
    first = measured(file, yard.surveyor)
    assert "check-sight-off" in codes(first, "warn")
    assert measuring.standing_version(file.survey, yard.pile) == first
    names = [shot["point"] for shot in live(file).record["shots"] if shot["setup"] == "2"]
    pole = Correction("2", "target_height", 1.8, "pole read on the photograph", names[0], "K1")
    fieldbooks.correct_setups(file, yard.surveyor, [pole], "pole of set-up 2")
    # Nothing moves by itself; asked again, the pile gets a new version.
    assert first.pile.measurements.count() == 1
    assert measuring.outdated(file.survey) == [first]
    second = measured(file, yard.surveyor)
    assert measuring.outdated(file.survey) == []
    first.refresh_from_db()
    assert (first.state, second.version) == ("withdrawn", 2)
    # A quarter of the pile stands 0.2 m too high, toe and all, and the toe is its base.
    assert abs(float(first.net_m3) - frustum_m3(5.0)) > 15.0
    assert float(second.net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)
    assert codes(second, "stop", "warn") == {"toe-gap"}


def test_who_reduced_a_book_does_not_accept_it_and_nothing_is_approved_before(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    measurement = yard.review(measured(file, yard.surveyor))
    with pytest.raises(ReductionNotAccepted, match="v1 is computed"):
        review.approve(measurement, yard.lead)
    with pytest.raises(NotAllowed):
        fieldbooks.accept(live(file), yard.surveyor)
    of_lead = received(yard, book(), name="own.csv")
    own = fieldbooks.reduce_book(of_lead, yard.lead, reason="reduced again")
    with pytest.raises(SamePerson):
        fieldbooks.accept(own, yard.lead)
    accepted = fieldbooks.accept(live(file), yard.lead, "closure looked over")
    assert (accepted.state, accepted.accepted_by) == ("accepted", yard.lead)
    with pytest.raises(WrongState):
        fieldbooks.accept(accepted, yard.lead)
    assert review.approve(measurement, yard.lead).state == "approved"
    # A newer version waits beside the one that is accepted, and takes its place when it is accepted itself.
    newer = fieldbooks.reduce_book(file, yard.surveyor, reason="looked at again")
    accepted.refresh_from_db()
    assert (accepted.state, newer.state) == ("accepted", "computed")
    fieldbooks.accept(newer, yard.lead)
    accepted.refresh_from_db()
    assert accepted.state == "superseded"


def test_a_book_sent_back_stands_for_nothing_until_its_next_version(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    first = live(file)
    with pytest.raises(ReasonNeeded):
        fieldbooks.send_back(first, yard.lead, "")
    fieldbooks.send_back(first, yard.lead, "the heights of the marks are of 2023")
    assert fieldbooks.live_reduction(file) is None
    with pytest.raises(NothingRead):
        measuring.request_measurement(file.survey, yard.pile, yard.surveyor)
    assert fieldbooks.reduce_book(file, yard.surveyor, reason="control of 2025 entered").version == 2


def test_a_book_without_shots_serves_the_control_alone(yard: Yard) -> None:
    known(yard)
    marks_only = "\n".join(line for line in book().decode().splitlines() if ",shot," not in line)
    file = received(yard, marks_only.encode())
    assert live(file).gives_shots
    assert (file.points_n, live(file).shots_n, file.checks.count()) == (0, 0, 12)
    fieldbooks.accept(live(file), yard.lead)
    with pytest.raises(NothingRead):
        measuring.measure_survey(file.survey, yard.surveyor)


def test_a_height_that_was_not_written_is_not_guessed(yard: Yard) -> None:
    known(yard)
    lines = book().decode().splitlines()
    place = next(i for i, line in enumerate(lines) if ",shot," in line and ",SPT," in line)
    lines[place] = lines[place].replace(",1.800,", ",,")
    file = received(yard, "\n".join(lines).encode())
    measurement = measured(file, yard.surveyor)
    assert measurement.record["shots"]["read"] == 13
    assert {"target-height-missing", "shots-without-height"} <= codes(measurement, "warn")


def test_a_book_declared_in_another_unit_is_reduced_again(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    intake.declare_columns(file, None, "foot", "", "", yard.surveyor)
    newest = live(file)
    assert (newest.version, newest.request["file"]["unit"]) == (2, "foot")
    assert newest.reason
    intake.declare_columns(file, None, "metre", "", "", yard.surveyor)
    assert file.split["piles"] == {yard.pile.code: 14}


def test_pins_of_books_take_the_same_few_questions_however_often_they_were_reduced(
    yard: Yard, django_assert_max_num_queries: Any
) -> None:
    known(yard)
    file = received(yard, book())
    with django_assert_max_num_queries(20):
        pins.pinned(file.survey, yard.pile)
    for number in range(2, 8):
        fieldbooks.reduce_book(file, yard.surveyor, reason=f"version {number}")
    with django_assert_max_num_queries(20):
        request, _, _ = pins.pinned(file.survey, yard.pile)
    assert request["files"][0]["reduction"]["version"] == 7


# --- pins -------------------------------------------------------------------------------------------


def test_a_figure_can_be_worked_out_again_bit_for_bit(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    measurement = measured(file, yard.surveyor)
    (pin,) = measurement.request["files"]
    assert pin["sha256"] == file.stored_file.sha256
    assert (pin["reduction"]["version"], pin["reduction"]["digest"]) == (1, live(file).digest)
    # The control is entered anew and the book corrected: the old figure stands on what it pinned.
    fieldbooks.correct_setups(
        file, yard.surveyor, [Correction("1", "target_height", 1.7, "a try")], "to move something"
    )
    assert computing.recompute(measurement) == measurement.digest
    pin["reduction"]["digest"] = "0" * 64
    with pytest.raises(ReductionDiffers):
        computing.recompute(measurement)


def test_book_and_coordinates_measure_one_pile_together(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    spots = ("900,20.5,20.5,105,SPT", "901,19.5,20.5,105,SPT", "902,19,19,105,SPT")
    extra = "\n".join(["point,northing,easting,elevation,code", *spots, ""])
    intake.receive_file(file.survey, "spots.csv", extra.encode(), yard.surveyor, yard.pile)
    measurement = measured(file, yard.surveyor)
    assert measurement.record["shots"]["read"] == 17
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)


def test_the_database_keeps_what_was_reduced_and_signed(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    pole = Correction("2", "target_height", 1.8, "pole read on the photograph")
    fieldbooks.accept(fieldbooks.correct_setups(file, yard.surveyor, [pole], "pole"), yard.lead)
    table = "surveys_bookreduction"
    for statement in (
        *(
            f"UPDATE {table} SET {one}"
            for one in ("digest = 'x'", "version = version + 5", "reason = 'other'")
        ),
        f"UPDATE {table} SET record = '{{}}'",
        f"UPDATE {table} SET state = 'computed'",
        f"UPDATE {table} SET accept_comment = 'x' WHERE version = 2",
        f"DELETE FROM {table}",
        "UPDATE surveys_setupcorrection SET value = '9'",
        "DELETE FROM surveys_setupcorrection",
    ):
        with (
            pytest.raises(IntegrityError, match="write-once"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)


def test_files_of_a_book_cannot_be_reduced_once_set_aside(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    intake.set_aside(file, yard.surveyor, "sent twice")
    with pytest.raises(WrongState, match="set aside"):
        fieldbooks.reduce_book(file, yard.surveyor, reason="again")


# --- stored coordinates -----------------------------------------------------------------------------


def stored_file(shift: tuple[float, float, float], wrong: str = "") -> bytes:
    """What the instrument stored: marks and shots, all shifted with the station it was told to stand on."""
    rows = [(name, place) for name, place in MARKS.items()]
    rows += [(point, place) for point, place, _ in frustum_shots()]
    lines = ["point,northing,easting,elevation"]
    for name, place in rows:
        off = 0.050 if name == wrong else 0.0
        lines.append(
            name + "".join(f",{value + by + off:.4f}" for value, by in zip(place, shift, strict=True))
        )
    return ("\n".join(lines) + "\n").encode()


def test_stored_coordinates_are_compared_point_by_point(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    beside = intake.receive_file(
        file.survey, "stored.csv", stored_file((0.0, 0.0, 0.0), wrong="5"), yard.surveyor, purpose="stored"
    )
    assert (beside.state, beside.purpose) == ("read", "stored")
    reduction = fieldbooks.reduce_book(
        file, yard.surveyor, BookSettings(stored=beside.pk), reason="stored coordinates beside"
    )
    differences = reduction.record["stored"]
    assert {one["point"] for one in differences} == {*MARKS, *(point for point, *_ in frustum_shots())}
    assert [one["point"] for one in differences if one["beyond"]] == ["5"]
    assert "1 of 18 stored points differ from the book by more than 0.003: 5." in {
        finding["message"] for finding in reduction.findings
    }
    assert differences[0]["height"] == pytest.approx(0.05, abs=0.0015)
    # Stored coordinates are never measured themselves.
    assert measured(file, yard.surveyor).record["shots"]["read"] == 14
    assert sheets.stored_differences(sheets.sheet_of(reduction)) == differences


def test_coordinates_in_the_book_itself_are_compared_without_being_asked(yard: Yard) -> None:
    known(yard)
    true = {point: place for point, place, _ in frustum_shots()}
    head, *lines = book().decode().splitlines()
    told = [f"{head},northing,easting,elevation"]
    for line in lines:
        place = true.get(line.split(",")[2])
        told.append(f"{line}," + (",".join(f"{value:.3f}" for value in place) if place else ",,"))
    file = received(yard, "\n".join(told).encode())
    assert {one["point"] for one in live(file).record["stored"]} == set(true)
    assert not any(one["beyond"] for one in live(file).record["stored"])


def test_stored_shots_move_with_their_station_on_request(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    shifted = stored_file((3.0, -2.0, 0.5))
    beside = intake.receive_file(file.survey, "stored.csv", shifted, yard.surveyor, purpose="stored")
    reduction = fieldbooks.reduce_book(
        file,
        yard.surveyor,
        BookSettings(stored=beside.pk, move_stored=True),
        reason="stored coordinates, moved",
    )
    true = {point: place for point, place, _ in frustum_shots()}
    for shot in reduction.record["shots"]:
        seen = (shot["northing"], shot["easting"], shot["elevation"])
        assert seen == pytest.approx(true[shot["point"]], abs=0.0005)
    measurement = measured(file, yard.surveyor)
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), rel=1e-4)
    assert computing.recompute(measurement) == measurement.digest
    other = received(yard, shifted, name="elsewhere.csv")
    with pytest.raises(BadOption, match="no file of this survey"):
        fieldbooks.reduce_book(file, yard.surveyor, BookSettings(stored=other.pk), reason="another")


# --- sheets -----------------------------------------------------------------------------------------


def test_the_sheets_show_every_line_and_the_net_to_scale(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    solved = sheets.sheet_of(live(file))
    rows = sheets.reduction_rows(solved)
    written = book().decode().splitlines()
    assert [row["line"] for row in rows] == list(range(2, len(written) + 1))
    assert HEADER.startswith("setup,at,to")
    closure = sheets.closure_of(solved)
    assert closure["sum_kind"] == "interior"
    assert abs(closure["closure"]["angular_seconds"]) < 3.0
    assert closure["adjustments"] is not None
    network = sheets.network_of(solved)
    assert {one.name: one.standing for one in network.stations} == dict.fromkeys(MARKS, "held")
    assert [(line.start, line.end) for line in network.lines if line.course] == [
        ("K1", "K2"), ("K2", "K3"), ("K3", "K4"), ("K4", "K1"),
    ]  # fmt: skip


def test_an_open_gap_is_drawn_where_the_courses_end(yard: Yard) -> None:
    known(yard)
    solved = sheets.sheet_of(live(received(yard, book(misread(by_deg=1.0)))))
    network = sheets.network_of(solved)
    assert not network.adjusted
    assert network.misclosure is not None
    # Two of four courses turned by a degree: the gap is their sum across, in metres.
    record = solved.record["closure"]
    assert network.misclosure == (record["latitude"], record["departure"])
    assert record["linear"] > 0.5


def test_new_stations_have_ellipses(yard: Yard) -> None:
    file = received(yard, book())
    settings = BookSettings(stations=(given("K1"), given("K4")))
    reduction = fieldbooks.reduce_book(file, yard.surveyor, settings)
    stations = {s.name: s for s in sheets.network_of(sheets.sheet_of(reduction)).stations}
    for name in ("K2", "K3"):
        assert stations[name].standing == "new"
        ellipse = stations[name].ellipse
        assert ellipse is not None
        assert 0.0 < ellipse.semi_minor <= ellipse.semi_major < 0.02


def test_a_reduction_is_made_with_the_same_few_questions_however_many_there_were(
    yard: Yard, django_assert_max_num_queries: Any
) -> None:
    known(yard)
    file = received(yard, book())
    with django_assert_max_num_queries(40):
        fieldbooks.reduce_book(file, yard.surveyor, reason="second")
    for number in range(3, 9):
        fieldbooks.reduce_book(file, yard.surveyor, reason=f"version {number}")
    with django_assert_max_num_queries(40):
        fieldbooks.reduce_book(file, yard.surveyor, reason="ninth")
    assert file.survey.surveyed_on == DAY


def test_the_pages_of_a_survey_stand_with_a_book_in_it(yard: Yard, client: Any) -> None:
    known(yard)
    closed, open_book = received(yard, book()), received(yard, book(misread()), name="open.csv")
    measurement = measured(closed, yard.surveyor)
    client.force_login(yard.surveyor)
    for survey in (closed.survey, open_book.survey):
        assert "book" in client.get(reverse("survey", args=[survey.pk])).content.decode()
    page = client.get(reverse("measurement", args=[measurement.pk]))
    assert page.status_code == 200
    assert client.get(reverse("site", args=[yard.site.code])).status_code == 200
