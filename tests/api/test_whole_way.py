"""From a token to tonnes in the book, by the API alone."""

from __future__ import annotations

from decimal import Decimal

import pytest

from surveys import computing
from surveys.models import Measurement
from tests.api.calling import assert_problem, signed_in, with_token
from tests.surveys.scene import DAY, frustum_m3, heap

pytestmark = pytest.mark.django_db


def test_token_survey_upload_measure_review_approve_stock(yard, bells, django_capture_on_commit_callbacks):
    crew, lead = with_token("surveyor"), with_token("lead-surveyor")
    survey = crew.send("surveys/", {"site": yard.site.pk, "surveyed_on": str(DAY)}).json()
    file = crew.upload(f"surveys/{survey['id']}/files/", heap(), pile=yard.pile.pk)
    assert file.status_code == 201
    assert file.json()["state"] == "read"
    assert file.json()["points_n"] == 14
    with django_capture_on_commit_callbacks(execute=True):
        asked = crew.send(f"surveys/{survey['id']}/measure/")
    assert asked.status_code == 202
    (waiting,) = asked.json()["measurements"]
    assert waiting["job_state"] == "waiting"
    assert bells == [waiting["id"]]
    assert crew.ask(f"surveys/{survey['id']}/progress/").json()["next_step"] == "wait"

    assert computing.work(waiting["id"], "test-worker")
    address = f"measurements/{waiting['id']}/"
    measured = lead.ask(address).json()
    # Euclid, Elements XII.7: the frustum of the scene.
    assert float(measured["net_m3"]) == pytest.approx(frustum_m3(5.0), abs=0.001)
    assert crew.send(f"{address}submit/").status_code == 200
    for finding in measured["findings"]:
        if finding["severity"] == "stop":
            given = {"code": finding["code"], "reason": "looked at on the ground"}
            assert lead.send(f"{address}acceptances/", given).status_code == 201
    assert lead.send(f"{address}review/").json()["state"] == "reviewed"
    assert lead.send(f"{address}approve/").json()["state"] == "approved"

    (row,) = lead.ask("stock/", by="material").json()["rows"]
    assert row["material"]["code"] == "M2"
    assert Decimal(row["total"]["tonnes"]) == Decimal(measured["tonnes"])
    (count,) = lead.ask("stock-counts/", current="true").json()["results"]
    assert count["evidence_digest"] == measured["digest"]
    assert measured["tonnes"] in lead.ask("exports/stock.csv").content.decode()


def test_a_correction_supersedes_and_needs_a_reason(yard):
    first = yard.approved()
    crew = signed_in(yard.surveyor)
    (file,) = first.survey.files.all()
    files = f"surveys/{first.survey_id}/files/"
    assert crew.send(f"{files}{file.pk}/set-aside/", {"reason": "toe shot again"}).status_code == 200
    assert crew.upload(files, heap(6.0), pile=yard.pile.pk).status_code == 201
    measure = f"surveys/{first.survey_id}/measure/"
    assert_problem(crew.send(measure, {"pile": yard.pile.pk}), 422, "reason-needed")
    again = crew.send(measure, {"pile": yard.pile.pk, "reason": "toe shot again"}).json()
    (second,) = again["measurements"]
    assert (second["version"], second["supersedes"]) == (2, first.pk)


def test_a_file_that_is_unclear_waits_for_its_columns(yard):
    crew = signed_in(yard.surveyor)
    survey = yard.survey()
    bare = b"1,100.0,200.0,50.0,TOE\n2,101.0,201.0,51.0,TOE\n3,102.0,200.0,51.0,SPT\n"
    files = f"surveys/{survey.pk}/files/"
    file = crew.upload(files, bare, pile=yard.pile.pk).json()
    assert file["state"] == "unclear"
    assert file["problems"]["code"] == "columns-unknown"
    declared = {"columns": "point,northing,easting,elevation,code", "unit": "metre", "delimiter": ","}
    read = crew.send(f"{files}{file['id']}/columns/", {**declared, "decimal": "."}).json()
    assert (read["state"], read["points_n"]) == ("read", 3)


