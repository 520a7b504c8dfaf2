"""From a computed figure to a stock count: states, people, findings, corrections."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from inventory.errors import BaseNotInForce, BookRefused, NotAllowed, SamePerson
from inventory.models import Membership, Role, StockCount
from surveys import life, review
from surveys.errors import FindingsOpen, NoSuchFinding, ReasonNeeded, WrongState
from surveys.models import FindingAcceptance, Measurement, State, Transition
from tests.cast import Cast
from tests.surveys.scene import DAY, Yard, frustum_m3, heap

Act = Callable[[Yard, Measurement], Any]

ACTS: dict[str, Act] = {
    "submit": lambda yard, m: review.submit(m, yard.surveyor),
    "review": lambda yard, m: review.review(m, yard.lead),
    "approve": lambda yard, m: review.approve(m, yard.lead),
    "send_back": lambda yard, m: review.send_back(m, yard.lead, "toe too sparse"),
    "withdraw": lambda yard, m: review.withdraw(m, yard.surveyor, "wrong day"),
    "revoke": lambda yard, m: review.revoke(m, yard.lead, "another pile was measured"),
}


def states_of(measurement: Measurement) -> list[tuple[str, str, str]]:
    steps = Transition.objects.filter(measurement=measurement)
    return [(step.from_state, step.to_state, step.role) for step in steps]


def test_the_whole_way_ends_in_one_count(yard: Yard) -> None:
    measurement = yard.approved()
    assert states_of(measurement) == [
        ("", "draft", "surveyor"),
        ("draft", "computed", ""),
        ("computed", "reviewed", "lead_surveyor"),
        ("reviewed", "approved", "lead_surveyor"),
    ]
    count = StockCount.objects.get()
    assert count.evidence_ref == f"measurement:{measurement.uuid}"
    assert count.evidence_digest == measurement.digest
    assert (count.pile, count.counted_on, count.recorded_by) == (yard.pile, DAY, yard.lead)
    assert (count.volume_m3, count.below_base_m3) == (measurement.net_m3, measurement.below_m3)
    assert (count.tonnes, count.tonnes_u95_t) == (measurement.tonnes, measurement.u95_t)
    assert (count.density, count.base) == (measurement.density, measurement.base_version)
    assert float(count.volume_m3) == pytest.approx(frustum_m3(5.0), abs=5e-4)


def test_each_step_chains_the_hash_of_what_was_said_before(yard: Yard) -> None:
    measurement = yard.approved()
    steps = list(Transition.objects.filter(measurement=measurement))
    assert steps[0].hash_before == ""
    assert [step.hash_before for step in steps[1:]][1:] == [step.hash_after for step in steps[1:-1]]
    assert steps[-1].hash_after == life.state_hash(Measurement.objects.get(pk=measurement.pk))
    assert len({step.hash_after for step in steps}) == 4


@pytest.mark.parametrize("state", ["draft", "computed", "submitted", "reviewed", "approved"])
@pytest.mark.parametrize("act", ACTS)
def test_each_act_starts_only_where_the_table_says(yard: Yard, state: str, act: str) -> None:
    measurement = {
        "draft": yard.asked,
        "computed": yard.computed,
        "submitted": lambda: review.submit(yard.computed(), yard.surveyor),
        "reviewed": yard.reviewed,
        "approved": yard.approved,
    }[state]()
    allowed = {
        "draft": {"withdraw"},
        "computed": {"submit", "send_back", "withdraw"},
        "submitted": {"review", "send_back", "withdraw"},
        "reviewed": {"approve", "send_back", "withdraw"},
        "approved": {"revoke"},
    }[state]
    before = Measurement.objects.filter(pk=measurement.pk).values().get()
    if act in allowed:
        ACTS[act](yard, measurement)
        return
    with pytest.raises(WrongState):
        ACTS[act](yard, measurement)
    assert Measurement.objects.filter(pk=measurement.pk).values().get() == before


@pytest.mark.parametrize("act", ["review", "approve", "send_back", "revoke"])
def test_who_prepared_it_neither_reviews_nor_approves(yard: Yard, act: str) -> None:
    Membership.objects.create(
        user=yard.surveyor, organization=yard.company.organization, role=Role.LEAD_SURVEYOR
    )
    ready = {
        "review": yard.computed,
        "send_back": yard.computed,
        "approve": yard.reviewed,
        "revoke": yard.approved,
    }
    measurement = ready[act]()
    own: dict[str, Callable[[], Any]] = {
        "review": lambda: review.review(measurement, yard.surveyor),
        "approve": lambda: review.approve(measurement, yard.surveyor),
        "send_back": lambda: review.send_back(measurement, yard.surveyor, "no"),
        "revoke": lambda: review.revoke(measurement, yard.surveyor, "no"),
    }
    with pytest.raises(SamePerson):
        own[act]()


def test_only_a_lead_surveyor_of_the_organization_reviews_and_approves(yard: Yard, cast: Cast) -> None:
    submitted = review.submit(yard.computed(), yard.surveyor)
    others = [cast.a.manager, cast.a.accountant, cast.a.controller, cast.a.auditor, cast.a.administrator]
    for person in [*others, cast.outsider]:
        for act in (review.review, review.approve):
            with pytest.raises(NotAllowed):
                act(submitted, person)
        with pytest.raises(NotAllowed):
            review.send_back(submitted, person, "no")
        with pytest.raises(NotAllowed):
            review.withdraw(submitted, person, "no")
        with pytest.raises(NotAllowed):
            review.submit(submitted, person)
    assert not StockCount.objects.exists()


def test_sending_back_and_withdrawing_need_words(yard: Yard) -> None:
    measurement = yard.computed()
    with pytest.raises(ReasonNeeded):
        review.send_back(measurement, yard.lead, "  ")
    with pytest.raises(ReasonNeeded):
        review.withdraw(measurement, yard.surveyor, "")
    review.send_back(measurement, yard.lead, "toe too sparse in the north")
    measurement.refresh_from_db()
    assert (measurement.state, measurement.sent_back_reason) == ("rejected", "toe too sparse in the north")


# --- findings ------------------------------------------------------------------------------------


def stopped(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> Measurement:
    """A submitted measurement with two stopping findings of one code and a warning."""
    from surveys import computing

    plain = computing.measured_from

    def with_findings(measurement: Measurement, progress: Any) -> Any:
        measured = plain(measurement, progress)
        measured.record["findings"] = [
            {"code": "toe-gap", "severity": "stop", "message": "Gap of 14.2 m."},
            {"code": "toe-gap", "severity": "stop", "message": "Gap of 11.0 m."},
            {"code": "flat-triangles", "severity": "warn", "message": "Crest may be missing."},
        ]
        return measured

    monkeypatch.setattr(computing, "measured_from", with_findings)
    return review.submit(yard.computed(), yard.surveyor)


def test_a_stop_must_be_accepted_with_a_reason_before_approval(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = review.review(stopped(yard, monkeypatch), yard.lead)
    with pytest.raises(FindingsOpen, match=r"2 findings must be settled first\. toe-gap: Gap of 14\.2 m\."):
        review.approve(measurement, yard.lead)
    assert not StockCount.objects.exists()
    with pytest.raises(ReasonNeeded):
        review.accept_finding(measurement, "toe-gap", yard.lead, " ")
    accepted = review.accept_finding(measurement, "toe-gap", yard.lead, "a wall stands in the gap")
    assert accepted == review.accept_finding(measurement, "toe-gap", yard.lead, "again")
    assert FindingAcceptance.objects.get().reason == "a wall stands in the gap"
    assert review.open_findings(measurement) == []
    assert review.approve(measurement, yard.lead).state == "approved"


def test_a_finding_is_accepted_by_another_and_only_where_it_is(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    measurement = stopped(yard, monkeypatch)
    with pytest.raises(NotAllowed):
        review.accept_finding(measurement, "toe-gap", yard.surveyor, "fine")
    with pytest.raises(NoSuchFinding):
        review.accept_finding(measurement, "spike", yard.lead, "fine")
    Membership.objects.create(
        user=yard.surveyor, organization=yard.company.organization, role=Role.LEAD_SURVEYOR
    )
    with pytest.raises(SamePerson):
        review.accept_finding(measurement, "toe-gap", yard.surveyor, "fine")
    review.withdraw(measurement, yard.surveyor, "wrong")
    with pytest.raises(WrongState):
        review.accept_finding(measurement, "toe-gap", yard.lead, "fine")


# --- corrections ---------------------------------------------------------------------------------


def test_a_correction_supersedes_when_it_is_approved_and_not_before(yard: Yard) -> None:
    first = yard.approved(heap(5.0))
    second = yard.review(yard.correction(first, heap(4.0)))
    first.refresh_from_db()
    assert first.state == State.APPROVED
    assert StockCount.objects.current().get().evidence_ref == first.evidence_ref
    review.approve(second, yard.lead)
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.state, second.state, second.supersedes) == ("superseded", "approved", first)
    standing = StockCount.objects.current().get()
    assert standing.evidence_ref == second.evidence_ref
    assert standing.supersedes.evidence_ref == first.evidence_ref
    last = Transition.objects.filter(measurement=first).last()
    assert last.comment == f"superseded by version 2: {second.correction_reason}"


def test_a_revoked_figure_leaves_the_stock(yard: Yard) -> None:
    measurement = yard.approved()
    with pytest.raises(ReasonNeeded):
        review.revoke(measurement, yard.lead, "")
    review.revoke(measurement, yard.lead, "another pile was measured")
    assert not StockCount.objects.current().exists()
    assert StockCount.objects.get().withdrawn_reason == "another pile was measured"
    again = yard.approved(heap(4.0))
    assert (again.version, StockCount.objects.current().get().evidence_ref) == (2, again.evidence_ref)


def test_what_the_book_refuses_is_not_approved(yard: Yard) -> None:
    measurement = yard.reviewed()
    yard.company.base(yard.pile, kind="level", level_m="99", valid_from=DAY)
    with pytest.raises(BaseNotInForce):
        review.approve(measurement, yard.lead)
    measurement.refresh_from_db()
    assert measurement.state == "reviewed"
    assert Transition.objects.filter(measurement=measurement).last().to_state == "reviewed"


def test_if_the_book_fails_nothing_is_approved(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    first = yard.approved(heap(5.0))
    second = yard.review(yard.correction(first, heap(4.0)))

    def refuse(*args: Any, **kwargs: Any) -> None:
        raise BookRefused("The period is locked.")

    monkeypatch.setattr(review.counting, "record_stock_count", refuse)
    with pytest.raises(BookRefused):
        review.approve(second, yard.lead)
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.state, second.state) == ("approved", "reviewed")


@pytest.mark.parametrize(
    ("times", "counted_at"),
    [
        ({}, dt.datetime(2025, 6, 30, 18, 0, tzinfo=dt.UTC)),
        (
            {"started_at": dt.datetime(2025, 6, 30, 14, 0, tzinfo=dt.UTC)},
            dt.datetime(2025, 6, 30, 14, 0, tzinfo=dt.UTC),
        ),
        (
            {
                "started_at": dt.datetime(2025, 6, 30, 14, 0, tzinfo=dt.UTC),
                "ended_at": dt.datetime(2025, 6, 30, 20, 30, tzinfo=dt.UTC),
            },
            dt.datetime(2025, 6, 30, 20, 30, tzinfo=dt.UTC),
        ),
    ],
)
def test_the_moment_of_a_count_lies_on_the_sites_day(yard: Yard, times: Any, counted_at: dt.datetime) -> None:
    site = yard.site
    site.timezone = "America/Denver"
    site.save()
    moment = review.moment_of(yard.survey(**times))
    assert moment == counted_at
    assert site.date_of(moment) == DAY
