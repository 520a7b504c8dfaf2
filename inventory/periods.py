"""Months of a site's book: which one holds a day, the next one that still takes something, and their steps.

A month runs over the site's days, so that its cut-off is the site's day-end in the site's zone. Months lie
side by side without a gap from the first one on. What stands between a month and its next step is in
`inventory.closing_tasks`; who takes it is in `inventory.closing`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.db import IntegrityError, connection, transaction
from django.db.models import Min
from django.utils import timezone

from inventory.audit import in_order, record_event
from inventory.book_days import day_starts_at
from inventory.errors import BadEntry, PeriodNotThere
from inventory.models import Movement, Period, PeriodStep, Site, User
from inventory.rights import require

State = Period.State
CLOSED = (State.APPROVED, State.LOCKED)
TAKES_POSTINGS = (State.OPEN, State.COUNTING, State.RECONCILED, State.RESTATING)
HAS_LINES = (State.RECONCILED, State.APPROVED, State.LOCKED)
FARTHEST_MONTHS = 1200


def month_of(day: dt.date) -> tuple[dt.date, dt.date]:
    """The first day of the month of `day`, and of the month after it."""
    first = day.replace(day=1)
    return first, (first + dt.timedelta(days=32)).replace(day=1)


def period_of(site: Site, day: dt.date) -> Period | None:
    """The site's period that holds the site's day, or `None` where nobody opened it."""
    return Period.objects.filter(site=site, starts_on__lte=day, ends_on__gt=day).first()


def previous_of(period: Period) -> Period | None:
    return Period.objects.filter(site=period.site_id, ends_on=period.starts_on).first()


def next_of(period: Period) -> Period | None:
    return Period.objects.filter(site=period.site_id, starts_on=period.ends_on).first()


@transaction.atomic
def open_period(site: Site, day: dt.date, by: User) -> Period:
    """The period of `day`, opened with all between it and those that exist; twice is once.

    Raises `NotAllowed`, `BadEntry` for a day more than a hundred years off.
    """
    roles = require(by, site.organization, "record_movement")
    return ensure_period(site, day, by, roles)


def ensure_period(site: Site, day: dt.date, by: User, roles: Iterable[str] = ()) -> Period:
    """As `open_period` for a verb that asked for its own right already."""
    found = period_of(site, day)
    if found is not None:
        return found
    starts = _months_to_open(site, day)
    if len(starts) > FARTHEST_MONTHS:
        raise BadEntry(
            f"{day} lies {len(starts)} months from the book of {site.code}. Nothing was opened.",
            where="day",
            remedy="Check the year.",
        )
    for start in starts:
        _begin(site, start, by, roles)
    period = period_of(site, day)
    assert period is not None
    return period


def next_open_period(site: Site, day: dt.date, by: User) -> Period:
    """The first period from that of `day` on that still takes postings; it is opened where none is."""
    waiting = Period.objects.filter(site=site, ends_on__gt=day, state__in=TAKES_POSTINGS)
    found = waiting.order_by("starts_on").first()
    if found is not None:
        return found
    last = Period.objects.filter(site=site, ends_on__gt=day).order_by("starts_on").last()
    return ensure_period(site, day if last is None else last.ends_on, by)


def held(period: Period) -> Period:
    """The period's row, held until the transaction ends: two who step at once go one after the other."""
    rows = Period.objects.select_for_update(of=("self",), no_key=True).select_related("site__organization")
    return rows.get(pk=period.pk)


def let_movements_finish(site_id: int) -> None:
    """Wait for the movements of the site that are being written, and keep new ones out until this transaction
    ends; called before a sheet is compared with them and closed.

    The trigger of a movement takes the same lock shared. Without it a ticket could be written between the
    look at the sheet and the approval. SQLite writes one transaction at a time anyway.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_advisory_xact_lock(hashtextextended('books ' || %s, 0))", [str(site_id)]
            )


def take_step(
    period: Period,
    to_state: str,
    *,
    by: User,
    roles: Iterable[str],
    verb: str,
    comment: str = "",
    sheet_sha256: str | None = None,
    detail: dict[str, Any] | None = None,
) -> PeriodStep:
    """Move a held period, write its step and its event. Call it last in the transaction."""
    before = period.state
    period.state = to_state
    fields = ["state"]
    if sheet_sha256 is not None:
        period.sheet_sha256 = sheet_sha256
        fields.append("sheet_sha256")
    period.save(update_fields=fields)
    step = PeriodStep.objects.create(
        period=period,
        from_state=before,
        to_state=to_state,
        by=by,
        roles=in_order(roles),
        at=timezone.now(),
        comment=comment.strip(),
        sheet_sha256=period.sheet_sha256,
    )
    record_event(
        period.site.organization,
        by=by,
        roles=roles,
        verb=f"{verb}_period",
        subject=period,
        detail={
            "site": period.site.code,
            "period": period.name,
            "from_state": before,
            "to_state": to_state,
            "comment": step.comment,
            **(detail or {}),
        },
        after_sha256=period.sheet_sha256,
    )
    return step


def require_state(period: Period, states: Iterable[str], what: str) -> None:
    """`PeriodNotThere` unless the period is in one of the states that `what` starts from."""
    states = tuple(states)
    if period.state in states:
        return
    raise PeriodNotThere(
        f"{period.name} of {period.site.code} is {period.get_state_display()}. To {what} it, it must be "
        f"{' or '.join(states)}. Nothing was changed.",
        where=f"{period.site.code} {period.name}",
    )


def _months_to_open(site: Site, day: dt.date) -> list[dt.date]:
    """First days of the months from the book's beginning to `day` that nobody opened yet."""
    known = set(Period.objects.filter(site=site).values_list("starts_on", flat=True))
    begun = Movement.objects.filter(site=site).aggregate(first=Min("book_on"))["first"]
    wanted = [month_of(each)[0] for each in (day, begun, *known) if each is not None]
    months, at = [], min(wanted)
    while at <= max(wanted) and len(months) <= FARTHEST_MONTHS:
        if at not in known:
            months.append(at)
        at = month_of(at)[1]
    return months


def _begin(site: Site, start: dt.date, by: User, roles: Iterable[str]) -> None:
    ends_on = month_of(start)[1]
    try:
        with transaction.atomic():
            period = Period.objects.create(
                site=site,
                name=f"{start:%Y-%m}",
                starts_on=start,
                ends_on=ends_on,
                cutoff_at=day_starts_at(site, ends_on),
            )
    except IntegrityError:
        # Somebody else opened it at the same moment.
        return
    take_step(period, State.OPEN, by=by, roles=roles or require(by, site.organization, "see"), verb="open")