def test_a_refused_file_names_all_its_problems(yard):
    survey = yard.survey()
    bad = b"point,northing,easting,elevation,code\n1,x,2,3,TOE\n2,1,y,3,TOE\n"
    file = signed_in(yard.surveyor).upload(f"surveys/{survey.pk}/files/", bad, pile=yard.pile.pk).json()
    assert file["state"] == "refused"
    assert {(p["line"], p["column"]) for p in file["problems"]["problems"]} == {(2, 2), (3, 3)}


def test_density_and_base_come_into_force_by_other_people(yard):
    crew, lead, manager = (signed_in(user) for user in (yard.surveyor, yard.lead, yard.company.manager))
    given = {"material": yard.pile.material_id, "pile": yard.pile.pk, "t_per_m3": "1.7", "grade": "A"}
    given |= {"method": "depth-logged", "reason": "yearly test", "valid_from": "2025-05-01"}
    record = crew.send("densities/", given).json()
    assert record["approvals_missing"] == ["lead_surveyor", "manager"]
    address = f"densities/{record['id']}/approve/"
    assert_problem(crew.send(address), 403, "not-allowed")
    assert lead.send(address).json()["status"] == "proposed"
    assert manager.send(address).json()["status"] == "approved"

    bases = f"piles/{yard.pile.pk}/bases/"
    given = {"kind": "level", "level_m": "99.5", "height_uncertainty_m": "0.02"}
    base = crew.send(bases, {**given, "reason": "pad poured", "valid_from": "2025-06-01"}).json()
    assert base["version"] == 2
    assert lead.send(f"{bases}{base['id']}/approve/").json()["status"] == "approved"
    assert [each["version"] for each in crew.ask(bases).json()["results"]] == [2, 1]


def test_a_surveyed_ground_comes_with_its_file(yard):
    ground = heap(0.2)
    given = {"height_uncertainty_m": "0.02", "reason": "pre-pile survey", "valid_from": "2025-06-01"}
    address = f"piles/{yard.pile.pk}/surveyed-bases/"
    base = signed_in(yard.surveyor).upload(address, ground, "ground.csv", **given)
    assert base.status_code == 201, base.json()
    assert base.json()["kind"] == "surface"
    assert len(base.json()["evidence_sha256"]) == 64


def test_sites_materials_and_piles_are_opened_and_changed(company):
    manager = signed_in(company.manager)
    site = manager.send("sites/", {"code": "WHF", "name": "Wharf", "length_unit": "foot"}).json()
    material = manager.send("materials/", {"code": "M9", "name": "Washed sand"}).json()
    pile = {"site": site["id"], "material": material["id"], "code": "P1", "name": "Bay 1"}
    made = manager.send("piles/", {**pile, "opened_on": "2025-01-01"})
    assert made.status_code == 201
    renamed = manager.patch(f"/api/v1/sites/{site['id']}/", {"name": "Long wharf"}, format="json")
    assert renamed.json()["name"] == "Long wharf"
    assert manager.ask(f"piles/{made.json()['id']}/").json()["site"]["name"] == "Long wharf"


def test_send_back_withdraw_and_revoke(yard):
    lead, crew = signed_in(yard.lead), signed_in(yard.surveyor)
    first = yard.computed()
    assert_problem(lead.send(f"measurements/{first.pk}/send-back/"), 422, "bad-entry")
    sent = lead.send(f"measurements/{first.pk}/send-back/", {"reason": "toe is missing"}).json()
    assert (sent["state"], sent["sent_back_reason"]) == ("rejected", "toe is missing")
    assert_problem(crew.send(f"measurements/{first.pk}/withdraw/", {"reason": "x"}), 409, "wrong-state")
    approved = yard.approved(heap(6.0), DAY.replace(day=29))
    gone = lead.send(f"measurements/{approved.pk}/revoke/", {"reason": "wrong pile"}).json()
    assert gone["state"] == "withdrawn"
    assert lead.ask("stock-counts/", current="true").json()["results"] == []
    assert Measurement.objects.count() == 2
