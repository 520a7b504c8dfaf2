"""Files of a survey: read, waiting for a choice, or refused with all their problems."""

from __future__ import annotations

import datetime as dt
import gzip
import json
from typing import Any

import pytest

from compute.errors import BadOption
from inventory.errors import NotAllowed
from inventory.piles import close_pile
from surveys import intake
from surveys.errors import ReasonNeeded, WrongPile, WrongState
from surveys.models import StoredFile, SurveyFile
from tests.cast import Cast, square
from tests.surveys.scene import DAY, Yard, frustum_rows, heap, point_file

YARD_FILE = point_file(
    frustum_rows(),
    frustum_rows(east_m=60.0, height_m=4.0),
    ["90,500.0,500.0,100.0,SPT", "91,-30.0,-30.0,101.5,CTL", "92,20.0,-30.0,100.0,QUAY"],
)


def received(yard: Yard, data: Any, **more: Any) -> SurveyFile:
    return intake.receive_file(yard.survey(), "shots.csv", data, yard.surveyor, **more)


def test_a_clear_file_is_read_and_counted(yard: Yard) -> None:
    file = received(yard, heap(), pile=yard.pile)
    file.refresh_from_db()
    assert (file.state, file.points_n, file.unit) == ("read", 14, "metre")
    assert file.preview["columns"] == ["point", "northing", "easting", "elevation", "code"]
    assert file.preview["read_as"]["header_line"] == 1
    assert file.problems == {}


def test_a_yard_file_is_split_by_the_outlines(yard: Yard) -> None:
    file = received(yard, YARD_FILE)
    assert file.split == {
        "piles": {yard.pile.code: 14, yard.neighbour.code: 14},
        "outside": 1,
        "no_material": 2,
        "unknown_codes": ["QUAY"],
    }


def test_only_piles_that_exist_on_the_date_take_part(yard: Yard) -> None:
    close_pile(yard.neighbour, DAY, by=yard.company.manager)
    file = received(yard, YARD_FILE)
    assert file.split["piles"] == {yard.pile.code: 14}
    assert file.split["outside"] == 15


def test_a_shot_on_the_outline_belongs_to_the_pile(yard: Yard, company: Any) -> None:
    edge = company.pile(yard.site, yard.pile.material, outline=square(0, 100, 40))
    rows = ["1,100.0,0.0,100.0,TOE", "2,100.0,40.0,100.0,TOE", "3,140.0,20.0,100.0,TOE"]
    assert received(yard, point_file(rows)).split["piles"] == {edge.code: 3}


def test_an_unclear_file_waits_for_a_choice_and_is_read_after_it(yard: Yard) -> None:
    data = point_file(frustum_rows(), header=False)
    file = received(yard, data, pile=yard.pile)
    assert (file.state, file.points_n) == ("unclear", None)
    assert file.problems["code"] == "columns-unknown"
    assert file.preview["unclear"]
    columns = ["point", "northing", "easting", "elevation", "code"]
    intake.declare_columns(file, columns, "", "", "", yard.surveyor)
    file.refresh_from_db()
    assert (file.state, file.points_n, file.problems) == ("read", 14, {})


def test_declaring_can_be_done_again(yard: Yard) -> None:
    file = received(yard, YARD_FILE, columns=["point", "easting", "northing", "elevation", "code"])
    swapped = file.split["piles"]
    intake.declare_columns(file, None, "foot", "", "", yard.surveyor)
    file.refresh_from_db()
    assert file.unit == "foot"
    assert file.split["piles"] != swapped


def test_a_refused_file_keeps_every_problem_and_its_bytes(yard: Yard) -> None:
    bad = heap() + b"20,1.0,2.0,112;485,SPT\n21,abc,2.0,100.0,SPT\n22,1.0,nan,100.0,SPT\n"
    file = received(yard, bad, pile=yard.pile)
    file.refresh_from_db()
    assert (file.state, file.points_n, file.split) == ("refused", None, {})
    assert file.problems["code"] == "bad-values"
    assert file.problems["total_problems"] == 3
    assert [problem["line"] for problem in file.problems["problems"]] == [16, 17, 18]
    assert StoredFile.objects.get().bytes == len(bad)


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "file-empty"),
        (gzip.compress(b"0" * 10_000_000), "file-not-text"),
        (b"PK\x03\x04" + b"\x00" * 100, "file-not-text"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "file-not-text"),
    ],
)
def test_odd_files_are_refused_with_a_reason(yard: Yard, data: bytes, code: str) -> None:
    file = received(yard, data)
    file.refresh_from_db()
    assert (file.state, file.problems["code"]) == ("refused", code)
    assert "\x00" not in json.dumps(file.problems, ensure_ascii=False)


