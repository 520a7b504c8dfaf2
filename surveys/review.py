"""Review: from a computed figure to a stock count, by another person than the one who prepared it.

Which step starts where, and who may take it, is the table in `surveys/life.py`.
"""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory import counting, rights
from inventory.models import Pile, StockCount
from surveys import fieldbooks, life
from surveys.certificates.issuing import issue
from surveys.certificates.numbering import certificate_of
from surveys.certificates.rolled import moment_of
from surveys.errors import FindingsOpen, NoSuchFinding, ReasonNeeded, WrongState
from surveys.models import FindingAcceptance, JobState, Measurement, State, Transition
from surveys.site_words import told_at


def submit(measurement: Measurement, by: Any, comment: str = "") -> Measurement:
    """Hand a computed measurement over for review. It stays `computed` and can be withdrawn."""
    organization = measurement.survey.site.organization
    rights.require(by, organization, "submit_measurement")
    handed_over = Measurement.objects.filter(
        pk=measurement.pk, state=State.COMPUTED, submitted_at__isnull=True
    ).update(submitted_at=timezone.now())
    measurement.refresh_from_db()
    if not handed_over:
        raise not_to_submit(measurement)
    return measurement


def not_to_submit(measurement: Measurement) -> WrongState:
    said = "was submitted before" if measurement.submitted_at else f"is {measurement.state}"
    return WrongState(
        f"Version {measurement.version} of {measurement.pile} on {measurement.surveyed_on} {said}. "
        "A measurement is submitted once, when it is computed. Nothing was changed.",
        where=measurement.evidence_ref,
    )


def review(measurement: Measurement, by: Any, comment: str = "") -> Measurement:
    """Mark a submitted measurement as looked over: method, edge, base, findings."""
    take(measurement, "review", by, comment, only_if={"submitted_at__isnull": False}, reviewed_by=by)
    return measurement


def send_back(measurement: Measurement, by: Any, reason: str) -> Measurement:
    """Refuse a computed or reviewed measurement with a reason; the answer to it is a new version."""
    take(measurement, "send_back", by, reason, sent_back_reason=reason.strip())
    return measurement


def withdraw(measurement: Measurement, by: Any, reason: str) -> Measurement:
    """Take back a measurement before approval. Work that runs on it is dropped."""
    with transaction.atomic():
        take(measurement, "withdraw", by, reason)
        stop_work(measurement)
    return measurement


def stop_work(measurement: Measurement) -> None:
    """A withdrawn draft needs no worker: a later result is not accepted, so none should start."""
    Measurement.objects.filter(pk=measurement.pk, job_state__in=[JobState.WAITING, JobState.RUNNING]).update(
        job_state=JobState.FAILED, lease_until=None, stage="withdrawn"
    )
    measurement.refresh_from_db()


def accept_finding(measurement: Measurement, code: str, by: Any, reason: str) -> FindingAcceptance:
    """Take responsibility for the findings of one code, in words, so that approval can go on."""
    require_reason(reason, f"accept the finding {code}")
    with transaction.atomic():
        current = Measurement.objects.select_for_update().get(pk=measurement.pk)
        require_right(current, "accept_finding", by, by_another=True)
        if current.state not in (State.COMPUTED, State.REVIEWED):
            raise WrongState(
                f"Findings are accepted while a measurement is computed or reviewed; this one is "
                f"{current.state}. Nothing was changed.",
                where=current.evidence_ref,
            )
        if code not in {finding["code"] for finding in current.findings}:
            raise NoSuchFinding(
                f"Version {current.version} of {current.pile} has no finding {code}.", where=code
            )
        acceptance, _ = FindingAcceptance.objects.get_or_create(
            measurement=current, code=code, defaults={"reason": reason.strip(), "by": by}
        )
    return acceptance


def open_findings(measurement: Measurement) -> list[dict[str, Any]]:
    """Findings of severity `stop` that nobody has accepted."""
    accepted = set(measurement.acceptances.values_list("code", flat=True))
    return [
        finding
        for finding in measurement.findings
        if finding["severity"] == "stop" and finding["code"] not in accepted
    ]


