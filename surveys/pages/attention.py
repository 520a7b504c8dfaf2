"""What needs somebody: one list for a site or a whole organization, each entry with its owner and its link.

A constant number of queries, whatever the number of piles.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from inventory.models import BaseVersion, DensityRecord, Organization, Pile, Role, Site, Status
from inventory.stock import StockNow
from surveys import alerts
from surveys.models import Alert, JobState, Measurement, State
from surveys.pages.alerts import WEIGHT, link_of
from surveys.pages.wording import day

EXPIRES_WITHIN = dt.timedelta(days=31)
SURVEYS = (Alert.Kind.SURVEY_DUE, Alert.Kind.SURVEY_OVERDUE)
TOLD_BY_RECORDS = (Alert.Kind.DENSITY_ENDING, Alert.Kind.DENSITY_MISSING)
ORDER = {"stop": 0, "late": 1, "warn": 2, "open": 3}


@dataclass(frozen=True)
class Task:
    """`mark` is its weight as a shape, `owner` the role that can settle it, `due_on` its day if any."""

    mark: str
    words: str
    owner: str
    link: str
    due_on: dt.date | None = None
    detail: str = ""


def tasks_of(user: Any, organization: Organization, stock: StockNow, site: Site | None = None) -> list[Task]:
    """Everything that waits for a person, the heaviest first, then by day."""
    piles = {stock.pile.pk: stock.pile for stock in stock.piles}
    tasks = [
        *_alerts(user, organization, site),
        *_measurements(user, organization, site),
        *_densities(user, organization, piles.values(), site),
        *_bases(user, piles),
    ]
    return sorted(tasks, key=lambda task: (ORDER[task.mark], task.due_on or dt.date.max, task.words))


def _alerts(user: Any, organization: Organization, site: Site | None) -> Iterable[Task]:
    """What nobody lives with for a while. Densities are told by their records below, with their grades."""
    seen = Alert.objects.for_user(user).filter(site__organization=organization)
    asking = alerts.standing(seen, timezone.now().date()).exclude(kind__in=TOLD_BY_RECORDS)
    if site is not None:
        asking = asking.filter(site=site)
    rows = list(asking.select_related("site", "pile__site", "owner"))
    yield from _surveys_due(row for row in rows if row.kind in SURVEYS)
    for alert in rows:
        if alert.kind not in SURVEYS:
            place = alert.site.name if alert.pile is None else alert.pile.code
            taken = f"{alert.owner} sees to it. " if alert.owner_id else ""
            yield Task(
                WEIGHT.get(alert.kind, "warn"),
                f"{place}: {alert.get_kind_display()}",
                alert.owner_role,
                link_of(alert),
                alert.due_on,
                f"{taken}{alert.message}",
            )


def _surveys_due(due: Iterable[Alert]) -> Iterable[Task]:
    for alert in due:
        overdue = alert.kind == Alert.Kind.SURVEY_OVERDUE
        said = "A survey is overdue" if overdue else "The next survey is due"
        yield Task(
            "late" if overdue else "open",
            f"{alert.site.name}: {said.lower()}",
            alert.owner_role,
            reverse("new-survey", args=[alert.site.code]),
            alert.due_on,
            f"Its rhythm is one every {alert.site.survey_every_days} days.",
        )


def _measurements(user: Any, organization: Organization, site: Site | None) -> Iterable[Task]:
    waiting = (
        Q(state=State.COMPUTED) | Q(state=State.REVIEWED) | Q(state=State.DRAFT, job_state=JobState.FAILED)
    )
    rows = Measurement.objects.for_user(user).filter(waiting, survey__site__organization=organization)
    if site is not None:
        rows = rows.filter(survey__site=site)
    rows = rows.select_related("pile").prefetch_related("acceptances").defer("request").order_by("pk")
    for row in rows:
        yield _measurement_task(row)


def _measurement_task(row: Measurement) -> Task:
    name = f"{row.pile.code}, {day(row.surveyed_on)}"
    link = reverse("measurement", args=[row.pk])
    accepted = {acceptance.code for acceptance in row.acceptances.all()}
    stops = [f for f in row.findings if f["severity"] == "stop" and f["code"] not in accepted]
    if row.job_state == JobState.FAILED:
        return Task(
            "stop",
            f"{name}: could not be measured",
            Role.SURVEYOR,
            link,
            None,
            (row.error or {}).get("message", ""),
        )
    if stops:
        more = f" And {len(stops) - 1} more." if len(stops) > 1 else ""
        return Task(
            "stop",
            f"{name}: a finding stops approval",
            Role.LEAD_SURVEYOR,
            link,
            None,
            stops[0]["message"] + more,
        )
    if row.state == State.REVIEWED:
        return Task("open", f"{name}: waits for approval", Role.LEAD_SURVEYOR, link)
    if row.submitted_at:
        return Task("open", f"{name}: waits for review", Role.LEAD_SURVEYOR, link)
    return Task("open", f"{name}: measured, not yet submitted", Role.SURVEYOR, link)


def _densities(
    user: Any, organization: Organization, piles: Iterable[Pile], site: Site | None
) -> Iterable[Task]:
    today = timezone.now().date()
    records = list(
        DensityRecord.objects.for_user(user)
        .filter(organization=organization, status__in=[Status.PROPOSED, Status.APPROVED])
        .select_related("material", "site", "pile__site")
        .prefetch_related("approvals")
    )
    needed = {pile.material_id: pile.material for pile in piles}
    for record in records:
        if record.status == Status.PROPOSED and (site is None or record.material_id in needed):
            given = {approval.role for approval in record.approvals.all()}
            owner = Role.LEAD_SURVEYOR if Role.LEAD_SURVEYOR not in given else Role.MANAGER
            yield Task(
                "open",
                f"{record.material.name}: a density waits for approval",
                owner,
                reverse("material", args=[record.material.code]),
                record.valid_from,
            )
    for material in needed.values():
        in_force = [
            r
            for r in records
            if r.material_id == material.pk and r.status == Status.APPROVED and r.covers(today)
        ]
        yield from _density_in_force(material, in_force, records, today)


def _density_in_force(
    material: Any, in_force: list[DensityRecord], records: list[DensityRecord], today: dt.date
) -> Iterable[Task]:
    link = reverse("material", args=[material.code])
    if not in_force:
        yield Task(
            "stop",
            f"{material.name}: no density in force",
            Role.MANAGER,
            link,
            None,
            "Volumes stand, but no tonnes can be worked out from today on.",
        )
    for record in in_force:
        if record.grade == DensityRecord.Grade.D:
            yield Task(
                "warn",
                f"{material.name}: density of grade D",
                Role.MANAGER,
                link,
                None,
                "A book value of unknown source. A back-calculation over 20 loads would make it an A.",
            )
        follows = any(
            other.status == Status.APPROVED
            and other.valid_from == record.valid_to
            and other.scope == record.scope
            for other in records
            if other.material_id == material.pk
        )
        if record.valid_to and record.valid_to <= today + EXPIRES_WITHIN and not follows:
            yield Task(
                "warn", f"{material.name}: density {record.label} ends", Role.MANAGER, link, record.valid_to
            )


def _bases(user: Any, piles: dict[int, Pile]) -> Iterable[Task]:
    bases = BaseVersion.objects.for_user(user).filter(
        pile__in=piles, status__in=[Status.PROPOSED, Status.APPROVED]
    )
    have: set[int] = set()
    for base in bases:
        pile = piles[base.pile_id]
        link = reverse("pile", args=[pile.site.code, pile.code])
        if base.status == Status.PROPOSED:
            yield Task(
                "open",
                f"{pile.code}: base v{base.version} waits for approval",
                Role.LEAD_SURVEYOR,
                f"{link}#bases",
                base.valid_from,
            )
        have.add(base.pile_id)
    for pile_id, pile in piles.items():
        if pile_id not in have:
            yield Task(
                "stop",
                f"{pile.code}: no base",
                Role.SURVEYOR,
                reverse("propose-base", args=[pile.site.code, pile.code]),
                None,
                "Without a base the pile cannot be measured.",
            )
