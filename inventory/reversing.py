"""A movement that was wrong is answered by one of opposite sign; the wrong one stays to be seen."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from inventory.book_days import Calendar
from inventory.entering import follow, lock_piles, named, pair, record
from inventory.errors import AlreadyReversed, BadEntry
from inventory.models import Movement, User
from inventory.rights import require
from inventory.validity import required_text

Kind = Movement.Kind


@transaction.atomic
def reverse_movement(movement: Movement, *, by: User, reason: str, accept_late: bool = False) -> Movement:
    """A row of opposite sign at the same time, with the reason; the other leg and a loss go with it.

    It counts on the day of what it reverses, or as a late one where that period is closed.
    Raises `NotAllowed`, `AlreadyReversed`, `PeriodClosed`, `BadEntry`.
    """
    rows = _whole(movement)
    movement = rows[0]
    is_adjustment = movement.kind == Kind.ADJUSTMENT
    right = "post_adjustment" if is_adjustment else "record_movement"
    for row in rows:
        require(by, row.site.organization, right)
        _check_reversible(row)
    reason = required_text(reason, "reason")
    reversals = [_reversal(row, by, reason, accept_late) for row in rows]
    if movement.other_leg_id is not None:
        pair(reversals[0], reversals[1])
    follow(reversals, by)
    record(reversals[0], "reverse_movement", by, reverses=movement.pk, reason=reason)
    return reversals[0]


def _whole(movement: Movement) -> list[Movement]:
    """The movement first, then its other leg and what was lost on the way, their piles held."""
    rows = Movement.objects.select_related("pile__site", "site__organization", "belongs_to")
    known = rows.get(pk=movement.pk)
    pks = [known.pk] + ([known.other_leg_id] if known.other_leg_id else [])
    whole = [rows.get(pk=pk) for pk in pks]
    lock_piles(*(row.pile for row in whole))
    whole = [rows.get(pk=pk) for pk in pks]
    into = next((row for row in whole if row.kind == Kind.TRANSFER_IN), None)
    loss = loss_of(into) if into is not None else None
    return whole + ([loss] if loss is not None else [])


def loss_of(into: Movement) -> Movement | None:
    losses = Movement.objects.standing().filter(pile=into.pile, kind=Kind.USAGE, given__lost_of=into.pk)
    found: Movement | None = losses.select_related("pile__site", "site__organization").first()
    return found


def _check_reversible(row: Movement) -> None:
    if row.reverses_id is not None:
        raise BadEntry(
            f"{named(row)} is a reversal itself. Nothing was changed.",
            where="movement",
            remedy="Record the movement again, as a new one.",
        )
    if row.reversed_at is not None:
        raise AlreadyReversed(
            f"{named(row)} was reversed on {row.reversed_at:%Y-%m-%d %H:%M} UTC. Nothing was changed.",
            where="movement",
        )
    if row.kind in (Kind.LINEAGE_IN, Kind.LINEAGE_OUT) or (not row.document and _is_of_lineage(row)):
        raise BadEntry(
            "What went over to another pile goes back only with the pile. Nothing was changed.",
            where="movement",
            remedy="Move the material by a transfer.",
        )


def _is_of_lineage(row: Movement) -> bool:
    """Whether a reclassified leg was made when its whole pile became another grade."""
    return row.kind in (Kind.RECLASS_IN, Kind.RECLASS_OUT) and not row.given


def _reversal(row: Movement, by: User, reason: str, accept_late: bool) -> Movement:
    book_on, late_of = Calendar(row.site).booked(
        row.moved_at, f"Reversing {named(row)}", accept_late=accept_late, day=row.book_on
    )
    now = timezone.now()
    reversal = Movement.objects.create(
        site=row.site,
        pile=row.pile,
        kind=row.kind,
        tonnes=-row.tonnes,
        moved_at=row.moved_at,
        book_on=book_on,
        belongs_to=late_of or row.belongs_to,
        source=row.source,
        document=row.document,
        scale_id=row.scale_id,
        unit_price=row.unit_price,
        counterparty=row.counterparty,
        haulier=row.haulier,
        note=reason[:300],
        reverses=row,
        recorded_by=by,
        recorded_at=now,
    )
    row.reversed_at = now
    row.save(update_fields=["reversed_at"])
    return reversal
