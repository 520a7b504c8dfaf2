"""Piles after their opening, people and their roles, control points and recomputation, by the API alone."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils.http import urlsafe_base64_decode

from inventory import people
from inventory.models import AuditEvent, KeptAnswer, Membership, Pile, PileLineage, User
from surveys.models import ControlPoint, Measurement
from tests.api.calling import assert_problem, signed_in
from tests.cast import square

pytestmark = pytest.mark.django_db

SUCCESSOR = {"code": "QRY-09", "name": "Both heaps", "on": "2025-08-01", "reason": "the loader joined them"}


# --- piles ---------------------------------------------------------------------------------------


def test_a_pile_is_renamed_redrawn_and_closed(yard):
    manager = signed_in(yard.company.manager)
    address = f"piles/{yard.pile.pk}/"
    assert manager.send(f"{address}rename/", {"name": "North heap"}).json()["name"] == "North heap"
    outline = square(-6, -6, 52)
    assert manager.send(f"{address}outline/", {"outline": outline}).json()["outline"][0] == [-6.0, -6.0]
    over_the_neighbour = {"outline": square(0, -5, 90)}
    assert_problem(manager.send(f"{address}outline/", over_the_neighbour), 409, "outlines-overlap")
    assert manager.send(f"{address}close/", {"on": "2025-08-01"}).json()["closed_on"] == "2025-08-01"
    assert_problem(manager.send(f"{address}close/", {"on": "2025-08-02"}), 422, "pile-not-open")


def test_piles_merge_once_a_key_and_keep_their_lineage(yard):
    manager = signed_in(yard.company.manager)
    given = {**SUCCESSOR, "piles": [yard.pile.pk, yard.neighbour.pk]}
    first = manager.send("piles/merge/", given, key="merge-1")
    again = manager.send("piles/merge/", given, key="merge-1")
    assert first.status_code == again.status_code == 201
    assert first.json() == again.json()
    assert Pile.objects.filter(code="QRY-09").count() == 1
    assert PileLineage.objects.filter(to_pile_id=first.json()["id"], kind="merged").count() == 2
    assert not Pile.objects.filter(pk__in=given["piles"], closed_on__isnull=True).exists()


def test_one_pile_is_no_merge_and_a_stranger_is_no_pile(yard, cast):
    manager = signed_in(yard.company.manager)
    assert_problem(manager.send("piles/merge/", {**SUCCESSOR, "piles": [yard.pile.pk]}), 422, "bad-entry")
    theirs = cast.b.pile(cast.b.site("BRN"), cast.b.material("B7"))
    body = assert_problem(
        manager.send("piles/merge/", {**SUCCESSOR, "piles": [yard.pile.pk, theirs.pk]}), 422, "bad-entry"
    )
    assert body["problems"][0]["field"] == "piles"
    assert not Pile.objects.filter(closed_on__isnull=False).exists()


def test_a_pile_is_split_and_moved(yard, company):
    manager = signed_in(yard.company.manager)
    split = {**SUCCESSOR, "outline": square(-5, 30, 14), "rest_outline": square(-5, -5, 34)}
    part = manager.send(f"piles/{yard.pile.pk}/split/", split)
    assert part.status_code == 201, part.json()
    yard.pile.refresh_from_db()
    assert (yard.pile.closed_on, len(yard.pile.outline)) == (None, 4)
    elsewhere = company.site("WHF")
    move = {**SUCCESSOR, "code": "WHF-01", "site": elsewhere.pk, "on": "2025-09-01"}
    moved = manager.send(f"piles/{part.json()['id']}/move/", move).json()
    assert moved["site"]["code"] == "WHF"
    assert PileLineage.objects.get(to_pile_id=moved["id"]).kind == "moved"


@pytest.mark.parametrize("step", ["rename", "outline", "close", "split", "move"])
def test_only_who_keeps_piles_changes_them(yard, step):
    given = {**SUCCESSOR, "outline": square(), "site": yard.site.pk}
    answer = signed_in(yard.surveyor).send(f"piles/{yard.pile.pk}/{step}/", given)
    assert_problem(answer, 403, "not-allowed")
    assert Pile.objects.count() == 2


# --- people --------------------------------------------------------------------------------------


def test_everybody_sees_who_may_do_what_and_only_an_administrator_changes_it(company):
    listed = signed_in(company.surveyor).ask("people/").json()["results"]
    roles = {person["username"]: [each["role"] for each in person["roles"]] for person in listed}
    assert roles["lead-surveyor"] == ["lead_surveyor"]
    assert "outsider" not in roles
    lead = next(person for person in listed if person["username"] == "lead-surveyor")
    for address, given in (
        ("people/", {"username": "new", "roles": ["manager"]}),
        (f"people/{lead['id']}/roles/", {"role": "manager"}),
        (f"people/{lead['id']}/roles/end/", {"role": "lead_surveyor"}),
        (f"people/{lead['id']}/invitation/", {}),
    ):
        assert_problem(signed_in(company.lead_surveyor).send(address, given), 403, "not-allowed")
    assert not User.objects.filter(username="new").exists()


def test_a_person_is_invited_and_the_link_is_kept_nowhere(company):
    administrator = signed_in(company.administrator)
    given = {"username": "new.surveyor", "roles": ["surveyor"]}
    made = administrator.send("people/", given, key="invite-1")
    assert made.status_code == 201, made.json()
    assert administrator.send("people/", given, key="invite-1").json() == made.json()
    assert made.json()["has_accepted"] is False
    link = administrator.send(f"people/{made.json()['id']}/invitation/", key="link-1").json()
    assert int(urlsafe_base64_decode(link["uid"])) == made.json()["id"]
    assert link["token"] not in str(list(KeptAnswer.objects.values()) + list(AuditEvent.objects.values()))
    people.accept_invitation(link["uid"], link["token"], "gravel-and-grit-27")
    assert administrator.ask(f"people/{made.json()['id']}/").json()["has_accepted"] is True
    again = administrator.send(f"people/{made.json()['id']}/invitation/")
    assert_problem(again, 422, "invitation-not-valid")


def test_an_auditor_needs_an_end_and_the_last_administrator_stays(company):
    administrator = signed_in(company.administrator)
    address = f"people/{company.manager.pk}/roles/"
    assert_problem(administrator.send(address, {"role": "auditor"}), 422, "bad-entry")
    given = {"role": "auditor", "ends_on": "2999-01-01"}
    roles = administrator.send(address, given).json()["roles"]
    assert {"role": "auditor", "ends_on": "2999-01-01"} in roles
    ended = administrator.send(f"{address}end/", {"role": "auditor"}).json()["roles"]
    assert {"role": "auditor", "ends_on": str(dt.datetime.now(dt.UTC).date())} in ended
    own = f"people/{company.administrator.pk}/roles/end/"
    assert_problem(administrator.send(own, {"role": "administrator"}), 409, "last-administrator")


def test_somebody_of_another_organization_is_not_there(cast):
    administrator = signed_in(cast.a.administrator)
    stranger = cast.outsider
    for address in ("", "roles/", "roles/end/", "invitation/"):
        given = {"role": "surveyor"}
        path = f"people/{stranger.pk}/{address}"
        answer = administrator.send(path, given) if address else administrator.ask(path)
        assert_problem(answer, 404, "not-found")
    assert_problem(administrator.ask("people/", organization=cast.b.organization.slug), 404, "not-found")
    assert not Membership.objects.filter(user=stranger, organization=cast.a.organization).exists()


# --- control -------------------------------------------------------------------------------------

PLACE = {"name": "CP1", "northing_m": "60.0", "easting_m": "-12.5", "elevation_m": "101.2"}


def test_a_control_point_is_proposed_approved_and_doubted(yard):
    crew, lead = signed_in(yard.surveyor), signed_in(yard.lead)
    address = f"sites/{yard.site.pk}/control-points/"
    made = crew.send(address, {**PLACE, "valid_from": "2025-05-01", "plan_u_m": "0.003"}, key="cp1")
    assert made.status_code == 201, made.json()
    assert crew.send(address, {**PLACE, "valid_from": "2025-05-01", "plan_u_m": "0.003"}, key="cp1").json()
    assert ControlPoint.objects.count() == 1
    assert (made.json()["approval"], made.json()["plan_u_m"]) == ("proposed", "0.0030")
    one = f"{address}{made.json()['id']}/"
    assert_problem(crew.send(f"{one}approve/"), 403, "not-allowed")
    assert lead.send(f"{one}approve/").json()["approval"] == "approved"
    doubt = {"on": "2025-06-01", "reason": "hit by the loader"}
    assert crew.send(f"{one}suspect/", doubt).json()["standing"] == "suspect"
    restored = {"on": "2025-06-03", "reason": "checked from two marks"}
    assert crew.send(f"{one}restore/", restored).json()["standing"] == "in-force"
    gone = crew.send(f"{one}destroyed/", {"on": "2025-07-01", "reason": "dug out"}).json()
    assert (gone["standing"], gone["valid_to"]) == ("destroyed", "2025-07-01")
    assert [each["name"] for each in crew.ask(address).json()["results"]] == ["CP1"]
    second = crew.send(address, {**PLACE, "valid_from": "2025-07-02"}).json()
    taken = crew.send(f"{address}{second['id']}/withdraw/", {"reason": "typed twice"}).json()
    assert taken["approval"] == "withdrawn"


def test_control_of_another_site_is_not_there(yard, cast):
    other = cast.b.site("BRN")
    assert_problem(signed_in(yard.surveyor).ask(f"sites/{other.pk}/control-points/"), 404, "not-found")
    answer = signed_in(yard.surveyor).send(
        f"sites/{other.pk}/control-points/", {**PLACE, "valid_from": "2025-05-01"}
    )
    assert_problem(answer, 404, "not-found")
    assert not ControlPoint.objects.exists()


# --- once more -----------------------------------------------------------------------------------


def test_a_measurement_is_recomputed_and_nothing_changes(yard):
    measurement = yard.approved()
    before = list(Measurement.objects.values())
    auditor = signed_in(yard.company.auditor)
    told = auditor.send(f"measurements/{measurement.pk}/recompute/")
    assert told.status_code == 200, told.json()
    assert told.json()["is_same"] is True
    assert told.json()["recomputed_digest"] == measurement.digest
    assert list(Measurement.objects.values()) == before
    refused = signed_in(yard.company.accountant).send(f"measurements/{measurement.pk}/recompute/")
    assert_problem(refused, 403, "not-allowed")


def test_a_recomputation_that_differs_says_so(yard, monkeypatch):
    measurement = yard.computed()
    monkeypatch.setattr("surveys.computing.recompute", lambda m: "0" * 64)
    told = signed_in(yard.lead).send(f"measurements/{measurement.pk}/recompute/").json()
    assert (told["is_same"], told["digest"]) == (False, measurement.digest)


def test_what_was_never_computed_is_not_recomputed(yard):
    measurement = yard.asked()
    answer = signed_in(yard.lead).send(f"measurements/{measurement.pk}/recompute/")
    assert_problem(answer, 409, "wrong-state")
