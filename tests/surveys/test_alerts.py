"""Alerts: one for one thing, resolved when it is gone, one owner, accepted for a while, mailed once."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.core import mail
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import density, limits, movements
from inventory.errors import BadEntry, NotAllowed
from inventory.models import AuditEvent
from surveys import alert_causes, alert_mail, alerts
from surveys.models import Alert
from tests.cast import OPENED_ON
from tests.inventory.month_book import MonthBook, at
from tests.surveys.scene import DAY, Yard, heap

pytestmark = pytest.mark.django_db
NOW = dt.datetime(2025, 7, 1, 12, tzinfo=dt.UTC)
TODAY = dt.datetime.now(dt.UTC).date()


def limit(yard: Yard, given: str = "5.2", **more: Any) -> Any:
    said = {"pile": yard.pile, "source": "Permit 7", "consequence": "Tipping stops.", **more}
    proposed = limits.propose_limit(
        site=yard.site, quantity="height", operator="max", given=given, unit="metre",
        reason="yearly", valid_from=OPENED_ON, by=yard.surveyor, **said,
    )  # fmt: skip
    return limits.approve_limit(proposed, yard.company.manager)


def open_kinds() -> list[str]:
    rows = Alert.objects.filter(resolved_at__isnull=True).order_by("kind")
    return list(rows.values_list("kind", flat=True))


def test_near_then_over_then_gone(yard: Yard) -> None:
    limit(yard)
    yard.approved()
    (near,) = alert_causes.raise_all(NOW)
    assert (near.kind, near.owner_role, near.due_on) == ("limit-near", "manager", dt.date(2025, 7, 15))
    assert "height over the base is 5.00\u00a0m" in near.message
    assert "0.20\u00a0m left to 5.2\u00a0m (Permit 7)" in near.message
    assert alert_causes.raise_all(NOW + dt.timedelta(days=1)) == []
    assert Alert.objects.get().due_on == dt.date(2025, 7, 15)
    yard.approved(heap(6.0), DAY + dt.timedelta(days=20))
    (over,) = alert_causes.raise_all(NOW + dt.timedelta(days=30))
    assert (over.kind, open_kinds()) == ("limit-over", ["limit-over"])
    assert "0.80\u00a0m beyond 5.2\u00a0m (Permit 7)" in over.message
    assert over.message.endswith("Tipping stops.")
    yard.approved(heap(2.0), DAY + dt.timedelta(days=40))
    assert alert_causes.raise_all(NOW + dt.timedelta(days=50)) == []
    assert open_kinds() == []
    assert Alert.objects.count() == 2


def test_approval_itself_tests_the_limits(yard: Yard, django_capture_on_commit_callbacks: Any) -> None:
    limit(yard, "4")
    with django_capture_on_commit_callbacks(execute=True):
        yard.approved()
    assert open_kinds() == ["limit-over"]


def test_a_steep_face_is_told_when_the_figure_comes(yard: Yard) -> None:
    """10 m of height over 10 m of batter are 45°; 20 m are 63°, which no loose material holds."""
    measured = yard.computed(heap(20.0))
    assert "steep-slopes" in {finding["code"] for finding in measured.findings}
    (raised,) = alert_causes.raise_for(measured.pk, NOW)
    assert (raised.kind, raised.due_on) == ("steep-face", NOW.date())
    assert "Keep everybody away" in raised.message
    flat = yard.computed(heap(5.0), DAY + dt.timedelta(days=1))
    assert alert_causes.raise_for(flat.pk, NOW) == []
    assert open_kinds() == []


def test_one_owner_and_a_reason_to_live_with_it(yard: Yard) -> None:
    limit(yard)
    yard.approved()
    (alert,) = alert_causes.raise_all(NOW)
    company = yard.company
    with pytest.raises(NotAllowed):
        alerts.own(alert, company.auditor)
    assert alerts.own(alert, company.manager).owner == company.manager
    assert alerts.own(alert, company.manager, yard.lead).owner == yard.lead
    with pytest.raises(NotAllowed):
        alerts.accept(alert, yard.surveyor, TODAY, "seen")
    with pytest.raises(BadEntry):
        alerts.accept(alert, company.manager, dt.date(2020, 1, 1), "seen")
    with pytest.raises(BadEntry):
        alerts.accept(alert, company.manager, TODAY, "  ")
    until = TODAY + dt.timedelta(days=5)
    alert = alerts.accept(alert, company.manager, until, "trimmed on Friday")
    assert not alerts.standing(Alert.objects.all(), until).exists()
    assert alerts.standing(Alert.objects.all(), until + dt.timedelta(days=1)).get() == alert
    alert_causes.raise_all(NOW + dt.timedelta(days=1))
    kept = Alert.objects.get()
    assert (kept.owner, kept.accepted_until) == (yard.lead, until)
    assert AuditEvent.objects.filter(verb__in=["own_alert", "accept_alert"]).count() == 3


def test_what_comes_back_waits_for_a_new_owner(yard: Yard) -> None:
    limit(yard)
    yard.approved()
    (alert,) = alert_causes.raise_all(NOW)
    alerts.own(alert, yard.company.manager)
    yard.approved(heap(2.0), DAY + dt.timedelta(days=1))
    alert_causes.raise_all(NOW)
    with pytest.raises(BadEntry):
        alerts.own(alert, yard.company.manager)
    yard.approved(heap(5.0), DAY + dt.timedelta(days=2))
    (again,) = alert_causes.raise_all(NOW + dt.timedelta(days=3))
    assert (again.owner, again.kind) == (None, "limit-near")


def test_mailed_once_to_the_role_and_then_to_the_owner_alone(yard: Yard, cast: Any) -> None:
    company = yard.company
    for person in (company.manager, yard.lead, cast.outsider):
        person.email = f"{person.username}@example.com"
        person.save(update_fields=["email"])
    limit(yard)
    yard.approved()
    (alert,) = alert_causes.raise_all(NOW)
    assert alert_mail.send_digests(NOW) == 1
    assert alert_mail.send_digests(NOW + dt.timedelta(hours=1)) == 0
    (message,) = mail.outbox
    assert message.to == [company.manager.email]
    assert message.subject == "Ashmarl Aggregates: 1 thing to be seen to"
    assert "limit near, by 15 Jul 2025 (nobody's yet)" in message.body
    assert "/alerts/" in message.body
    alerts.own(alert, company.manager, yard.lead)
    assert alert_mail.send_digests(NOW + dt.timedelta(hours=2)) == 1
    assert mail.outbox[1].to == [yard.lead.email]
    assert alert_mail.send_digests(NOW + dt.timedelta(hours=3)) == 0


def test_what_could_not_be_sent_is_sent_by_the_next_run(yard: Yard, monkeypatch: Any) -> None:
    person = yard.company.manager
    person.email = "manager@example.com"
    person.save(update_fields=["email"])
    limit(yard)
    yard.approved()
    alert_causes.raise_all(NOW)

    def down(*_: Any, **__: Any) -> None:
        raise ConnectionRefusedError

    with monkeypatch.context() as broken:
        broken.setattr(alert_mail, "send_mail", down)
        with pytest.raises(ConnectionRefusedError):
            alert_mail.send_digests(NOW)
    assert mail.outbox == []
    assert alert_mail.send_digests(NOW) == 1


def test_a_month_not_signed_ten_days_after_its_cut_off(company: Any) -> None:
    book = MonthBook(company, piles_n=1)
    period = book.period()
    base = {"density-ending", "density-missing"}
    assert not [
        a for a in alert_causes.raise_all(dt.datetime(2025, 2, 10, tzinfo=dt.UTC)) if a.kind not in base
    ]
    (alert,) = alert_causes.raise_all(dt.datetime(2025, 2, 12, tzinfo=dt.UTC))
    assert (alert.kind, alert.owner_role, alert.due_on) == (
        "month-unsigned", "accountant", dt.date(2025, 2, 11),
    )  # fmt: skip
    book.count(book.piles[0], dt.date(2025, 1, 31), 1000)
    period = book.reconcile(period)
    alert_causes.raise_all(dt.datetime(2025, 2, 12, tzinfo=dt.UTC))
    book.explain(period, *book.piles)
    book.approve(period)
    alert_causes.raise_all(dt.datetime(2025, 2, 13, tzinfo=dt.UTC))
    assert open_kinds() == []


def test_missing_ticket_numbers(company: Any) -> None:
    book = MonthBook(company, piles_n=1)
    for number in (101, 102, 105):
        book.move(book.piles[0], "sale", 10, dt.date(2025, 1, 9), source="weighbridge", document=f"W{number}")
    raised = alert_causes.raise_all(dt.datetime(2025, 1, 20, tzinfo=dt.UTC))
    (alert,) = [each for each in raised if each.kind == "tickets-missing"]
    assert "2 numbers are missing up to 9\u00a0Jan\u00a02025: W103–W104 (2)" in alert.message
    for number in (103, 104):
        book.move(book.piles[0], "sale", 10, dt.date(2025, 1, 9), source="weighbridge", document=f"W{number}")
    alert_causes.raise_all(dt.datetime(2025, 1, 21, tzinfo=dt.UTC))
    assert "tickets-missing" not in open_kinds()


def test_a_number_that_another_site_used_is_not_missing(company: Any) -> None:
    """The receiving leg of a transfer bears the sender's ticket: the wharf holds 101 and 103."""
    book = MonthBook(company, piles_n=1)
    wharf = company.pile(company.site("WHF"), book.material)
    day = dt.date(2025, 1, 9)
    for number in (101, 103):
        movements.record_transfer(
            book.piles[0], wharf, quantity=20, moved_at=at(day), by=company.manager,
            source="weighbridge", document=f"W{number}",
        )  # fmt: skip
    book.move(book.piles[0], "sale", 10, day, source="weighbridge", document="W102")
    alert_causes.raise_all(dt.datetime(2025, 1, 20, tzinfo=dt.UTC))
    assert "tickets-missing" not in open_kinds()


