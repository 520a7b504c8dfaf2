"""Days on which a dated record is in force, and how a new one makes room for itself.

A record is in force on the days `valid_from <= day < valid_to`. Two of one scope never share a day:
a new one closes its predecessor on its own first day, or replaces it as a whole. Database triggers
hold the same; the checks here give the reasons in words first.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory.errors import BadEntry, NotProposed, ValidityOverlap
from inventory.models.status import Dated, Status


def on_day(day: dt.date) -> Q:
    """Condition for records whose validity covers `day`."""
    return Q(valid_from__lte=day) & (Q(valid_to__isnull=True) | Q(valid_to__gt=day))


def last_day(record: Dated) -> dt.date | None:
    """The last day in force, or `None` while open."""
    return None if record.valid_to is None else record.valid_to - dt.timedelta(days=1)


def in_words(record: Dated) -> str:
    until = last_day(record)
    return f"from {record.valid_from}" if until is None else f"from {record.valid_from} to {until}"


def check_dates(valid_from: dt.date, valid_to: dt.date | None) -> None:
    """`BadEntry` for a validity of no days."""
    if valid_to is not None and valid_to <= valid_from:
        raise BadEntry(
            f"Validity from {valid_from} to before {valid_to} holds no day. Nothing was changed.",
            where="valid_to",
            remedy="Give an end after the beginning, or leave the end open.",
        )


def check_proposed(record: Dated, what: str) -> None:
    """`NotProposed` unless the record still waits for approval."""
    if record.status != Status.PROPOSED:
        raise NotProposed(
            f"{what} is {record.get_status_display()} already. Nothing was changed.", where=what
        )


def predecessor(of_scope: QuerySet[Any], valid_from: dt.date, valid_to: dt.date | None) -> Any | None:
    """The one record in force that a new one of the same scope would replace, or `None`.

    `ValidityOverlap` where it would cut into several, or would end before the one it replaces and so
    leave days with none.
    """
    touched = of_scope.filter(Q(valid_to__isnull=True) | Q(valid_to__gt=valid_from), status=Status.APPROVED)
    if valid_to is not None:
        touched = touched.filter(valid_from__lt=valid_to)
    found = list(touched.order_by("valid_from"))
    if not found:
        return None
    if len(found) > 1:
        named = "; ".join(f"{record.label} {in_words(record)}" for record in found)
        raise ValidityOverlap(
            f"The dates cut into {len(found)} records in force: {named}. Nothing was changed."
        )
    old = found[0]
    if valid_to is not None and (old.valid_to is None or valid_to < old.valid_to):
        raise ValidityOverlap(
            f"{old.label} is in force {in_words(old)}; the new record would end before it, and no record "
            f"would hold from {valid_to} on. Nothing was changed.",
            where=old.label,
            remedy="Leave the end open, or propose the later part as a record of its own.",
        )
    return old


def make_room(new: Dated, old: Dated | None) -> None:
    """Close `old` on the first day of `new`; where no day of it would be left, it is superseded."""
    new.supersedes = old
    if old is None:
        return
    if old.valid_from < new.valid_from:
        old.valid_to = new.valid_from
        old.save(update_fields=["valid_to"])
    else:
        old.status = Status.SUPERSEDED
        old.save(update_fields=["status"])


def mark_approved(record: Dated, by: Any) -> None:
    record.status = Status.APPROVED
    record.approved_by = by
    record.approved_at = timezone.now()
    record.save(update_fields=["status", "approved_by", "approved_at", "supersedes"])


def withdraw(record: Dated, by: Any, reason: str) -> None:
    """A proposal that will not be approved; it stays on record with the reason."""
    record.status = Status.WITHDRAWN
    record.withdrawn_by = by
    record.withdrawn_reason = required_text(reason, "reason")
    record.save(update_fields=["status", "withdrawn_by", "withdrawn_reason"])


def required_text(text: str, name: str) -> str:
    """`text` without outer blanks; `BadEntry` where nothing is left."""
    text = text.strip()
    if not text:
        raise BadEntry(f"{name} is empty. Nothing was changed.", where=name, remedy=f"Give the {name}.")
    return text


def required_code(text: str, name: str = "code") -> str:
    """`text` as a code that can stand in an address: no slash, and not dots alone. Raises `BadEntry`."""
    text = required_text(text, name)
    if "/" in text or not text.strip("."):
        raise BadEntry(
            f"{name}: “{text}” cannot stand in an address. Nothing was changed.",
            where=name,
            remedy="Use letters, digits, dots and dashes, without a slash.",
        )
    return text
