"""What the evidence knows that keeps a month from being reconciled: surveys that nobody has signed yet.

The book does not know of surveys; it takes tasks from whoever has some: `closing_tasks.MORE_TASKS`.
"""

from __future__ import annotations

from collections.abc import Iterator

from django.db.models import Exists, OuterRef

from inventory.closing_tasks import MORE_TASKS, Task
from inventory.models import Period
from surveys.models import Measurement, State

WAITING = (State.COMPUTED, State.REVIEWED)


def unsigned_measurements(period: Period) -> Iterator[Task]:
    """Measurements of the month that wait for a signature, and the findings that stop them; not those that
    a later version replaced. Two queries."""
    approved = Measurement.objects.filter(
        pile=OuterRef("pile"), surveyed_on=OuterRef("surveyed_on"), state=State.APPROVED
    )
    rows = (
        Measurement.objects.filter(
            survey__site=period.site_id,
            surveyed_on__gte=period.starts_on,
            surveyed_on__lt=period.ends_on,
            state__in=WAITING,
        )
        .exclude(Exists(approved.filter(version__gt=OuterRef("version"))))
        .select_related("pile")
        .prefetch_related("acceptances")
        .order_by("pile__code", "surveyed_on", "version")
    )
    for row in rows:
        accepted = {acceptance.code for acceptance in row.acceptances.all()}
        stops = {
            finding["code"]
            for finding in row.findings
            if finding["severity"] == "stop" and finding["code"] not in accepted
        }
        told = f", stopped by {', '.join(sorted(stops))}" if stops else ""
        yield Task(
            "unsigned",
            f"Version {row.version} of pile {row.pile.code} on {row.surveyed_on} is {row.state}{told}.",
            "A lead surveyor approves it, sends it back or has it withdrawn.",
            f"measurement:{row.pk}",
        )


def tell_the_book() -> None:
    """Hand these tasks to the book, once."""
    if unsigned_measurements not in MORE_TASKS:
        MORE_TASKS.append(unsigned_measurements)
