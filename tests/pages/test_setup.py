"""Setting up a yard through pages, each form by the roles that may, with every refusal beside its field."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from inventory.models import BaseVersion, DensityRecord, Material, Pile, Site
from surveys.models import ControlPoint
from tests.cast import Company
from tests.surveys.scene import Yard, heap

pytestmark = pytest.mark.django_db

SITE = {
    "code": "YRD",
    "name": "North yard",
    "timezone": "Europe/Vienna",
    "length_unit": "foot",
    "volume_unit": "cubic-yard",
    "mass_unit": "short-ton",
    "survey_method": "total-station",
    "survey_every_days": "31",
}

BASE = {"height_uncertainty_m": "0.02", "valid_from": "2025-01-01", "reason": "bare pad"}


def test_a_yard_from_nothing_to_a_base(company: Company, as_: Callable[[Any], Client]) -> None:
    manager, surveyor, lead = (as_(company.people[role]) for role in ("manager", "surveyor", "lead_surveyor"))
    assert "Open a site" in manager.get("/").content.decode()
    assert manager.post(reverse("new-site"), SITE).url == reverse("site", args=["YRD"])
    site = Site.objects.get(code="YRD")
    assert (site.length_unit, site.timezone, site.survey_every_days) == ("foot", "Europe/Vienna", 31)
    assert "No open pile on this site" in manager.get(reverse("site", args=["YRD"])).content.decode()

    manager.post(reverse("new-material"), {"code": "M2", "name": "Crushed stone 4/10"})
    material = Material.objects.get(code="M2")
    given = {
        "code": "YRD-01",
        "name": "Ridge",
        "material": material.pk,
        "opened_on": "2025-01-01",
        "outline": "0, 0\n100 0\n100;100\n\n0,100",
    }
    assert manager.post(reverse("new-pile", args=["YRD"]), given).status_code == 302
    pile = Pile.objects.get(code="YRD-01")
    # Typed in feet, kept in metres: 100 ft = 30.48 m exactly.
    assert sorted(pile.outline) == [
        pytest.approx(corner) for corner in ([0, 0], [0, 30.48], [30.48, 0], [30.48, 30.48])
    ]

    base = {
        "kind": "level",
        "level": "328.0840",
        "height_uncertainty_m": "0.02",
        "valid_from": "2025-01-01",
        "reason": "floor",
    }
    assert surveyor.post(reverse("propose-base", args=["YRD", "YRD-01"]), base).status_code == 302
    kept = BaseVersion.objects.get()
    assert kept.level_m == Decimal("100.0000")
    approve = reverse("base-step", args=["YRD", "YRD-01", 1, "approve"])
    assert surveyor.post(approve).status_code == 403
    assert "Base v1 is approved" in lead.post(approve, follow=True).content.decode()
    assert lead.post(reverse("base-step", args=["YRD", "YRD-01", 1, "burn"])).status_code == 404


def test_a_density_needs_two_others(yard: Yard, as_: Callable[[Any], Client]) -> None:
    material = yard.pile.material
    surveyor, lead, manager = (as_(yard.company.people[r]) for r in ("surveyor", "lead_surveyor", "manager"))
    given = {
        "t_per_m3": "1.49",
        "scope": f"site:{yard.site.pk}",
        "grade": "A",
        "state": "stocked",
        "moisture_basis": "as-received",
        "method": "back-calculation over 24 loads",
        "tests_n": "24",
        "valid_from": "2025-10-01",
        "reason": "the old one read high",
    }
    place = reverse("propose-density", args=[material.code])
    assert surveyor.post(place, given).url == reverse("material", args=[material.code])
    record = DensityRecord.objects.latest("pk")
    assert (record.site, record.t_per_m3, record.standard_uncertainty_percent) == (
        yard.site,
        Decimal("1.49"),
        Decimal("1.5"),
    )
    page = reverse("material", args=[material.code])
    assert "<button>Approve</button>" not in surveyor.get(page).content.decode()
    assert "<button>Approve</button>" in lead.get(page).content.decode()
    step = reverse("density-step", args=[material.code, record.pk, "approve"])
    assert f"Your approval of {record.label} is recorded" in lead.post(step, follow=True).content.decode()
    body = lead.get(page).content.decode()
    assert "<button>Approve</button>" not in body
    assert "waits for manager" in body
    manager.post(step)
    record.refresh_from_db()
    assert record.status == "approved"
    assert "is-stop" in manager.post(step, follow=True).content.decode()


def test_a_density_that_cannot_be_stays_in_the_form(yard: Yard, as_: Callable[[Any], Client]) -> None:
    given = {"t_per_m3": "1600", "scope": "company", "grade": "A", "valid_from": "2025-10-01"}
    answer = as_(yard.surveyor).post(reverse("propose-density", args=[yard.pile.material.code]), given)
    assert answer.status_code == 422
    body = answer.content.decode()
    assert 'value="1600"' in body
    assert body.count('aria-invalid="true"') >= 3
    assert DensityRecord.objects.count() == 1


def test_a_proposal_is_withdrawn_with_a_reason(yard: Yard, as_: Callable[[Any], Client]) -> None:
    record = yard.company.proposed_density(yard.pile.material, "1.7", valid_from=dt.date(2025, 8, 1))
    step = reverse("density-step", args=[yard.pile.material.code, record.pk, "withdraw"])
    as_(yard.surveyor).post(step, {"reason": "typed wrong"})
    record.refresh_from_db()
    assert (record.status, record.withdrawn_reason) == ("withdrawn", "typed wrong")


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("code", {"code": "A/B"}, "Letters, digits, dots and dashes only"),
        ("code", {"code": "QRY"}, "exists already"),
        ("timezone", {"timezone": "Mars/Base"}, "Select a valid choice"),
        ("survey_every_days", {"survey_every_days": "0"}, "greater than or equal to 1"),
    ],
)
def test_a_site_that_cannot_be(
    name: str, change: dict[str, str], said: str, yard: Yard, as_: Callable[[Any], Client]
) -> None:
    answer = as_(yard.company.manager).post(reverse("new-site"), {**SITE, **change})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert Site.objects.count() == 1


def test_settings_change_what_is_shown(yard: Yard, as_: Callable[[Any], Client]) -> None:
    manager = as_(yard.company.manager)
    page = manager.get(reverse("site-settings", args=["QRY"])).content.decode()
    assert 'name="code"' not in page
    given = {name: value for name, value in SITE.items() if name != "code"}
    assert (
        manager.post(reverse("site-settings", args=["QRY"]), {**given, "survey_every_days": ""}).status_code
        == 302
    )
    yard.site.refresh_from_db()
    assert (yard.site.name, yard.site.mass_unit, yard.site.survey_every_days) == (
        "North yard",
        "short-ton",
        None,
    )


def test_outlines_that_cannot_be(yard: Yard, as_: Callable[[Any], Client]) -> None:
    lead = as_(yard.lead)
    place = reverse("pile-outline", args=["QRY", yard.pile.code])
    for outline, said in (
        ("0 0\n10 ten", "Line 2"),
        ("0 0\n10 0", "three"),
        ("0 0\n10 10\n10 0\n0 10", "cross"),
        ("60 0\n90 0\n90 30\n60 30", "share"),
    ):
        answer = lead.post(place, {"outline": outline})
        assert answer.status_code == 422, outline
        assert said in answer.content.decode(), outline
    yard.pile.refresh_from_db()
    assert yard.pile.outline[0] == [-5.0, -5.0]


def test_an_outline_from_the_toe_ring_of_a_measurement(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measurement = yard.computed()
    place = reverse("pile-outline", args=["QRY", yard.pile.code])
    as_(yard.lead).post(place, {"outline": "", "toe_ring_of": measurement.pk})
    yard.pile.refresh_from_db()
    assert {tuple(corner) for corner in yard.pile.outline} >= {
        (0.0, 0.0),
        (40.0, 0.0),
        (40.0, 40.0),
        (0.0, 40.0),
    }


def test_hazards_and_the_end_of_a_pile(yard: Yard, as_: Callable[[Any], Client]) -> None:
    manager = as_(yard.company.manager)
    manager.post(
        reverse("pile-hazards", args=["QRY", yard.pile.code]), {"hazards": "Draw point under the north face"}
    )
    assert (
        "Draw point under the north face"
        in manager.get(reverse("pile", args=["QRY", yard.pile.code])).content.decode()
    )
    place = reverse("close-pile", args=["QRY", yard.pile.code])
    early = manager.post(place, {"closed_on": "2024-12-01"})
    assert early.status_code == 422
    assert manager.post(place, {"closed_on": "2025-07-01"}).status_code == 302
    yard.pile.refresh_from_db()
    assert yard.pile.closed_on == dt.date(2025, 7, 1)


def test_a_surveyed_ground_becomes_a_base(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    place = reverse("propose-base", args=["QRY", yard.pile.code])
    given = {
        "kind": "surface",
        "unit": "metre",
        "height_uncertainty_m": "0.01",
        "valid_from": "2025-05-01",
        "reason": "bare pad",
    }
    missing = surveyor.post(place, given)
    assert missing.status_code == 422
    assert "needs its point file" in missing.content.decode()
    broken = surveyor.post(place, {**given, "file": SimpleUploadedFile("pad.csv", b"point,northing\n1,2\n")})
    assert broken.status_code == 422
    assert surveyor.post(place, {**given, "file": SimpleUploadedFile("pad.csv", heap())}).status_code == 302
    base = BaseVersion.objects.latest("pk")
    assert (base.kind, base.evidence_name, len(base.evidence_sha256)) == ("surface", "pad.csv", 64)
    level = surveyor.post(place, {**given, "kind": "level"})
    assert "A fixed level needs its height" in level.content.decode()


def test_a_moved_mark_is_recorded_from_its_day_on(yard: Yard, as_: Callable[[Any], Client]) -> None:
    surveyor = as_(yard.surveyor)
    place = reverse("new-control-point", args=["QRY"])
    given = {
        "name": "CP1",
        "northing": "100.5",
        "easting": "200.25",
        "elevation": "99",
        "valid_from": "2025-01-01",
    }
    assert surveyor.post(place, given).status_code == 302
    assert surveyor.post(place, {**given, "elevation": "98.5", "valid_from": "2025-03-01"}).status_code == 302
    lead = as_(yard.lead)
    for point in ControlPoint.objects.order_by("valid_from"):
        step = reverse("control-step", args=["QRY", point.pk, "approve"])
        assert "another person approves" in surveyor.get(reverse("site", args=["QRY"])).content.decode()
        assert step in lead.get(reverse("site", args=["QRY"])).content.decode()
        assert lead.post(step).status_code == 302
    first, second = ControlPoint.objects.order_by("valid_from")
    assert (first.valid_to, second.valid_to) == (dt.date(2025, 3, 1), None)
    assert second.elevation_m == Decimal("98.5000")
    again = surveyor.post(place, given)
    assert again.status_code == 422
    assert "is known from" in again.content.decode()
    assert "98.50" in surveyor.get(reverse("site", args=["QRY"])).content.decode()