def approve(measurement: Measurement, by: Any, comment: str = "") -> Measurement:
    """Make the figure the stock: supersede, approve, certify and count in one transaction, or do nothing."""
    with transaction.atomic():
        # One approval of a pile at a time, so that the second of two people sees what the first did.
        Pile.objects.select_for_update().get(pk=measurement.pile_id)
        measurement.refresh_from_db()
        require_findings_settled(measurement)
        fieldbooks.require_accepted(measurement)
        before = Measurement.objects.filter(
            pile=measurement.pile_id, surveyed_on=measurement.surveyed_on, state=State.APPROVED
        ).first()
        role = require_step(measurement, "approve", by, comment)
        _require_apart(measurement)
        if before is not None and before.pk != measurement.pk:
            replaced = f"superseded by version {measurement.version}: {measurement.correction_reason}"
            life.move(before, "supersede", by=by, role=role, comment=replaced)
        life.move(
            measurement,
            "approve",
            by=by,
            role=role,
            comment=comment,
            approved_by=by,
            approved_at=timezone.now(),
            supersedes=before,
        )
        issue(measurement)
        count(measurement, by, before)
        # A function with a name: Django names the one that failed in its log.
        transaction.on_commit(lambda: _test_limits(measurement.pk), robust=True)
    return measurement


def _require_apart(measurement: Measurement) -> None:
    # As below: approving loads the calculator, looking does not.
    from surveys import footprints

    footprints.require_apart(measurement)


def _test_limits(measurement_id: int) -> None:
    # Whoever only looks at pages must not load the calculator for it.
    from surveys import alert_causes

    alert_causes.raise_for(measurement_id, timezone.now())


def count(measurement: Measurement, by: Any, before: Measurement | None) -> StockCount:
    """Hand the approved figure to the book, through its one door."""
    certificate_no, certificate_version = certificate_of(measurement)
    corrected = None if before is None else StockCount.objects.get(evidence_ref=before.evidence_ref)
    return counting.record_stock_count(
        measurement.pile,
        counted_at=moment_of(measurement.survey),
        counted_on=measurement.surveyed_on,
        volume_m3=measurement.net_m3,
        below_base_m3=measurement.below_m3,
        volume_u95_m3=measurement.u95_m3,
        tonnes=measurement.tonnes,
        tonnes_u95_t=measurement.u95_t,
        density=measurement.density if measurement.tonnes is not None else None,
        base=measurement.base_version,
        evidence_ref=measurement.evidence_ref,
        evidence_digest=measurement.digest,
        by=by,
        supersedes=corrected,
        certificate_no=certificate_no,
        certificate_version=certificate_version,
        started_at=measurement.survey.started_at,
        ended_at=measurement.survey.ended_at,
    )


def revoke(measurement: Measurement, by: Any, reason: str) -> Measurement:
    """Take an approved figure out of the stock without another in its place."""
    with transaction.atomic():
        take(measurement, "revoke", by, reason)
        counting.withdraw_stock_count(measurement.evidence_ref, by=by, reason=reason.strip())
    return measurement


def require_findings_settled(measurement: Measurement) -> None:
    left = open_findings(measurement)
    if left:
        site = measurement.pile.site
        named = " ".join(dict.fromkeys(f"{finding['code']}: {told_at(site, finding)}" for finding in left))
        raise FindingsOpen(
            f"{len(left)} finding{'s' if len(left) > 1 else ''} must be settled first. {named} "
            "Nothing was approved.",
            where=measurement.evidence_ref,
        )


def take(measurement: Measurement, verb: str, by: Any, comment: str, **changes: Any) -> Transition:
    """One step by one person, with their right, their reason and their name."""
    with transaction.atomic():
        role = require_step(measurement, verb, by, comment)
        return life.move(measurement, verb, by=by, role=role, comment=comment.strip(), **changes)


def require_step(measurement: Measurement, verb: str, by: Any, comment: str) -> str:
    """The role under which `by` may take the step; refusals in the order right, person, reason."""
    step = life.STEPS[verb]
    role = require_right(measurement, step.right, by, by_another=step.by_another)
    if step.reason:
        require_reason(comment, f"{verb.replace('_', ' ')} it")
    return role


def require_right(measurement: Measurement, action: str, by: Any, *, by_another: bool) -> str:
    roles = rights.require(by, measurement.survey.site.organization, action)
    if by_another:
        what = f"version {measurement.version} of {measurement.pile} on {measurement.surveyed_on}"
        rights.require_other_person(measurement.prepared_by, by, what)
    return life.acting_role(roles, action)


def require_reason(reason: str, to_do: str) -> None:
    if not reason.strip():
        raise ReasonNeeded(f"To {to_do}, a reason is needed. Nothing was changed.")
