"""The demo through the real doors: a short year in this process, and the whole command beside it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from inventory.models import BaseVersion, DensityRecord, Membership, Pile, PileLineage, Site, StockCount, User
from inventory.stock import stock_now
from surveys import computing
from surveys.demo import checking, table
from surveys.demo.cast import PASSWORD, PEOPLE, assemble
from surveys.demo.evidence import DemoRefused
from surveys.demo.seeding import seed
from surveys.demo.story import (
    LOST_CODES,
    MISREAD,
    OLD_BASE,
    POLE_OF_ONE_SETUP,
    WRONG_POLE,
    visits_of_the_year,
)
from surveys.demo.yard import PILES
from surveys.models import (
    BookReduction,
    ControlPoint,
    JobState,
    Measurement,
    SetupCorrection,
    State,
    SurveyFile,
)

ROOT = Path(__file__).resolve().parents[2]
SHORT_YEAR = {
    ("DRV", date(2025, 4, 30)),
    ("DRV", date(2025, 6, 27)),
    ("DRV", date(2025, 6, 28)),
    ("KTV", date(2025, 3, 28)),
    ("KTV", date(2025, 6, 29)),
    ("DRV", date(2025, 7, 30)),
    ("TUL", date(2025, 9, 27)),
    ("TUL", date(2025, 9, 30)),
    ("KTV", date(2025, 10, 28)),
    ("TUL", date(2025, 10, 31)),
}


def short_year() -> tuple[Any, ...]:
    return tuple(visit for visit in visits_of_the_year() if (visit.site, visit.on) in SHORT_YEAR)


@pytest.fixture
def worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the demo waits, its jobs are done here."""

    def do_what_waits(seconds: float) -> None:
        for waiting in Measurement.objects.filter(job_state=JobState.WAITING).order_by("pk"):
            computing.work(waiting.pk, "test-worker")

    monkeypatch.setattr(checking.time, "sleep", do_what_waits)


def versions(key: tuple[str, date]) -> list[Measurement]:
    pile, on = key
    return list(Measurement.objects.filter(pile__code=pile, surveyed_on=on).order_by("version"))


def what_is_there() -> dict[str, int]:
    kinds = (User, Membership, Site, Pile, PileLineage, BaseVersion, DensityRecord, StockCount, Measurement)
    kinds += (BookReduction, ControlPoint)
    return {kind.__name__: kind.objects.count() for kind in (*kinds, SurveyFile)}


@pytest.mark.django_db
def test_the_short_year_tells_the_story_and_can_be_told_again(worker: None, evidence_store: Any):
    told: list[str] = []
    book = seed(told.append, short_year())
    there = what_is_there()

    assert there["Pile"] == len(PILES)
    assert {link.from_pile.code for link in PileLineage.objects.all()} == {"DRV-03", "DRV-04"}
    assert {user.username for user in User.objects.all()} >= set(PEOPLE)
    assert User.objects.get(username="lead-surveyor").check_password(PASSWORD)

    first, second = versions(WRONG_POLE)
    assert (first.state, second.state) == (State.SUPERSEDED, State.APPROVED)
    assert second.supersedes == first
    assert "2.200" in second.correction_reason
    # 0.20 m × 2,570 m² (our own arithmetic).
    assert float(first.net_m3 - second.net_m3) == pytest.approx(514.0, rel=0.02)
    standing = StockCount.objects.current().get(pile__code=WRONG_POLE[0], counted_on=WRONG_POLE[1])
    assert standing.evidence_ref == second.evidence_ref

    for key in (LOST_CODES, OLD_BASE):
        first, second = versions(key)
        assert (first.state, second.state) == (State.REJECTED, State.APPROVED)
        assert first.sent_back_reason
        assert first.net_m3 > second.net_m3
    assert [v.base_version.version for v in versions(OLD_BASE)] == [1, 2]
    assert [bool(v.request["control"]) for v in versions(LOST_CODES)] == [False, True]

    of_march = BookReduction.objects.filter(file__survey__surveyed_on=MISREAD[1])
    misread, read_again = of_march.order_by("version")
    assert (misread.state, read_again.state) == ("rejected", "accepted")
    assert not misread.gives_shots
    assert misread.findings[0]["code"] == "misclosure-angular"
    # Set-up 3 of the loop K6, K5, K2, K3 stands on K2: the station whose reading is planted.
    assert misread.findings[0]["where"] == "station K2"
    assert abs(read_again.record["closure"]["angular_seconds"]) < 20.0
    assert read_again.corrections.get().reason
    assert [version.state for version in versions(MISREAD)] == [State.APPROVED]

    wrong_pole, right_pole = BookReduction.objects.filter(
        file__survey__surveyed_on=POLE_OF_ONE_SETUP[1]
    ).order_by("version")
    assert (wrong_pole.state, right_pole.state) == ("superseded", "accepted")
    first, second = versions(POLE_OF_ONE_SETUP)
    assert (first.state, second.state) == (State.REJECTED, State.APPROVED)
    assert "check-sight-off" in {finding["code"] for finding in first.findings}
    (step,) = [finding for finding in first.findings if finding["code"] == "setup-height-step"]
    assert step["message"].startswith("Set-up 2 ")
    # Recorded as 6.00 ft; it stood at 6.50 ft.
    assert "6.5 ft (1.981 m) would close the step" in step["message"]
    assert {finding["code"] for finding in second.findings if finding["severity"] != "note"} == set()
    assert second.request["files"][0]["reduction"]["version"] == 2
    assert not SetupCorrection.objects.exclude(by__username="surveyor-2").exists()

    before, after = (versions(("TUL-01", day))[0] for day in (date(2025, 9, 30), date(2025, 10, 31)))
    assert str(before.density.t_per_m3) == "1.5500"
    assert str(after.density.t_per_m3) == "1.4900"

    files = Counter(SurveyFile.objects.filter(survey__surveyed_on__year=2026).values_list("state", flat=True))
    assert files == {"read": 1, "refused": 1, "unclear": 1}
    assert Measurement.objects.get(surveyed_on__year=2026).state == State.REVIEWED

    assert seed(told.append, short_year()).cast.organization == book.cast.organization
    assert what_is_there() == there


