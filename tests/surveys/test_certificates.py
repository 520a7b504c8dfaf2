"""Certificates: numbered by pile and day, issued at approval, write-once, handed out by the command."""

from __future__ import annotations

import datetime as dt
import io
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction

from inventory import movements, piles
from inventory.errors import BadEntry, NotAllowed
from inventory.models import Organization, Role, StockCount
from surveys import intake, measuring, review
from surveys.certificates.finding import find_certified
from surveys.certificates.issuing import issue
from surveys.certificates.making import certificate
from surveys.certificates.numbering import asked_for, certificate_of, file_name
from surveys.certificates.particulars import proposal_for, state_particulars
from surveys.errors import CertificateAmbiguous, CertificateNumberUnclear, NoSuchCertificate, WrongState
from surveys.models import IssuedCertificate, Measurement
from tests.cast import Cast, person
from tests.surveys.scene import Yard, heap, work, yard_of

NUMBER = "QRY-01/2025-06-30"


# --- the number ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "pile", "day", "version"),
    [
        ("DRV-05/2025-04-30", "DRV-05", dt.date(2025, 4, 30), None),
        (" DRV-05/2025-04-30/v2 ", "DRV-05", dt.date(2025, 4, 30), 2),
        ("A.b_c/2024-02-29/12", "A.b_c", dt.date(2024, 2, 29), 12),
    ],
)
def test_a_number_is_read(text: str, pile: str, day: dt.date, version: int | None) -> None:
    asked = asked_for(text)
    assert (asked.pile, asked.surveyed_on, asked.version) == (pile, day, version)


@pytest.mark.parametrize("text", ["", "DRV-05", "/2025-04-30", "DRV-05/2025-02-30", "DRV-05/2025-04-30/vx"])
def test_what_is_no_number_is_said(text: str) -> None:
    with pytest.raises(CertificateNumberUnclear, match="no number of a certificate"):
        asked_for(text)


def test_a_file_name_holds_no_slash() -> None:
    assert file_name(NUMBER, 2) == "QRY-01-2025-06-30-v2.pdf"


# --- issued at approval ------------------------------------------------------------------------------


def test_approval_issues_and_the_book_knows_the_number(yard: Yard) -> None:
    survey = yard.survey(
        started_at=dt.datetime(2025, 6, 30, 7, 30, tzinfo=dt.UTC),
        ended_at=dt.datetime(2025, 6, 30, 9, 0, tzinfo=dt.UTC),
    )
    intake.receive_file(survey, "shots.csv", heap(), yard.surveyor, yard.pile)
    measurement = work(measuring.request_measurement(survey, yard.pile, yard.surveyor))
    assert not IssuedCertificate.objects.exists()
    review.approve(yard.review(measurement), yard.lead)
    issued = measurement.certificate
    assert (issued.number, issued.version) == (NUMBER, 1) == certificate_of(measurement)
    assert issued.issued_at == measurement.approved_at
    count = StockCount.objects.get(evidence_ref=measurement.evidence_ref)
    assert (count.certificate_no, count.certificate_version) == (NUMBER, 1)
    assert (count.started_at, count.ended_at) == (survey.started_at, survey.ended_at)


def test_what_was_issued_keeps_the_names_of_its_day(yard: Yard) -> None:
    measurement = yard.approved()
    before = certificate(Measurement.objects.get(pk=measurement.pk)).data
    piles.rename_pile(yard.pile, "Another name altogether", by=yard.company.manager)
    yard.lead.first_name = "Somebody"
    yard.lead.save()
    again = Measurement.objects.get(pk=measurement.pk)
    assert again.pile.name == "Another name altogether"
    assert certificate(again).data == before
    assert issue(again).content["pile"]["name"] == "Pile QRY-01"


