"""A field book by programs alone: sent, corrected, looked over, accepted, measured; and its control."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from tests.api.calling import assert_problem, signed_in
from tests.surveys.book_scene import MARKS, book, known, misread
from tests.surveys.scene import DAY, Yard

pytestmark = pytest.mark.django_db
ORIENTATION = {
    "setup": "3",
    "field": "orientation",
    "value": "0.1666666667",
    "reason": "read again at the end",
}


def sent(yard: Yard, data: bytes) -> tuple[Any, str, dict[str, Any]]:
    surveyor = signed_in(yard.surveyor)
    opened = surveyor.send("surveys/", {"site": yard.site.pk, "surveyed_on": str(DAY)}).json()
    files = f"surveys/{opened['id']}/files/"
    answer = surveyor.upload(files, data, "book.csv")
    assert answer.status_code == 201, answer.json()
    return surveyor, files, answer.json()


def test_a_book_from_its_bytes_to_an_accepted_reduction(yard: Yard) -> None:
    known(yard)
    surveyor, files, file = sent(yard, book(misread()))
    assert (file["purpose"], file["state"], file["points_n"]) == ("field-book", "read", 14)
    reductions = f"{files}{file['id']}/reductions/"
    (first,) = surveyor.ask(reductions).json()["results"]
    assert (first["version"], first["gives_shots"]) == (1, False)
    whole = surveyor.ask(f"reductions/{first['id']}/").json()
    assert whole["findings"][0]["code"] == "misclosure-angular"
    lead = signed_in(yard.lead)
    assert_problem(lead.send(f"reductions/{first['id']}/accept/"), 409, "book-not-closed")
    back = lead.send(f"reductions/{first['id']}/send-back/", {"reason": "ten minutes are missing"})
    assert (back.status_code, back.json()["state"]) == (200, "rejected")

    wrong = {"corrections": [{**ORIENTATION, "value": "ten minutes"}], "reason": "misread"}
    assert_problem(surveyor.send(f"{files}{file['id']}/corrections/", wrong), 422, "bad-entry")
    right = {"corrections": [ORIENTATION], "reason": "misread"}
    made = surveyor.send(f"{files}{file['id']}/corrections/", right, key="once")
    assert surveyor.send(f"{files}{file['id']}/corrections/", right, key="once").json() == made.json()
    second = made.json()
    assert (second["version"], second["gives_shots"]) == (2, True)
    assert [one["by"] for one in second["corrections"]] == [str(yard.surveyor)]
    sheet = surveyor.ask(f"reductions/{second['id']}/sheet/").json()
    assert len(sheet["rows"]) == len(book().decode().splitlines()) - 1
    assert {one["name"] for one in sheet["network"]["stations"]} == set(MARKS)
    assert sheet["closure"]["adjustments"]["rows"]

    assert_problem(surveyor.send(f"reductions/{second['id']}/accept/"), 403, "not-allowed")
    accepted = lead.send(f"reductions/{second['id']}/accept/", {"reason": "closes now"}).json()
    assert (accepted["state"], accepted["accept_comment"]) == ("accepted", "closes now")
    asked = surveyor.send(files.replace("files/", "measure/"), {})
    assert (asked.status_code, len(asked.json()["measurements"])) == (202, 1)


def test_settings_stay_as_they_were_but_for_what_is_given(yard: Yard) -> None:
    known(yard)
    surveyor, files, file = sent(yard, book())
    reductions = f"{files}{file['id']}/reductions/"
    assert_problem(surveyor.send(reductions, {"rule": "transit"}), 422, "reason-needed")
    given = {
        "rule": "least-squares",
        "limits": {"angle_seconds": 10.0},
        "held": ["K1", "K4"],
        "reason": "as asked",
    }
    second = surveyor.send(reductions, given).json()
    third = surveyor.send(reductions, {"preset": "third-order-1", "reason": "stricter"}).json()
    settings = [surveyor.ask(f"reductions/{one['id']}/").json()["request"] for one in (second, third)]
    assert [one["settings"]["rule"] for one in settings] == ["least-squares", "least-squares"]
    assert [one["limits"]["smallest_ratio"] for one in settings] == [5000.0, 10000.0]
    assert [[mark["name"] for mark in one["control"]] for one in settings] == [["K1", "K4"]] * 2
    unknown = surveyor.send(reductions, {"limits": {"patience": 3.0}, "reason": "no"})
    assert_problem(unknown, 422, "bad-option")


def test_a_mark_has_a_history_by_program(yard: Yard) -> None:
    points = known(yard)
    surveyor, _, _ = sent(yard, book())
    k3 = next(point for point in points if point.name == "K3")
    mark = f"sites/{yard.site.pk}/control-points/{k3.pk}/"
    checks = surveyor.ask(f"{mark}checks/").json()["results"]
    assert {check["kind"] for check in checks} == {"backsight-distance", "re-shot", "closing"}
    assert [event["what"] for event in surveyor.ask(f"{mark}events/").json()["results"]] == [
        "approved",
        "proposed",
    ]
    assert surveyor.ask(f"sites/{yard.site.pk}/control-motion/").json() == {"moving": []}
    doubt = {"on": str(DAY + dt.timedelta(days=1)), "reason": "a loader leaned on it"}
    assert surveyor.send(f"{mark}suspect/", doubt).json()["standing"] == "suspect"
