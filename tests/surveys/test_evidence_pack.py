"""A year's evidence in one file: complete, hashed, and the same bytes when it is made again."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import zipfile
from typing import Any
from unittest import mock

import pytest

from inventory import closing
from inventory.closing_entries import close_journals
from inventory.errors import NotAllowed
from inventory.explaining import explain
from inventory.models import AuditEvent, Pile
from inventory.movements import record_movement, record_opening
from inventory.periods import open_period
from surveys import evidence_pack
from surveys.evidence_pack import pieces, scope_of, take_pack, write_pack
from surveys.models import StoredFile
from tests.inventory.money_scene import Money
from tests.surveys.scene import DAY, Yard, heap

pytestmark = pytest.mark.django_db
YEAR = DAY.year


@pytest.fixture
def closed(yard: Yard, evidence_store: Any) -> Yard:
    """A yard with a month in which it was surveyed, booked and locked, and a cost approved."""
    company = yard.company
    for pile in Pile.objects.filter(site=yard.site):
        record_opening(pile, quantity=7000, on=dt.date(YEAR, 6, 1), by=company.accountant)
    at = dt.datetime(YEAR, 6, 9, 10, tzinfo=dt.UTC)
    sold = {"kind": "sale", "quantity": 30, "moved_at": at, "document": "T1", "source": "wb"}
    record_movement(yard.pile, **sold, by=company.accountant)
    Money(company).value(yard.pile.material, "5.00")
    yard.approved(heap())
    period = closing.start_counting(open_period(yard.site, DAY, company.accountant), company.manager)
    for pile in Pile.objects.filter(site=yard.site):
        explain(period, pile, "looked into", company.manager)
    period = closing.reconcile(period, company.accountant)
    close_journals(period, company.accountant)
    closing.lock(closing.approve(period, company.manager), company.controller)
    return yard


def made(scope: Any) -> bytes:
    return b"".join(pieces(scope))


def opened(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as pack:
        assert pack.testzip() is None
        return {name: pack.read(name) for name in pack.namelist()}


def test_the_index_names_every_member_with_its_hash(closed: Yard) -> None:
    files = opened(made(scope_of(closed.company.organization, YEAR)))
    index = json.loads(files["index.json"])
    named = {member["path"]: member["sha256"] for member in index["members"]}
    assert named == {
        path: hashlib.sha256(data).hexdigest()
        for path, data in files.items()
        if not path.startswith("index.")
    }
    assert list(named) == sorted(named)
    table = list(csv.DictReader(io.StringIO(files["index.csv"].decode())))
    assert {row["path"]: row["sha256"] for row in table} == named
    assert index["is_closed"] is True


def test_it_holds_what_an_auditor_asks_for(closed: Yard) -> None:
    files = opened(made(scope_of(closed.company.organization, YEAR)))
    of_site = f"sites/{closed.site.code}"
    name = f"{closed.pile.code}-{DAY}-v1"
    assert files[f"{of_site}/certificates/{name}.pdf"].startswith(b"%PDF")
    record = json.loads(files[f"{of_site}/measurements/{name}.json"])
    assert record["record"]["digest"] == record["digest"]
    stored = StoredFile.objects.get()
    received = [path for path in files if path.startswith(f"{of_site}/received/")]
    assert [hashlib.sha256(files[path]).hexdigest() for path in received] == [stored.sha256]
    movements = list(csv.DictReader(io.StringIO(files[f"sites/{closed.site.code}/movements.csv"].decode())))
    assert [row["kind"] for row in movements][-2:] == ["opening", "sale"]
    assert files[f"{of_site}/periods/{DAY:%Y-%m}.csv"].startswith(b"company,")
    for path in ("densities.csv", "unit-values.csv", f"{of_site}/bases.csv", f"{of_site}/counts.csv"):
        assert files[path].count(b"\r\n") >= 2, path
    events = [json.loads(line) for line in files["audit-events.jsonl"].splitlines()]
    assert [event["seq"] for event in events] == list(range(1, len(events) + 1))
    assert json.loads(files["index.json"])["audit_chain_sha256"] == events[-1]["sha256"]


def test_made_twice_it_is_the_same_bytes_whoever_took_it_meanwhile(closed: Yard) -> None:
    scope = scope_of(closed.company.organization, YEAR)
    first = made(scope)
    events = AuditEvent.objects.count()
    b"".join(take_pack(scope, closed.company.auditor))
    assert AuditEvent.objects.count() == events + 1
    later = dt.datetime(2033, 3, 3, tzinfo=dt.UTC)
    with (
        mock.patch("django.utils.timezone.now", return_value=later),
        mock.patch("time.time", return_value=2e9),
    ):
        assert made(scope_of(closed.company.organization, YEAR)) == first


def test_while_a_month_is_open_the_pack_says_so(closed: Yard) -> None:
    open_period(closed.site, DAY + dt.timedelta(days=10), closed.company.accountant)
    scope = scope_of(closed.company.organization, YEAR)
    assert json.loads(opened(made(scope))["index.json"])["is_closed"] is False


def test_one_site_alone(closed: Yard) -> None:
    scope = scope_of(closed.company.organization, YEAR, closed.site)
    assert scope.name == f"evidence-{closed.company.organization.slug}-{closed.site.code}-{YEAR}.zip"
    other = closed.company.site("WHF")
    assert any(path.startswith("sites/WHF/") for path in opened(made(scope_of(other.organization, YEAR))))
    assert not [path for path in opened(made(scope)) if path.startswith("sites/WHF")]


def test_what_the_store_lost_is_named_and_the_rest_is_there(closed: Yard, evidence_store: Any) -> None:
    stored = StoredFile.objects.get()
    (evidence_store / stored.path).unlink()
    files = opened(made(scope_of(closed.company.organization, YEAR)))
    problems = [m for m in json.loads(files["index.json"])["members"] if "problem" in m]
    assert len(problems) == 1
    assert "are missing" in problems[0]["problem"]


def test_only_auditor_and_controller_take_it_and_it_is_recorded(closed: Yard) -> None:
    scope = scope_of(closed.company.organization, YEAR)
    for role in ("surveyor", "lead_surveyor", "manager", "accountant", "administrator"):
        with pytest.raises(NotAllowed):
            take_pack(scope, getattr(closed.company, role))
    take_pack(scope, closed.company.controller)
    assert AuditEvent.objects.order_by("-seq").first().verb == "take_evidence"


def test_it_is_written_piece_by_piece(closed: Yard, tmp_path: Any) -> None:
    scope = scope_of(closed.company.organization, YEAR)
    sha256, size = write_pack(scope, tmp_path / "pack.zip")
    data = (tmp_path / "pack.zip").read_bytes()
    assert (hashlib.sha256(data).hexdigest(), len(data)) == (sha256, size)
    assert data == made(scope)
    with mock.patch.object(
        evidence_pack, "members", return_value=iter([("a", lambda: b"x"), ("b", lambda: b"y")])
    ):
        first = next(pieces(scope))
    assert first.startswith(b"PK")
    assert b"index.json" not in first
