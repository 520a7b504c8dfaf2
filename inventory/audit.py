"""Who did what, as a chain: each event holds the hash of the one before it in the same organization.

An event is written in the transaction of the act it tells of, as its last step: the organization's row is
the queue, and whoever waits in it should hold up nothing else. A chain shows that events were changed, left
out or put in between; that its end was cut off shows only beside a hash kept elsewhere (an export names it).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import rfc8785
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models, transaction
from django.utils import timezone

from inventory.models import AuditEvent, Organization, Role, User
from inventory.rights import roles_of

HASHED = (
    "seq",
    "roles",
    "verb",
    "subject",
    "detail",
    "before_sha256",
    "after_sha256",
    "previous_sha256",
)
"""Fields hashed as they are; the organization, the moment (UTC, ISO 8601) and the person are added by id."""


@dataclass(frozen=True)
class ChainProblem:
    """One place where an organization's chain does not hold: the event's `seq`, and what is wrong."""

    seq: int
    message: str

    def __str__(self) -> str:
        return f"audit event {self.seq}: {self.message}"


def record_event(
    organization: Organization,
    *,
    by: User | None,
    verb: str,
    subject: models.Model,
    detail: Mapping[str, Any] | None = None,
    before_sha256: str = "",
    after_sha256: str = "",
    roles: Iterable[str] | None = None,
) -> AuditEvent:
    """Append an event to the organization's chain; call it last in the transaction of the act.

    `by` is empty where the service itself acted. `detail` may hold decimals, dates and ids; they are kept
    as text. `roles` are looked up where they are not given. Raises `TransactionManagementError` outside
    a transaction, since an event without its act, or an act without its event, proves nothing.
    """
    # The row lock below refuses to run outside a transaction on PostgreSQL; SQLite would not notice.
    transaction.get_connection().validate_no_broken_transaction()
    if not transaction.get_connection().in_atomic_block:
        raise transaction.TransactionManagementError("an audit event belongs into the transaction of its act")
    if roles is None:
        roles = roles_of(by, organization)
    # Without the key, so that rows that merely refer to the organization need not wait.
    Organization.objects.select_for_update(no_key=True).get(pk=organization.pk)
    last = AuditEvent.objects.filter(organization=organization).order_by("-seq").first()
    event = AuditEvent(
        organization=organization,
        seq=1 if last is None else last.seq + 1,
        at=timezone.now(),
        by=by,
        roles=in_order(roles),
        verb=verb,
        subject=name_of(subject),
        detail=plain(detail or {}),
        before_sha256=before_sha256,
        after_sha256=after_sha256,
        previous_sha256="" if last is None else last.sha256,
    )
    event.sha256 = hash_of(event)
    event.save(force_insert=True)
    return event


def name_of(subject: models.Model) -> str:
    """A row as an event names it: `model:id`."""
    return f"{subject._meta.model_name}:{subject.pk}"


def in_order(roles: Iterable[str]) -> str:
    """Roles as one text, in the book's order: `manager,accountant`."""
    given = set(roles)
    return ",".join(role.value for role in Role if role in given)


def plain(detail: Any) -> Any:
    """`detail` as it comes back from the database: decimals and dates as text."""
    return json.loads(json.dumps(detail, cls=DjangoJSONEncoder))


def hash_of(event: AuditEvent) -> str:
    """SHA-256, 64 hexadecimal digits, over the canonical JSON (RFC 8785) of all fields but itself."""
    said = {name: getattr(event, name) for name in HASHED}
    said["at"] = event.at.astimezone(dt.UTC).isoformat()
    said["by"] = event.by_id
    said["organization"] = event.organization_id
    return hash_of_values(said)


def hash_of_values(values: Any) -> str:
    """SHA-256, 64 hexadecimal digits, over the canonical JSON (RFC 8785) of plain values."""
    return hashlib.sha256(rfc8785.dumps(plain(values))).hexdigest()


def walk_chain(organization: Organization, after: AuditEvent | None = None) -> list[ChainProblem]:
    """Every place where the organization's chain does not hold; empty when it does. One query.

    `after` is an event that was walked to before; the walk goes on from it.
    """
    events = AuditEvent.objects.filter(organization=organization).order_by("seq", "pk")
    return list(_problems(events if after is None else events.filter(seq__gt=after.seq), after))


def _problems(events: models.QuerySet[AuditEvent], after: AuditEvent | None) -> Iterator[ChainProblem]:
    seq, sha256 = (0, "") if after is None else (after.seq, after.sha256)
    for event in events.iterator(chunk_size=2000):
        if event.seq != seq + 1:
            yield ChainProblem(event.seq, f"follows event {seq}: what stood between them is missing")
        if event.previous_sha256 != sha256:
            yield ChainProblem(event.seq, "does not hold the hash of the event before it")
        if hash_of(event) != event.sha256:
            yield ChainProblem(event.seq, "says something else than when it was written")
        seq, sha256 = event.seq, event.sha256
