"""The pages of a certificate: stating what no measurement knows, the PDF, and the place of verification."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from typing import Any

import pypdf
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from surveys import review
from surveys.models import Alert, CertificateParticulars
from tests.cast import Cast
from tests.surveys.scene import Yard, heap

GIVEN = {
    "purpose": "month-end stock",
    "crew": "Surveyor 1, Surveyor 2",
    "instruments": 'total station 5"; SN 4411; 2025-02-11\n\nprism pole; P-7',
    "sealed_document_required": "no",
    "sealed_determined_by": "Lead surveyor",
    "cut_off_at": "2025-06-30T18:00",
    "not-walked-applies": "yes",
    "not-walked-note": "west face undercut",
    "snow-applies": "no",
}


def page_of(measurement: Any) -> str:
    return reverse("certificate-page", args=[measurement.pk])


def pdf_of(measurement: Any) -> str:
    return reverse("certificate", args=[measurement.pk])


def text_of(data: bytes) -> str:
    """Words of all pages, with plain single blanks."""
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages).split())


def test_the_surveyor_states_and_the_certificate_says_it(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.reviewed()
    answer = as_(yard.surveyor).post(page_of(measurement), GIVEN)
    assert answer.status_code == 302
    stated = measurement.particulars.get()
    assert stated.instruments == [
        {"kind": 'total station 5"', "serial": "SN 4411", "calibrated_on": "2025-02-11"},
        {"kind": "prism pole", "serial": "P-7", "calibrated_on": ""},
    ]
    assert stated.cut_off_at == dt.datetime(2025, 6, 30, 18, 0, tzinfo=yard.site.zone)
    assert stated.limitations == {
        "not-walked": {"applies": "yes", "note": "west face undercut"},
        "snow": {"applies": "no", "note": ""},
    }
    review.approve(measurement, yard.lead)
    shown = as_(yard.lead).get(page_of(measurement)).content.decode()
    assert "west face undercut" in shown
    assert '<form method="post" class="form"' not in shown
    answer = as_(yard.lead).get(pdf_of(measurement))
    assert answer["Content-Type"] == "application/pdf"
    assert "QRY-01-2025-06-30-v1.pdf" in answer["Content-Disposition"]
    text = text_of(answer.content)
    assert "APPROVED" in text
    for words in (
        "month-end stock",
        "SN 4411",
        "11 Feb 2025",
        "west face undercut",
        "Surveyor 1, Surveyor 2",
    ):
        assert words in text


def test_the_cut_off_is_typed_by_the_clock_of_the_site(yard: Yard, as_: Callable[[Any], Client]) -> None:
    yard.site.timezone = "America/Denver"
    yard.site.save()
    measurement = yard.computed()
    as_(yard.surveyor).post(page_of(measurement), GIVEN)
    assert measurement.particulars.get().cut_off_at == dt.datetime(2025, 7, 1, 0, 0, tzinfo=dt.UTC)
    assert 'value="2025-06-30T18:00"' in as_(yard.surveyor).get(page_of(measurement)).content.decode()


def test_the_last_certificate_of_the_site_is_a_proposal_and_no_more(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    first = yard.reviewed()
    as_(yard.surveyor).post(page_of(first), GIVEN)
    review.approve(first, yard.lead)
    second = yard.computed(heap(6.0), day=dt.date(2025, 7, 31))
    shown = as_(yard.surveyor).get(page_of(second)).content.decode()
    assert "Proposed from QRY-01" in shown
    assert "SN 4411" in shown
    assert "west face undercut" not in shown, "limitations belong to one visit"
    assert not CertificateParticulars.objects.filter(measurement=second).exists()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"instruments": "total station; 1; 2025-02-30"}, "2025-02-30 is no date"),
        ({"instruments": "a; b; 2025-02-11; d"}, "Line 1 is not kind; serial number; calibrated on."),
        ({"snow-applies": "", "snow-note": "drifts"}, "say yes or no beside the note"),
    ],
)
def test_a_wrong_entry_is_said_beside_its_field(
    yard: Yard, as_: Callable[[Any], Client], wrong: dict[str, str], said: str
) -> None:
    measurement = yard.computed()
    answer = as_(yard.surveyor).post(page_of(measurement), GIVEN | wrong)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not measurement.particulars.exists()


def test_after_approval_nothing_more_is_stated(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.approved()
    answer = as_(yard.surveyor).post(page_of(measurement), GIVEN)
    assert answer.status_code == 422
    assert not measurement.particulars.exists()


def test_only_surveyors_state(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    for person in (yard.company.manager, yard.company.accountant, yard.company.auditor):
        assert as_(person).post(page_of(measurement), GIVEN).status_code == 403
    assert not measurement.particulars.exists()


def test_a_sealed_document_that_is_required_and_missing_is_said(
    yard: Yard, as_: Callable[[Any], Client]
) -> None:
    measurement = yard.reviewed()
    as_(yard.surveyor).post(page_of(measurement), GIVEN | {"sealed_document_required": "yes"})
    assert "none is named here" in as_(yard.lead).get(page_of(measurement)).content.decode()
    review.approve(measurement, yard.lead)
    assert "A sealed document is required" in text_of(as_(yard.lead).get(pdf_of(measurement)).content)


def test_a_draft_is_previewed_as_not_approved(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    answer = as_(yard.surveyor).get(pdf_of(measurement))
    assert "preview-" in answer["Content-Disposition"]
    text = text_of(answer.content)
    assert "NOT APPROVED" in text
    assert "Nobody has approved it" in text


def test_what_was_sent_back_has_no_pdf(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    review.send_back(measurement, yard.lead, "toe missing")
    assert as_(yard.surveyor).get(pdf_of(measurement)).status_code == 404


def test_a_printed_digest_is_verified(yard: Yard, as_: Callable[[Any], Client]) -> None:
    old = yard.approved()
    new = yard.correction(old, heap(5.5))
    review.approve(yard.review(new), yard.lead)
    address = reverse("verify", args=[old.digest])
    assert address == f"/verify/{old.digest}", "as printed"
    shown = as_(yard.lead).get(address).content.decode()
    assert "Superseded by" in shown
    assert "Recompute and compare" in shown
    in_force = as_(yard.lead).get(reverse("verify", args=[new.digest])).content.decode()
    assert "Approved and in force" in in_force
    assert (
        "Recompute"
        not in as_(yard.company.accountant)
        .get(address)
        .content.decode()
        .split("<footer")[0]
        .split("Nothing was worked out")[0]
    )


def test_what_does_not_come_out_again_is_marked(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.approved()
    alert = Alert.objects.create(
        site=yard.site,
        pile=yard.pile,
        kind=Alert.Kind.NOT_REPRODUCIBLE,
        due_on=measurement.surveyed_on,
        message="QRY-01 is not reproducible: another digest.",
        owner_role="lead_surveyor",
        raised_at=timezone.now(),
    )
    page = as_(yard.lead)
    assert "another digest" in page.get(reverse("verify", args=[measurement.digest])).content.decode()
    assert "NOT REPRODUCIBLE" in text_of(page.get(pdf_of(measurement)).content)
    alert.resolved_at = timezone.now()
    alert.save()
    assert "Approved and in force" in page.get(reverse("verify", args=[measurement.digest])).content.decode()
    assert "NOT REPRODUCIBLE" not in text_of(page.get(pdf_of(measurement)).content)


def test_a_digest_is_told_to_members_alone(yard: Yard, cast: Cast, as_: Callable[[Any], Client]) -> None:
    address = reverse("verify", args=[yard.approved().digest])
    answer = Client().get(address)
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/")
    stranger = as_(cast.outsider).get(address)
    unknown = as_(cast.outsider).get(reverse("verify", args=["0" * 64]))
    assert stranger.status_code == unknown.status_code == 404
    assert "Not known here" in stranger.content.decode()
    assert "QRY-01" not in stranger.content.decode()