def test_densities_that_end_and_that_ended(company: Any) -> None:
    site, material = company.site(), company.material()
    company.pile(site, material)
    record = company.density(material, valid_to=dt.date(2025, 6, 1))
    (ending,) = alert_causes.raise_all(dt.datetime(2025, 5, 10, tzinfo=dt.UTC))
    assert (ending.kind, ending.due_on) == ("density-ending", dt.date(2025, 6, 1))
    (missing,) = alert_causes.raise_all(dt.datetime(2025, 6, 1, 8, tzinfo=dt.UTC))
    assert (missing.kind, open_kinds()) == ("density-missing", ["density-missing"])
    assert "the last one ended 1\u00a0Jun\u00a02025" in missing.message
    company.density(material, valid_from=dt.date(2025, 6, 1))
    alert_causes.raise_all(dt.datetime(2025, 6, 2, tzinfo=dt.UTC))
    assert open_kinds() == []
    assert density.signatures_missing(record) == ()


def test_a_surveyed_base_goes_stale_after_a_year(company: Any) -> None:
    site, material = company.site(), company.material()
    company.density(material)
    pile = company.pile(site, material)
    company.base(pile, kind="level", level_m="100")
    other = company.pile(site, material)
    company.base(other)
    assert alert_causes.raise_all(dt.datetime(2026, 1, 1, tzinfo=dt.UTC)) == []
    (stale,) = alert_causes.raise_all(dt.datetime(2026, 1, 2, tzinfo=dt.UTC))
    assert (stale.kind, stale.pile, stale.owner_role) == ("base-stale", pile, "lead_surveyor")


def test_the_scheduler_asks_no_more_of_a_longer_history(yard: Yard) -> None:
    limit(yard, "9")
    yard.approved(heap(2.0), dt.date(2025, 3, 28))
    alert_causes.raise_all(NOW)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            alert_causes.raise_all(NOW)
        return len(captured)

    one = queries()
    for month in (4, 5):
        yard.approved(heap(2.0), dt.date(2025, month, 28))
    alert_causes.raise_all(NOW)
    assert queries() == one
