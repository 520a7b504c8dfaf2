"""A locked month opened by two people of two roles, and the bridge from what it said to what it says."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, connection, transaction

from inventory import bridging, density, ledger_checks, restating
from inventory.errors import BadEntry, NotAllowed, PeriodBlocked, PeriodNotThere, SamePerson
from inventory.models import Membership, Period
from tests.inventory.month_book import MonthBook

D = Decimal
LAST = dt.date(2025, 1, 31)


@pytest.fixture
def book(company):
    return MonthBook(company)


@pytest.fixture
def january(book):
    book.count_all(LAST, 1000, 1000)
    return book.close(book.period())


def opened(book, period, reason="the pole was entered 0.20 m short"):
    restatement = restating.ask_restatement(period, book.company.lead_surveyor, reason)
    return restating.agree_restatement(restatement, book.company.controller)


def state_of(period):
    return Period.objects.get(pk=period.pk).state


def test_two_people_of_two_roles_open_a_locked_month(book, january):
    company = book.company
    restatement = restating.ask_restatement(january, company.accountant, "wrong survey")
    assert state_of(january) == "locked"
    with pytest.raises(NotAllowed):
        restating.agree_restatement(restatement, company.accountant)
    restating.agree_restatement(restatement, company.manager)
    assert state_of(january) == "restating"
    restatement.refresh_from_db()
    assert (restatement.asked_role, restatement.agreed_role) == ("accountant", "manager")


def test_one_person_or_one_role_does_not_open_it(book, january):
    company = book.company
    second = Membership.objects.create(
        user=company.surveyor, organization=company.organization, role="controller"
    ).user
    restatement = restating.ask_restatement(january, company.controller, "wrong survey")
    with pytest.raises(SamePerson):
        restating.agree_restatement(restatement, company.controller)
    with pytest.raises(SamePerson, match="another role"):
        restating.agree_restatement(restatement, second)
    assert state_of(january) == "locked"


def test_the_database_does_not_open_it_for_one_person_either(book, january):
    with pytest.raises(IntegrityError, match="two people"), transaction.atomic():
        Period.objects.filter(pk=january.pk).update(state="restating")
    restating.ask_restatement(january, book.company.accountant, "wrong survey")
    with pytest.raises(IntegrityError, match="two people"), transaction.atomic():
        Period.objects.filter(pk=january.pk).update(state="restating")


def test_a_reason_is_needed_and_only_locked_months_are_restated(book, january):
    with pytest.raises(BadEntry):
        restating.ask_restatement(january, book.company.accountant, " ")
    with pytest.raises(PeriodNotThere):
        restating.ask_restatement(book.period(dt.date(2025, 2, 1)), book.company.accountant, "x")
    restating.ask_restatement(january, book.company.accountant, "x")
    with pytest.raises(PeriodNotThere, match="already"):
        restating.ask_restatement(january, book.company.accountant, "y")


def test_the_bridge_leads_from_the_old_certificate_to_the_new_in_tonnes_and_money(book, january):
    company, pile = book.company, book.piles[0]
    before = january.sheet_sha256
    restatement = opened(book, january)
    book.count(
        pile, LAST, 1200, supersedes=pile.counts.get(), certificate_no="QRY-01/2025-01", certificate_version=2
    )
    book.explain(january, pile)
    adjustment = book.propose(january, pile, 200, nature="error", reason_code="wrong-survey")
    book.post(adjustment)
    restatement = restating.reconcile_restated(restatement, company.accountant)
    restatement = restating.end_restatement(restatement, company.controller)
    assert state_of(january) == "locked"
    bridge = restatement.bridge
    assert (bridge["effect_t"], bridge["effect_amount"], bridge["before_sha256"]) == (
        "200.000",
        "1000.00",
        before,
    )
    (row,) = bridge["rows"]
    assert (row["pile"], row["nature"], row["measured_effect_t"]) == (pile.code, "error", "200.000")
    assert (row["old"]["certificate"], row["new"]["certificate"]) == (
        f"test/{pile.pk}/2025-01-31/0",
        "QRY-01/2025-01",
    )
    assert row["new"]["version"] == 2
    january.refresh_from_db()
    assert january.sheet_sha256 != before
    assert restating.bridge_over([january])["effect_t"] == "200.000"
    assert ledger_checks.run(ledger_checks.Scope(company.organization)) == []
    # Locked again, it takes nothing.
    with pytest.raises(PeriodNotThere):
        book.propose(january, pile, 1)


def test_who_reconciled_it_again_does_not_lock_it(book, january):
    company = book.company
    Membership.objects.create(user=company.controller, organization=company.organization, role="accountant")
    restatement = restating.reconcile_restated(opened(book, january), company.controller)
    with pytest.raises(SamePerson):
        restating.end_restatement(restatement, company.controller)


def test_it_is_not_locked_again_with_lines_that_are_out_of_date(book, january):
    company, pile = book.company, book.piles[0]
    restatement = opened(book, january)
    book.move(pile, "sale", 5, LAST)
    with pytest.raises(PeriodBlocked, match="has changed since it was reconciled"):
        restating.end_restatement(restatement, company.controller)
    restating.reconcile_restated(restatement, company.accountant)
    restatement = restating.end_restatement(restatement, company.controller)
    assert restatement.bridge["effect_t"] == "-5.000"


def test_months_are_opened_from_the_latest_back_and_locked_from_the_earliest_on(book, january):
    company = book.company
    february_last = dt.date(2025, 2, 28)
    book.count_all(february_last, 1000, 1000)
    february = book.close(book.period(february_last))
    asked = restating.ask_restatement(january, company.accountant, "late invoice")
    with pytest.raises(PeriodNotThere, match="2025-02 is locked and opens with what 2025-01 closes with"):
        restating.agree_restatement(asked, company.controller)
    second = opened(book, february)
    first = restating.agree_restatement(asked, company.controller)
    book.move(book.piles[0], "sale", 5, LAST)
    with pytest.raises(PeriodBlocked) as refused:
        restating.reconcile_restated(second, company.accountant)
    assert [problem["field"] for problem in refused.value.problems] == ["previous"]
    for restatement in (first, second):
        restating.reconcile_restated(restatement, company.accountant)
        restating.end_restatement(restatement, company.controller)
    bridge = restating.bridge_over([january, february])
    assert [row["effect_t"] for row in bridge["months"]] == ["-5.000", "-5.000"]
    assert ledger_checks.run(ledger_checks.Scope(company.organization)) == []


def test_what_a_restatement_found_is_kept(book, january):
    restatement = opened(book, january)
    restating.reconcile_restated(restatement, book.company.accountant)
    restatement = restating.end_restatement(restatement, book.company.controller)
    for column, value in (("reason", "another"), ("bridge", "{}"), ("before", "{}"), ("ended_at", None)):
        with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(
                f"UPDATE inventory_restatement SET {column} = %s WHERE id = %s", [value, restatement.pk]
            )


def test_a_density_revision_bridges_the_same_volumes_and_restates_nothing(book, january):
    company = book.company
    revised = company.proposed_density(
        book.material, "1.5", valid_from=dt.date(2025, 2, 1), reason="24 loads"
    )
    density.approve_density(revised, company.lead_surveyor)
    revised = density.approve_density(revised, company.manager)
    rows = bridging.density_bridge(revised, company.accountant)
    # 625 m³ of each pile: 1000 t at 1.6, 937.5 t at 1.5, at 5.00 a tonne.
    assert [(row.old_t, row.new_t, row.effect_t, row.effect_amount) for row in rows] == [
        (D(1000), D("937.5"), D("-62.5"), D("-312.50"))
    ] * 2
    assert state_of(january) == "locked"
    assert bridging.density_bridge(book.record, company.accountant) == []


def test_the_nature_of_a_line_nobody_adjusted_is_read_from_its_evidence():
    old = {"pile": "P", "book_closing_t": "10.000", "volume_m3": "6.250", "t_per_m3": "1.6"}
    new = {**old, "t_per_m3": "1.5"}
    said = [
        {"period": "2025-01", "sheet_sha256": "", "lines": [each], "adjustments": []} for each in (old, new)
    ]
    assert bridging.restatement_bridge(*said)["rows"][0]["nature"] == "estimate"
    said[1]["lines"] = [{**new, "volume_m3": "6.300"}]
    assert bridging.restatement_bridge(*said)["rows"][0]["nature"] == "error"
