"""How one movement enters the book: checked, dated, entered once, followed to the pile that took over.

The verbs are in `inventory.movements`; they build an unsaved `Movement` and hand it over here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import CharField
from django.utils import timezone

from inventory import lineage_book
from inventory.audit import record_event
from inventory.book_days import Calendar
from inventory.errors import BadEntry, DocumentChanged, InTheFuture, OwnersDiffer, PeriodClosed, PileNotOpen
from inventory.models import Movement, Pile, User

FIGURES = ("pile_id", "tonnes", "moved_at", "gross_t", "tare_t", "unit_price")
"""What must be the same when the same document comes again."""


def lock_piles(*piles: Pile) -> list[Pile]:
    """The piles again, with their sites, held until the transaction ends: the row of a pile is the queue
    of its book. In one order everywhere, so that two transfers cannot wait for each other."""
    rows = Pile.objects.select_for_update(of=("self",), no_key=True).select_related(
        "site__organization", "material", "owner"
    )
    held = {pile.pk: pile for pile in rows.filter(pk__in=[pile.pk for pile in piles]).order_by("pk")}
    return [held[pile.pk] for pile in piles]


def enter(
    movement: Movement, *, by: User, accept_late: bool, calendar: Calendar | None = None
) -> tuple[Movement, bool]:
    """(the movement in the book, whether it is new). The same document again is the same movement.

    Raises `DocumentChanged`, `InTheFuture`, `PileNotOpen`, `PeriodClosed`, `BadEntry`.
    """
    recorded = same_in_book(movement)
    if recorded is not None:
        return recorded, False
    check_moment(movement)
    calendar = calendar or Calendar(movement.site)
    movement.book_on, movement.belongs_to = calendar.booked(
        movement.moved_at, named(movement), accept_late=accept_late
    )
    movement.recorded_by, movement.recorded_at = by, timezone.now()
    _check_texts(movement)
    try:
        with transaction.atomic():
            movement.save(force_insert=True)
    except IntegrityError as collision:
        recorded = _after(collision, movement)
        return recorded, False
    return movement, True


def record(movement: Movement, verb: str, by: User, **detail: Any) -> None:
    """The audit event of a movement; the last step of its transaction."""
    said = {
        "pile": movement.pile.code,
        "kind": movement.kind,
        "tonnes": movement.tonnes,
        "book_on": movement.book_on,
        "document": movement.document,
        **detail,
    }
    if movement.belongs_to is not None:
        said["belongs_to"] = movement.belongs_to.name
    record_event(movement.site.organization, by=by, verb=verb, subject=movement, detail=said)


def pair(first: Movement, second: Movement) -> None:
    """Let two legs name each other."""
    for leg, other in ((first, second), (second, first)):
        leg.other_leg = other
        leg.save(update_fields=["other_leg"])


def follow(movements: Sequence[Movement], by: User) -> None:
    """Where a pile was taken over by another one since, its tonnes go there."""
    for movement in movements:
        if movement.pile.closed_on is not None:
            lineage_book.follow(movement, by)


def same_in_book(movement: Movement) -> Movement | None:
    """The standing movement of the same document, or `None`; `DocumentChanged` where its figures differ."""
    if not movement.document:
        return None
    found = (
        Movement.objects.standing()
        .select_related("pile", "site__organization", "other_leg__pile", "belongs_to")
        .filter(site=movement.site, source=movement.source, document=movement.document, kind=movement.kind)
        .first()
    )
    if found is None:
        return None
    changed = [name for name in FIGURES if getattr(found, name) != getattr(movement, name)]
    if changed:
        raise DocumentChanged(
            f"{named(movement)} is in the book already, with another "
            f"{', '.join(name.removesuffix('_id') for name in changed)}: pile {found.pile.code}, "
            f"{found.tonnes} t on {found.book_on}. It stands untouched; nothing was recorded.",
            where="document",
        )
    return found


def check_moment(movement: Movement) -> None:
    """`InTheFuture`, `PileNotOpen`, or `BadEntry` for a time that has no zone or lies before the opening."""
    moment, pile = movement.moved_at, movement.pile
    if moment.tzinfo is None:
        raise BadEntry(
            "moved_at has no time zone. Nothing was recorded.", where="moved_at", remedy="Give one."
        )
    if moment > timezone.now():
        raise InTheFuture(
            f"{named(movement)} of {moment.astimezone(movement.site.zone):%Y-%m-%d %H:%M %Z} lies in the "
            "future. Nothing was recorded.",
            where="moved_at",
        )
    day = movement.site.date_of(moment)
    if not pile.is_open_on(day):
        raise not_open(pile, day)
    opened_at = opening_of(pile)
    if movement.kind != Movement.Kind.OPENING and opened_at is not None and moment < opened_at:
        raise BadEntry(
            f"{named(movement)} lies before the opening balance of pile {pile.code} "
            f"({opened_at.astimezone(movement.site.zone):%Y-%m-%d %H:%M}), which holds it already. "
            "Nothing was recorded.",
            where="moved_at",
            remedy="Check the time. If the opening is wrong, reverse it and record the right one.",
        )


def not_open(pile: Pile, day: dt.date) -> PileNotOpen:
    span = f"opened on {pile.opened_on}" + (f", closed on {pile.closed_on}" if pile.closed_on else "")
    return PileNotOpen(
        f"Pile {pile.code} did not exist on {day}: it was {span}. Nothing was recorded.",
        where=f"pile {pile.code}",
    )


def opening_of(pile: Pile) -> dt.datetime | None:
    """When the book of the pile opens, or `None` where no opening balance was recorded."""
    openings = Movement.objects.standing().filter(pile=pile, kind=Movement.Kind.OPENING)
    moment: dt.datetime | None = openings.values_list("moved_at", flat=True).first()
    return moment


def check_owner(pile: Pile, owner_code: str | None) -> None:
    """`OwnersDiffer` unless `owner_code` names the pile's owner; empty is the organization, None unsaid."""
    if owner_code is None:
        return
    given = owner_code.strip()
    if given != (pile.owner.code if pile.owner is not None else ""):
        raise OwnersDiffer(
            f"Pile {pile.code} holds material of {_owner(pile)}, not of {given or 'the company itself'}. "
            "Nothing was recorded.",
            where="owner",
            remedy="Choose the owner's own pile, or correct the owner.",
        )