def test_a_nul_in_a_text_is_kept_as_json_that_both_databases_take() -> None:
    assert intake.plain({"a": ["x\x00y"]}) == {"a": ["x�y"]}


def test_the_same_bytes_in_one_survey_are_one_file(yard: Yard) -> None:
    survey = yard.survey()
    first = intake.receive_file(survey, "june.csv", heap(), yard.surveyor, yard.pile)
    second = intake.receive_file(survey, "june (1).csv", heap(), yard.lead, yard.pile)
    assert first.already == ""
    assert second == first
    assert second.already.startswith("These bytes were already received on ")
    assert f"as june.csv by {yard.surveyor}" in second.already
    assert SurveyFile.objects.count() == 1


def test_the_same_bytes_in_another_survey_are_recognised_and_used(yard: Yard) -> None:
    first = received(yard, heap(), pile=yard.pile)
    other = yard.survey(DAY + dt.timedelta(days=31))
    second = intake.receive_file(other, "july.csv", heap(), yard.surveyor, yard.pile)
    assert second.stored_file == first.stored_file
    assert "already received on" in second.already
    assert second.state == "read"


def test_a_file_set_aside_can_come_again(yard: Yard) -> None:
    survey = yard.survey()
    first = intake.receive_file(survey, "june.csv", heap(), yard.surveyor, yard.pile)
    with pytest.raises(ReasonNeeded):
        intake.set_aside(first, yard.surveyor, " ")
    intake.set_aside(first, yard.surveyor, "wrong day")
    with pytest.raises(WrongState, match="wrong day"):
        intake.declare_columns(first, None, "metre", "", "", yard.surveyor)
    second = intake.receive_file(survey, "june.csv", heap(), yard.surveyor, yard.pile)
    assert second != first


def test_a_drawn_edge_is_read_for_its_pile(yard: Yard) -> None:
    ring = [[0, 0], [40, 0], [40, 40], [0, 40], [0, 0]]
    data = json.dumps({"type": "Polygon", "coordinates": [ring]}).encode()
    file = received(yard, data, pile=yard.pile, purpose="edge")
    assert (file.state, file.points_n) == ("read", 4)
    crossed = json.dumps({"type": "Polygon", "coordinates": [[[0, 0], [40, 40], [40, 0], [0, 40], [0, 0]]]})
    refused = received(yard, crossed.encode(), pile=yard.pile, purpose="edge")
    assert (refused.state, refused.problems["code"]) == ("refused", "bad-edge")
    with pytest.raises(WrongPile, match="belongs to one pile"):
        received(yard, data, purpose="edge")


def test_a_declaration_that_means_nothing_is_refused_and_changes_nothing(yard: Yard) -> None:
    file = received(yard, heap(), pile=yard.pile)
    with pytest.raises(BadOption):
        intake.declare_columns(file, None, "furlong", "", "", yard.surveyor)
    assert SurveyFile.objects.get(pk=file.pk).unit == "metre"


def test_the_unit_is_the_sites_unless_declared(yard: Yard, company: Any) -> None:
    site = company.site("KET", length_unit="foot")
    assert received(Yard(company, site, yard.pile, yard.neighbour), heap()).unit == "foot"


def test_only_piles_of_the_site_that_are_open_take_files(yard: Yard, company: Any) -> None:
    elsewhere = company.pile(company.site("OTH"), yard.pile.material)
    with pytest.raises(WrongPile, match="is not a pile of"):
        received(yard, heap(), pile=elsewhere)
    early = yard.survey(dt.date(2024, 12, 31))
    with pytest.raises(WrongPile, match="was opened on 2025-01-01"):
        intake.receive_file(early, "a.csv", heap(), yard.surveyor, yard.pile)
    assert not StoredFile.objects.exists()


def test_intake_is_for_surveyors_of_the_organization(yard: Yard, cast: Cast) -> None:
    survey = yard.survey()
    file = intake.receive_file(survey, "a.csv", heap(), yard.surveyor, yard.pile)
    for person in (cast.a.manager, cast.a.accountant, cast.a.administrator, cast.outsider):
        with pytest.raises(NotAllowed):
            intake.receive_file(survey, "b.csv", heap(4.0), person, yard.pile)
        with pytest.raises(NotAllowed):
            intake.declare_columns(file, None, "metre", "", "", person)
        with pytest.raises(NotAllowed):
            intake.set_aside(file, person, "no")
    assert StoredFile.objects.count() == 1
