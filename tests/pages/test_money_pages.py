"""Pages of money, evidence and trails: who sees them, and what they say."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory import closing
from inventory.explaining import explain
from inventory.models import JournalEntry, Period, Pile, Role, StockCount, UnitValue
from inventory.movements import record_movement
from tests.api.calling import assert_problem, signed_in
from tests.cast import Cast
from tests.inventory.money_scene import rows_of_money
from tests.surveys.scene import DAY, Yard

pytestmark = pytest.mark.django_db
MONTH = f"{DAY:%Y-%m}"
SEES_MONEY = {"manager", "accountant", "controller", "auditor"}


@pytest.fixture
def closed(yard: Yard) -> Yard:
    """A yard with an approved survey in a month that is valued and reconciled."""
    yard.approved()
    rows_of_money(yard.company, yard.pile, DAY)
    company, period = yard.company, Period.objects.get()
    period = closing.start_counting(period, company.manager)
    for pile in Pile.objects.filter(site=yard.site):
        explain(period, pile, "looked into", company.manager)
    closing.reconcile(period, company.accountant)
    return yard


def places(yard: Yard) -> dict[str, str]:
    site, count = yard.site.code, StockCount.objects.get()
    return {
        "values": reverse("values"),
        "accounts": reverse("accounts"),
        "month": reverse("month-money", args=[site, MONTH]),
        "csv": reverse("export-month", args=[site, MONTH, "csv"]),
        "evidence": reverse("evidence"),
        "pack": reverse("take-evidence", args=[DAY.year]),
        "count": reverse("trail-count", args=[count.pk]),
        "line": reverse("trail-line", args=[site, MONTH, yard.pile.code]),
    }


@pytest.mark.parametrize("role", Role.values)
def test_each_role_sees_what_is_for_it(closed: Yard, as_: Any, role: str) -> None:
    client = as_(getattr(closed.company, role))
    for name, address in places(closed).items():
        allowed = {"evidence": {"controller", "auditor"}, "pack": {"controller", "auditor"}}.get(
            name, SEES_MONEY
        )
        wanted = 200 if name in ("count", "line") or role in allowed else 403
        assert client.get(address).status_code == wanted, (role, name)


def test_an_outsider_finds_nothing(closed: Yard, as_: Any, cast: Cast) -> None:
    client = as_(cast.outsider)
    for name in ("month", "csv", "count", "line"):
        assert client.get(places(closed)[name]).status_code == 404, name
    value = UnitValue.objects.get()
    assert client.post(reverse("value-step", args=[value.pk, "approve"])).status_code == 404


def test_a_value_is_proposed_and_approved_by_another(closed: Yard, as_: Any) -> None:
    given = {
        "material": closed.pile.material_id, "kind": "nrv", "per_t": "3.70", "source": "price list",
        "valid_from": "2025-11-01", "reason": "the market fell",
    }  # fmt: skip
    accountant = as_(closed.company.accountant)
    assert accountant.post(reverse("propose-value"), given).status_code == 302
    value = UnitValue.objects.get(kind="nrv")
    accountant.post(reverse("value-step", args=[value.pk, "approve"]))
    value.refresh_from_db()
    assert value.status == "proposed"
    as_(closed.company.controller).post(reverse("value-step", args=[value.pk, "approve"]))
    value.refresh_from_db()
    assert value.status == "approved"
    wrong = accountant.post(reverse("propose-value"), {**given, "per_t": "-1"})
    assert wrong.status_code == 422
    cut = accountant.post(reverse("propose-value"), {**given, "kind": "cost", "valid_to": "2025-12-01"})
    assert cut.status_code == 422
    assert "would end before it" in cut.content.decode()


def test_an_account_is_named(closed: Yard, as_: Any) -> None:
    given = {
        "part": "revenue",
        "account": "40100",
        "valid_from": "2025-01-01",
        "site": "",
        "cost_centre": "Y",
    }
    assert as_(closed.company.manager).post(reverse("accounts"), given).status_code == 403
    assert as_(closed.company.controller).post(reverse("accounts"), given).status_code == 302
    assert "40100" in as_(closed.company.controller).get(reverse("accounts")).content.decode()


def test_a_month_is_valued_and_posted_by_two(closed: Yard, as_: Any) -> None:
    step = {
        name: reverse("month-money-step", args=[closed.site.code, MONTH, name]) for name in ("value", "post")
    }
    accountant, controller = as_(closed.company.accountant), as_(closed.company.controller)
    accountant.post(step["value"])
    assert "Prepared, not posted" in accountant.get(places(closed)["month"]).content.decode()
    accountant.post(step["post"])
    assert not JournalEntry.objects.filter(posted_at__isnull=False).exists()
    controller.post(step["post"])
    page = controller.get(places(closed)["month"]).content.decode()
    assert f"{closed.site.code}-{MONTH}-0001" in page
    assert "Left to do" not in page
    # 10 t used in own works at 5.00, the rest still there.
    assert page.count("50.00") >= 2
    assert "34,950.00" in page


def test_costs_stay_hidden_on_the_trail(closed: Yard, as_: Any) -> None:
    address = places(closed)["line"]
    assert "34,950.00" in as_(closed.company.auditor).get(address).content.decode()
    hidden = as_(closed.company.surveyor).get(address).content.decode()
    assert "34,950.00" not in hidden
    assert "Its money" not in hidden


def test_the_trail_leads_from_the_month_to_the_shots_and_back(closed: Yard, as_: Any) -> None:
    client, there = as_(closed.company.auditor), places(closed)
    line = client.get(there["line"]).content.decode()
    assert there["count"] in line
    count = client.get(there["count"]).content.decode()
    assert there["line"] in count
    measurement = StockCount.objects.get()
    assert measurement.evidence_digest in count
    assert "shots.csv" in count
    # The first line of the file is its head, so that the first shot stands on line 2.
    assert re.search(r"shots\.csv</td><td class=\"n\">2</td>", count)
    assert "the same as in the book" in count
    assert "approve_measurement" in count


def test_the_pack_is_sent_while_it_is_made(closed: Yard, as_: Any) -> None:
    answer = as_(closed.company.auditor).get(places(closed)["pack"], {"site": closed.site.code})
    assert answer.streaming
    data = b"".join(answer.streaming_content)
    with zipfile.ZipFile(io.BytesIO(data)) as pack:
        assert "index.json" in pack.namelist()
    assert f"-{closed.site.code}-{DAY.year}.zip" in answer["Content-Disposition"]


def test_a_longer_book_asks_no_more_questions(closed: Yard, as_: Any) -> None:
    client = as_(closed.company.auditor)
    names = ("month", "line", "count", "values")
    few = {name: queries(client, places(closed)[name]) for name in names}
    for hour in range(8):
        at = dt.datetime.combine(DAY, dt.time(hour), dt.UTC)
        record_movement(closed.pile, kind="production", quantity=5, moved_at=at, by=closed.company.accountant)
    assert {name: queries(client, places(closed)[name]) for name in names} == few
    assert max(few.values()) < 40


def queries(client: Any, address: str) -> int:
    with CaptureQueriesContext(connection) as asked:
        assert client.get(address).status_code == 200
    return len(asked)


# --- the same by the API ---------------------------------------------------------------------------------


def test_programs_propose_value_post_and_export(closed: Yard) -> None:
    accountant, controller = signed_in(closed.company.accountant), signed_in(closed.company.controller)
    period = Period.objects.get()
    given = {
        "material": closed.pile.material_id, "kind": "price", "per_t": "11.0000", "source": "list",
        "valid_from": "2025-01-01", "reason": "new list",
    }  # fmt: skip
    made = accountant.send("values/", given, key="v1")
    assert (made.status_code, made.json()["status"]) == (201, "proposed")
    assert accountant.send("values/", given, key="v1").json()["id"] == made.json()["id"]
    assert_problem(accountant.send(f"values/{made.json()['id']}/approve/"), 403, "not-allowed")
    assert controller.send(f"values/{made.json()['id']}/approve/").json()["status"] == "approved"
    assert accountant.send(f"periods/{period.pk}/value/").status_code == 200
    assert_problem(accountant.send(f"periods/{period.pk}/journals/post/"), 403, "same-person")
    posted = controller.send(f"periods/{period.pk}/journals/post/").json()["entries"]
    assert [entry["number"] for entry in posted] == [f"{closed.site.code}-{MONTH}-0001"]
    assert [line["debit"] for line in posted[0]["lines"]] == ["50.00", "0.00"]
    assert accountant.ask("journals/", is_posted="true").json()["results"][0]["case_code"] == "own-works"
    worth = accountant.ask(f"periods/{period.pk}/worth/").json()["results"]
    assert {row["carrying_amount"] for row in worth} == {"34950.00"}
    exported = accountant.ask(f"exports/periods/{closed.site.code}/{MONTH}.csv")
    assert exported.content.startswith(b"company,site_code")


def test_programs_of_a_surveyor_see_no_money(closed: Yard) -> None:
    caller = signed_in(closed.company.surveyor)
    for door in ("values/", "accounts/", "journals/", f"periods/{Period.objects.get().pk}/worth/"):
        assert_problem(caller.ask(door), 403, "not-allowed")
    assert_problem(caller.ask(f"exports/periods/{closed.site.code}/{MONTH}.csv"), 403, "not-allowed")
    assert_problem(caller.ask(f"exports/evidence/{DAY.year}.zip"), 403, "not-allowed")