@pytest.mark.django_db
def test_a_demo_that_was_stopped_goes_on(worker: None, evidence_store: Any, monkeypatch: pytest.MonkeyPatch):
    year = short_year()

    def stop(*_: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as stopped:
        stopped.setattr(checking, "judge", stop)
        with pytest.raises(KeyboardInterrupt):
            seed(lambda what: None, year)
    assert not StockCount.objects.exists()
    book = seed(lambda what: None, year)
    assert len(versions(WRONG_POLE)) == 2
    assert StockCount.objects.current().count() == sum(len(visit.piles) for visit in year)
    assert len(stock_now(book.cast.lead).piles) == len(PILES) - 2


@pytest.mark.django_db
def test_the_table_shows_every_pile_with_its_doubt(worker: None, evidence_store: Any):
    # Without its one visit of the short year, the heap of wood chips was never measured.
    book = seed(lambda what: None, tuple(visit for visit in short_year() if visit.on != MISREAD[1]))
    shown = list(table.lines(book.cast))
    rows = {line[:6]: line for line in shown if re.match(r"[A-Z]{3}-\d\d", line)}
    assert set(rows) == {pile.code for pile in PILES}
    assert re.search(r"14\u202f8\d\d ± \d+ m³ +27\u202f\d{3} ± \d+ t", rows["DRV-05"])
    assert "closed 2025-07-01" in rows["DRV-03"]
    assert "not measured" in rows["KTV-02"]
    assert any(line.startswith("Kettlevarn Yard") and line.endswith(" t") for line in shown)


@pytest.mark.django_db
def test_a_measurement_that_fails_stops_the_demo_with_its_reason(
    worker: None, evidence_store: Any, monkeypatch: pytest.MonkeyPatch
):
    def fail(measurement_id: int, name: str) -> None:
        row = Measurement.objects.filter(pk=measurement_id)
        row.update(job_state=JobState.FAILED, error={"message": "no toe on the north side"})

    monkeypatch.setattr(computing, "work", fail)
    with pytest.raises(DemoRefused, match="no toe on the north side"):
        seed(lambda what: None, short_year()[:1])


def test_production_has_no_demo(settings: Any):
    settings.MODE = "production"
    with pytest.raises(CommandError, match="not set up in production"):
        call_command("demo")


@pytest.mark.django_db
def test_people_are_invited_once():
    first, second = assemble(), assemble()
    assert first.by_name == second.by_name
    assert len(first.by_name) == len(PEOPLE) + 1


@pytest.mark.slow
def test_the_command_measures_the_whole_year_by_a_real_worker_and_can_be_run_again(tmp_path: Path):
    environment = {**os.environ, "HEAPLEDGER_DATA_DIR": str(tmp_path), "HEAPLEDGER_MODE": "demo"}
    environment.pop("HEAPLEDGER_DATABASE_URL", None)
    environment.pop("HEAPLEDGER_BROKER_URL", None)
    environment.pop("DJANGO_SETTINGS_MODULE", None)

    def run() -> str:
        command = [sys.executable, "manage.py", "demo"]
        done = subprocess.run(
            command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=540, check=False
        )
        assert done.returncode == 0, done.stderr[-3000:]
        return done.stdout

    first, again = run(), run()
    rows = [line for line in first.splitlines() if re.match(r"[A-Z]{3}-\d\d", line)]
    assert len(rows) == len(PILES)
    assert all(line.count("±") == 2 for line in rows)
    assert PASSWORD in first
    assert [line for line in again.splitlines() if re.match(r"[A-Z]{3}-\d\d", line)] == rows