def test_one_approved_before_certificates_were_kept_is_issued_when_asked_for(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = yard.reviewed()
    monkeypatch.setattr(review, "issue", lambda _: None)
    review.approve(measurement, yard.lead)
    assert not IssuedCertificate.objects.exists()
    certificate(measurement)
    assert IssuedCertificate.objects.get().issued_at == measurement.approved_at
    certificate(measurement)
    assert IssuedCertificate.objects.count() == 1


def test_the_survey_before_is_pinned(yard: Yard) -> None:
    """A later correction of the survey before does not move what this one says has changed."""
    first = yard.approved(day=dt.date(2025, 5, 30))
    second = yard.approved(heap(6.0))
    before = certificate(second).data
    review.approve(yard.review(yard.correction(first, heap(5.5))), yard.lead)
    assert certificate(Measurement.objects.get(pk=second.pk)).data == before
    assert issue(second).content["previous"]["number"] == "QRY-01/2025-05-30"
    assert issue(second).content["previous"]["version"] == 1


def refused(statement: str) -> None:
    with (
        pytest.raises(IntegrityError, match="write-once"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def test_neither_particulars_nor_what_was_issued_can_be_changed(yard: Yard) -> None:
    measurement = yard.reviewed()
    state_particulars(measurement, yard.surveyor, {"purpose": "month end"})
    refused("UPDATE surveys_certificateparticulars SET purpose = 'sale'")
    refused("DELETE FROM surveys_certificateparticulars")
    review.approve(measurement, yard.lead)
    refused("UPDATE surveys_issuedcertificate SET number = 'X/2025-06-30'")
    refused("UPDATE surveys_issuedcertificate SET content = '{}'")
    refused("DELETE FROM surveys_issuedcertificate")
    copied = ", ".join(
        f'"{field.column}"'
        for field in measurement.particulars.model._meta.concrete_fields
        if field.column not in ("id", "version")
    )
    refused(
        f"INSERT INTO surveys_certificateparticulars (version, {copied}) "
        f"SELECT 2, {copied} FROM surveys_certificateparticulars"
    )


def test_nothing_is_issued_before_approval(yard: Yard) -> None:
    measurement = yard.reviewed()
    with pytest.raises(IntegrityError, match="write-once"), transaction.atomic():
        issue(measurement)


def test_the_quantity_is_rolled_to_the_cut_off_by_what_is_on_record(yard: Yard) -> None:
    """Noon of the survey to six in the evening: 40 t came, 90 t went, and what came later is not in it."""
    measurement = yard.reviewed()
    for hour, kind, tonnes in ((13, "production", "40"), (15, "sale", "90"), (19, "production", "500")):
        movements.record_movement(
            yard.pile,
            kind=kind,
            quantity=Decimal(tonnes),
            moved_at=dt.datetime(2025, 6, 30, hour, tzinfo=dt.UTC),
            document=f"T-{hour}",
            source="gate",
            by=yard.company.manager,
        )
    cut_off = dt.datetime(2025, 6, 30, 18, 0, tzinfo=dt.UTC)
    state_particulars(measurement, yard.surveyor, {"cut_off_at": cut_off})
    review.approve(measurement, yard.lead)
    rolled = issue(measurement).content["rolled"]
    assert (rolled["movements"], Decimal(rolled["sum_t"])) == (2, Decimal(-50))
    assert Decimal(rolled["rolled_t"]) == measurement.tonnes - 50


# --- what people state -------------------------------------------------------------------------------


def test_each_statement_is_a_version_and_the_last_one_is_certified(yard: Yard) -> None:
    measurement = yard.reviewed()
    state_particulars(measurement, yard.surveyor, {"purpose": "month end", "crew": "Surveyor 1"})
    state_particulars(measurement, yard.lead, {"purpose": "royalty", "crew": "Surveyor 1"})
    review.approve(measurement, yard.lead)
    assert [each.purpose for each in measurement.particulars.order_by("version")] == ["month end", "royalty"]
    assert issue(measurement).content["particulars"]["purpose"] == "royalty"
    with pytest.raises(WrongState, match="can no longer change"):
        state_particulars(measurement, yard.surveyor, {"purpose": "sale"})


def test_a_wrong_statement_is_refused_with_everything_that_is_wrong(yard: Yard) -> None:
    measurement = yard.computed()
    with pytest.raises(BadEntry) as told:
        state_particulars(
            measurement,
            yard.surveyor,
            {
                "sealed_document_required": "perhaps",
                "instruments": [{"serial": "12"}],
                "limitations": {"snow": {"applies": "maybe"}, "fog": {"applies": "yes"}},
            },
        )
    for words in (
        "sealed document required",
        "instrument 1",
        "snow or ice on the pile: say yes or no",
        "fog",
    ):
        assert words in told.value.message
    assert not measurement.particulars.exists()


def test_a_manager_states_nothing(yard: Yard) -> None:
    with pytest.raises(NotAllowed):
        state_particulars(yard.computed(), yard.company.manager, {"purpose": "month end"})


def test_a_proposal_is_of_the_same_site_and_leaves_out_what_was_of_one_visit(yard: Yard) -> None:
    first = yard.computed(day=dt.date(2025, 5, 30))
    state_particulars(
        first,
        yard.surveyor,
        {
            "jurisdiction": "Northmark",
            "limitations": {"snow": {"applies": "yes", "note": ""}},
            "control_closure": "1 : 12,000",
        },
    )
    second = yard.computed(heap(6.0))
    proposed, source = proposal_for(second)
    assert source == first.particulars.get()
    assert proposed["jurisdiction"] == "Northmark"
    assert not {"limitations", "control_closure", "cut_off_at", "photos", "sealed_document"} & set(proposed)
    elsewhere = yard.company.site("FAR")
    second.survey.site = elsewhere
    assert proposal_for(second) == ({}, None)


# --- found by number ---------------------------------------------------------------------------------


def test_the_newest_approved_version_is_meant_and_an_older_one_can_be_asked_for(yard: Yard) -> None:
    old = yard.approved()
    new = yard.correction(old, heap(5.5))
    assert find_certified(asked_for(NUMBER)) == old, "a correction is no certificate before its approval"
    with pytest.raises(NoSuchCertificate, match="version 1 is approved, version 2 is computed"):
        find_certified(asked_for(f"{NUMBER}/v2"))
    review.approve(yard.review(new), yard.lead)
    assert find_certified(asked_for(NUMBER)) == new
    assert find_certified(asked_for(f"{NUMBER}/v1")) == old


def test_what_was_withdrawn_has_no_certificate(yard: Yard) -> None:
    measurement = yard.approved()
    review.revoke(measurement, yard.lead, "wrong pile")
    with pytest.raises(NoSuchCertificate, match="version 1 is withdrawn"):
        find_certified(asked_for(NUMBER))
    with pytest.raises(NoSuchCertificate, match="there is no certificate of it"):
        certificate(measurement)


def test_one_number_of_two_organizations_is_ambiguous(cast: Cast, yard: Yard) -> None:
    ours = yard.approved()
    second = Organization.objects.create(name="Cinderwick Sands", slug="cinderwick-sands")
    people = {str(role): person(f"cinder-{role}", second, role) for role in Role}
    twin = yard_of(type(yard.company)(second, people)).approved()
    with pytest.raises(CertificateAmbiguous, match="ashmarl-aggregates site QRY, cinderwick-sands site QRY"):
        find_certified(asked_for(NUMBER))
    assert find_certified(asked_for(NUMBER), "cinderwick-sands") == twin
    assert find_certified(asked_for(NUMBER), "ashmarl-aggregates") == ours


# --- the command -------------------------------------------------------------------------------------


def said(*args: Any, code: int | None = None) -> dict[str, Any]:
    out = io.StringIO()
    if code is None:
        call_command("certificate", *args, "--json", stdout=out)
    else:
        with pytest.raises(SystemExit) as left:
            call_command("certificate", *args, "--json", stdout=out)
        assert left.value.code == code
    return json.loads(out.getvalue())


def test_the_command_writes_the_pdf_and_says_so(yard: Yard, tmp_path: Path, monkeypatch: Any) -> None:
    measurement = yard.approved()
    monkeypatch.chdir(tmp_path)
    told = said(NUMBER)
    written = tmp_path / "QRY-01-2025-06-30-v1.pdf"
    assert told == {
        "number": NUMBER,
        "version": 1,
        "state": "approved",
        "file": written.name,
        "bytes": written.stat().st_size,
    }
    assert written.read_bytes() == certificate(measurement).data
    assert written.read_bytes().startswith(b"%PDF-")
    assert said(NUMBER, "--output", str(tmp_path / "c.pdf"))["file"] == str(tmp_path / "c.pdf")
    assert (tmp_path / "c.pdf").read_bytes() == written.read_bytes()


def test_the_command_refuses_in_words_and_writes_nothing(yard: Yard, tmp_path: Path) -> None:
    yard.computed()
    target = tmp_path / "c.pdf"
    assert said(NUMBER, "--output", str(target), code=2)["error"]["code"] == "no-such-certificate"
    assert said("QRY-09/2025-06-30", code=2)["error"]["message"].startswith("There is no certificate QRY-09")
    assert said("QRY-01", code=2)["error"]["code"] == "certificate-number-unclear"
    assert not list(tmp_path.iterdir())


def test_a_place_that_takes_no_file_is_said(yard: Yard, tmp_path: Path) -> None:
    yard.approved()
    told = said(NUMBER, "--output", str(tmp_path / "missing" / "c.pdf"), code=2)["error"]
    assert told["where"] == "--output"
    assert "cannot be written" in told["message"]