def check_same_owner(first: Pile, second: Pile) -> None:
    if first.owner_id != second.owner_id:
        raise OwnersDiffer(
            f"Pile {first.code} holds material of {_owner(first)}, pile {second.code} of {_owner(second)}. "
            "Nothing was recorded.",
            where="to_pile",
        )


def _owner(pile: Pile) -> str:
    return pile.owner.code if pile.owner is not None else "the company itself"


def named(movement: Movement) -> str:
    """How a refusal names it: `Ticket 90017`, or `Sale on pile DRV-05`."""
    if movement.document:
        return f"{movement.source.capitalize() or 'Document'} {movement.document}"
    return f"{movement.get_kind_display().capitalize()} on pile {movement.pile.code}"


def _after(collision: IntegrityError, movement: Movement) -> Movement:
    """What another transaction did meanwhile: closed the period, or recorded the same document."""
    if "period of this movement is closed" in str(collision):
        raise PeriodClosed(
            f"{named(movement)}: its period was closed meanwhile. Nothing was recorded.", where="moved_at"
        ) from collision
    recorded = same_in_book(movement)
    if recorded is None:
        raise collision
    return recorded


def _check_texts(movement: Movement) -> None:
    for field in Movement._meta.get_fields():
        if isinstance(field, CharField) and len(getattr(movement, field.name)) > (field.max_length or 0):
            raise BadEntry(
                f"{field.name} is longer than {field.max_length} characters. Nothing was recorded.",
                where=field.name,
                remedy="Shorten it.",
            )
