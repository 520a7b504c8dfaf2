"""Outlook, limits, alerts, hazards and letter as people of each role get them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory import hazards
from inventory.models import Limit, PileHazard
from surveys import alert_causes, opening
from surveys.models import Alert
from tests.surveys.outlook_scene import limit_of
from tests.surveys.scene import Yard, heap

pytestmark = pytest.mark.django_db
NOW = dt.datetime(2025, 7, 1, 12, tzinfo=dt.UTC)


def signed_in(user: Any) -> Client:
    client = Client()
    client.force_login(user)
    return client


def text(client: Client, address: str, status: int = 200) -> str:
    answer = client.get(address)
    assert answer.status_code == status, address
    return answer.content.decode()


def test_the_manager_sees_what_lies_there_and_the_room_left(yard: Yard) -> None:
    yard.approved()
    limit_of(yard.company, yard.pile)
    alert_causes.raise_all(NOW)
    page = text(signed_in(yard.company.manager), "/outlook/")
    assert "height over the base at most 5.2" in page
    assert "0.20\u00a0m" in page
    assert "No forecast: 0 months are known; a forecast needs 6." in page
    assert "nobody yet, for the manager" in page
    assert f"{yard.pile.code}: limit near" in page


def test_an_empty_organization_and_one_site(yard: Yard, cast: Any) -> None:
    yard.approved()
    assert "No pile is open here." in text(signed_in(cast.outsider), "/outlook/")
    assert "Outlook: Site QRY" in text(signed_in(yard.surveyor), "/outlook/?site=QRY")
    text(signed_in(cast.outsider), "/outlook/?site=QRY", 404)


def test_queries_of_the_page_do_not_grow(yard: Yard) -> None:
    limit_of(yard.company, yard.pile)
    client = signed_in(yard.company.manager)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            text(client, "/outlook/")
        return len(captured)

    for month in (2, 3):
        yard.approved(heap(2.0), dt.date(2025, month, 28))
    alert_causes.raise_all(NOW)
    one = queries()
    for month in (4, 5):
        yard.approved(heap(2.0 + month / 10), dt.date(2025, month, 28))
    limit_of(yard.company, yard.neighbour, source="Permit 9")
    alert_causes.raise_all(NOW)
    assert queries() == one


def test_a_limit_by_the_form_and_its_approval_by_another(yard: Yard) -> None:
    client = signed_in(yard.company.manager)
    given = {
        "pile": yard.pile.pk, "quantity": "setback", "operator": "min", "given": "25", "unit": "foot",
        "source": "Permit 7", "valid_from": "2025-01-01", "consequence": "fined", "reason": "new permit",
        "boundary": "[[60, 0], [60, 40]]",
    }  # fmt: skip
    address = reverse("propose-limit", args=[yard.site.code])
    wrong = client.post(address, {**given, "boundary": "60, 0"})
    assert wrong.status_code == 422
    assert "Not a list of points" in wrong.content.decode()
    assert client.post(address, given).status_code == 302
    limit = Limit.objects.get()
    assert (str(limit.value), limit.boundary) == ("7.620000", [[60.0, 0.0], [60.0, 40.0]])
    step = reverse("limit-step", args=[limit.pk, "approve"])
    assert "was prepared by you" in client.post(step, follow=True).content.decode()
    signed_in(yard.lead).post(step)
    limit.refresh_from_db()
    assert limit.status == "approved"


def test_an_alert_is_taken_given_and_lived_with(yard: Yard) -> None:
    yard.approved()
    limit_of(yard.company, yard.pile)
    (alert,) = alert_causes.raise_all(NOW)
    client = signed_in(yard.company.manager)
    assert "Take it on" in text(client, "/alerts/")
    client.post(reverse("alert-step", args=[alert.pk, "own"]))
    alert.refresh_from_db()
    assert alert.owner == yard.company.manager
    client.post(reverse("alert-step", args=[alert.pk, "own"]), {"person": yard.lead.pk})
    alert.refresh_from_db()
    assert alert.owner == yard.lead
    refused = client.post(reverse("alert-step", args=[alert.pk, "accept"]), {"until": "soon"}, follow=True)
    assert "no day was given" in refused.content.decode()
    until = (dt.datetime.now(dt.UTC) + dt.timedelta(days=9)).date()
    client.post(
        reverse("alert-step", args=[alert.pk, "accept"]), {"until": until, "reason": "trimmed on Friday"}
    )
    page = text(client, "/alerts/")
    assert "Lived with for a while" in page
    assert "trimmed on Friday" in page
    assert f"{yard.pile.code}: limit near" not in text(client, "/outlook/")


def test_strangers_are_shut_out(yard: Yard, cast: Any) -> None:
    yard.approved()
    limit = limit_of(yard.company, yard.pile)
    (alert,) = alert_causes.raise_all(NOW)
    client = signed_in(cast.outsider)
    assert client.post(reverse("limit-step", args=[limit.pk, "approve"])).status_code == 404
    assert client.post(reverse("alert-step", args=[alert.pk, "own"])).status_code == 404
    for page in ("/alerts/", "/limits/", "/outlook/"):
        assert "Permit 7" not in text(client, page)
    assert Alert.objects.get().owner is None


def test_hazards_stand_before_whatever_sends_a_person_onto_the_pile(yard: Yard) -> None:
    hazards.record_hazard(yard.pile, "feeder", "Under the west third", yard.surveyor)
    survey = opening.open_survey(yard.site, dt.date(2025, 7, 2), "total-station", yard.surveyor)
    client = signed_in(yard.surveyor)
    for address, then in (
        (reverse("survey", args=[survey.pk]), 'id="files"'),
        (reverse("new-survey", args=[yard.site.code]), "Open the survey"),
        (reverse("pile", args=[yard.site.code, yard.pile.code]), 'id="bases"'),
        (reverse("visit", args=[yard.site.code, yard.pile.code]), "</html>"),
    ):
        page = text(client, address)
        told = page.find("Under the west third")
        assert 0 < told < page.find(then), address
        assert (
            "The rules of the site, the local code and the inspection by a competent person come first"
            in page
        )
        assert "Nobody stands or drives above it" in page


def test_a_hazard_is_recorded_and_ended_by_its_page(yard: Yard) -> None:
    client = signed_in(yard.surveyor)
    address = reverse("pile-dangers", args=[yard.site.code, yard.pile.code])
    client.post(address, {"kind": "power-line", "words": "20 kV along the north edge"})
    hazard = PileHazard.objects.get()
    assert "20 kV along the north edge" in text(client, address)
    client.post(reverse("end-hazard", args=[hazard.pk]), {"reason": "line moved"})
    assert "line moved" in text(client, address)
    assert "Entries that stand" not in text(client, address)
    text(signed_in(yard.company.auditor), address, 403)


def test_the_letter_as_page_and_as_text(yard: Yard) -> None:
    from inventory import periods

    yard.approved()
    client = signed_in(yard.company.manager)
    assert "No month was opened here yet" in text(client, reverse("letters", args=[yard.site.code]))
    periods.open_period(yard.site, dt.date(2025, 6, 1), yard.company.accountant)
    moved = client.get(reverse("letters", args=[yard.site.code]))
    assert moved["Location"] == reverse("letter", args=[yard.site.code, "2025-06"])
    assert "survey of 30\u00a0Jun\u00a02025" in text(client, moved["Location"])
    plain = client.get(reverse("letter-text", args=[yard.site.code, "2025-06"]))
    assert plain["Content-Type"].startswith("text/plain")
    assert "survey of 30 Jun 2025" in plain.content.decode()
