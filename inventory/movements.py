"""What enters and leaves a pile: recorded by its own time, reversed where wrong, never edited or deleted.

Every verb takes quantities above zero in the unit they were given in; the kind says which way they go.
A movement of a closed period is refused with the correction it may become, unless `accept_late`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction

from inventory.book_days import day_starts_at
from inventory.crossing import decimal_entered
from inventory.entering import (
    check_owner,
    check_same_owner,
    enter,
    follow,
    lock_piles,
    named,
    opening_of,
    pair,
    record,
)
from inventory.errors import AcrossOrganizations, BadEntry, DocumentChanged
from inventory.models import Movement, Pile, Scale, User
from inventory.reversing import loss_of, reverse_movement
from inventory.rights import require
from inventory.validity import required_text
from inventory.weighing import Weighed, weigh

__all__ = [
    "RECORDABLE",
    "Transfer",
    "reclassify",
    "record_adjustment",
    "record_movement",
    "record_opening",
    "record_transfer",
    "reverse_movement",
]

Kind = Movement.Kind
Quantity = Decimal | int | str

RECORDABLE: dict[str, int] = {
    Kind.PRODUCTION: 1,
    Kind.PURCHASE: 1,
    Kind.SALE: -1,
    Kind.USAGE: -1,
    Kind.OWN_WORKS: -1,
}
"""Kinds of one leg that people record, with their sign on the pile."""

LOST = "lost in transit"


@dataclass(frozen=True)
class Transfer:
    """Two legs of one quantity, and what was lost on the way where less arrived."""

    out: Movement
    into: Movement
    loss: Movement | None = None


@transaction.atomic
def record_movement(
    pile: Pile,
    *,
    kind: str,
    quantity: Quantity | None,
    moved_at: dt.datetime,
    by: User,
    unit: str = "tonne",
    gross: Quantity | None = None,
    tare: Quantity | None = None,
    unit_price: Quantity | None = None,
    scale: Scale | None = None,
    owner_code: str | None = None,
    accept_late: bool = False,
    **texts: str,
) -> Movement:
    """One movement of a kind in `RECORDABLE`; the same `source`, `document` and kind again is the same one.

    `texts`: `source`, `document`, `counterparty`, `haulier`, `note`. `unit_price` is money per tonne.
    `owner_code` is checked against the pile's owner; empty means the company itself.
    Raises `NotAllowed`, `BadEntry`, `DocumentChanged`, `InTheFuture`, `PileNotOpen`, `PeriodClosed`,
    `OwnersDiffer`, `AcrossOrganizations`.
    """
    if kind not in RECORDABLE:
        raise BadEntry(
            f"“{kind}” is not a movement of one pile. Nothing was recorded.",
            where="kind",
            remedy=f"Choose one of: {', '.join(RECORDABLE)}.",
        )
    (pile,) = lock_piles(pile)
    require(by, pile.site.organization, "record_movement")
    check_owner(pile, owner_code)
    _check_scale(pile, scale)
    price = None if unit_price is None else decimal_entered(unit_price, "unit_price", 4)
    weighed = weigh(quantity, unit, gross, tare)
    movement = _built(pile, kind, RECORDABLE[kind], weighed, moved_at, texts)
    movement.scale, movement.unit_price = scale, price
    return _entered(movement, "record_movement", by, accept_late)


@transaction.atomic
def record_transfer(
    from_pile: Pile,
    to_pile: Pile,
    *,
    quantity: Quantity,
    moved_at: dt.datetime,
    by: User,
    received: Quantity | None = None,
    unit: str = "tonne",
    accept_late: bool = False,
    **texts: str,
) -> Transfer:
    """Material from one pile to another of the same material and owner, on one site or between two.

    Both legs are of `quantity`, so that they net to zero in every sum. Where `received` is less, the
    difference is a usage of the receiving pile that says so. Raises as `record_movement`.
    """
    from_pile, to_pile = _two_piles(from_pile, to_pile, by)
    if from_pile.material_id != to_pile.material_id:
        raise BadEntry(
            f"Pile {from_pile.code} holds {from_pile.material.code}, pile {to_pile.code} "
            f"{to_pile.material.code}. Nothing was recorded.",
            where="to_pile",
            remedy="Reclassify it, with a reason, if the material became another grade.",
        )
    weighed = weigh(quantity, unit)
    arrived = weighed if received is None else weigh(received, unit)
    if arrived.tonnes > weighed.tonnes:
        raise BadEntry(
            f"{received} received are more than {quantity} sent. Nothing was recorded.",
            where="received",
            remedy="Check both weights; more cannot arrive than left.",
        )
    kinds = (Kind.TRANSFER_OUT, Kind.TRANSFER_IN)
    out, into, is_new = _two_legs(from_pile, to_pile, kinds, weighed, moved_at, by, accept_late, texts)
    lost_t = weighed.tonnes - arrived.tonnes
    if not is_new:
        known = loss_of(into)
        _check_same_loss(out, -known.tonnes if known is not None else Decimal(0), lost_t)
        return Transfer(out, into, known)
    loss = None
    if lost_t:
        given = {"quantity": f"{lost_t:f}", "unit": "tonne", "lost_of": into.pk, "received": arrived.given}
        lost = Weighed(lost_t, None, None, given)
        loss = _built(to_pile, Kind.USAGE, -1, lost, moved_at, {**texts, "note": LOST})
        enter(loss, by=by, accept_late=accept_late)
    follow([leg for leg in (out, into, loss) if leg is not None], by)
    record(out, "record_transfer", by, to_pile=to_pile.code, lost=lost_t)
    return Transfer(out, into, loss)


@transaction.atomic
def reclassify(
    from_pile: Pile,
    to_pile: Pile,
    *,
    quantity: Quantity,
    moved_at: dt.datetime,
    by: User,
    reason: str,
    unit: str = "tonne",
    accept_late: bool = False,
    **texts: str,
) -> Transfer:
    """Material that became another grade: from the pile of one material to that of another, at cost.

    Raises as `record_transfer`, and `BadEntry` without a reason or between piles of one material.
    """
    from_pile, to_pile = _two_piles(from_pile, to_pile, by)
    if from_pile.material_id == to_pile.material_id:
        raise BadEntry(
            f"Piles {from_pile.code} and {to_pile.code} hold the same material. Nothing was recorded.",
            where="to_pile",
            remedy="Record a transfer.",
        )
    texts["note"] = required_text(reason, "reason")
    kinds = (Kind.RECLASS_OUT, Kind.RECLASS_IN)
    weighed = weigh(quantity, unit)
    out, into, is_new = _two_legs(from_pile, to_pile, kinds, weighed, moved_at, by, accept_late, texts)
    if is_new:
        follow([out, into], by)
        record(out, "reclassify", by, to_pile=to_pile.code, reason=texts["note"])
    return Transfer(out, into)


@transaction.atomic
def record_opening(
    pile: Pile,
    *,
    quantity: Quantity,
    on: dt.date,
    by: User,
    unit: str = "tonne",
    accept_late: bool = False,
    **texts: str,
) -> Movement:
    """What the pile holds when its book begins, at the start of the day `on`. One for each pile.

    Raises as `record_movement`, and `BadEntry` where the book of the pile has begun already.
    """
    (pile,) = lock_piles(pile)
    require(by, pile.site.organization, "record_movement")
    opening = _built(pile, Kind.OPENING, 1, weigh(quantity, unit), day_starts_at(pile.site, on), texts)
    standing = Movement.objects.standing().filter(pile=pile)
    first = standing.order_by("moved_at").first()
    is_again = (
        bool(opening.document)
        and standing.filter(kind=Kind.OPENING, source=opening.source, document=opening.document).exists()
    )
    if not is_again and opening_of(pile) is not None:
        raise BadEntry(
            f"Pile {pile.code} has an opening balance already. Nothing was recorded.",
            where="pile",
            remedy="If it is wrong, reverse it with a reason, then record the right one.",
        )
    if not is_again and first is not None and first.moved_at < opening.moved_at:
        raise BadEntry(
            f"Pile {pile.code} has a movement of {pile.site.date_of(first.moved_at)}, before its opening "
            f"balance of {on}. Nothing was recorded.",
            where="on",
            remedy="Open the book before its first movement, or reverse the movement.",
        )
    return _entered(opening, "record_opening", by, accept_late)


@transaction.atomic
def record_adjustment(
    pile: Pile, *, tonnes: Decimal, moved_at: dt.datetime, by: User, document: str, note: str
) -> Movement:
    """The posting of an approved adjustment: `tonnes` signed. Only for who may post one.

    Raises `NotAllowed`, `PeriodClosed`, `PileNotOpen`, `InTheFuture`, `DocumentChanged`, `BadEntry`.
    """
    (pile,) = lock_piles(pile)
    require(by, pile.site.organization, "post_adjustment")
    tonnes = decimal_entered(tonnes, "tonnes", 3)
    if not tonnes:
        raise BadEntry(
            "An adjustment of nothing. Nothing was recorded.", where="tonnes", remedy="Leave it out."
        )
    weighed = Weighed(abs(tonnes), None, None, {"quantity": f"{tonnes:f}", "unit": "tonne"})
    texts = {"source": "adjustment", "document": document, "note": note}
    movement = _built(pile, Kind.ADJUSTMENT, 1 if tonnes > 0 else -1, weighed, moved_at, texts)
    return _entered(movement, "post_adjustment", by, accept_late=False)


def _check_same_loss(out: Movement, known_t: Decimal, lost_t: Decimal) -> None:
    if known_t != lost_t:
        raise DocumentChanged(
            f"{named(out)} is in the book already, with {known_t} t lost on the way, not {lost_t} t. "
            "It stands untouched; nothing was recorded.",
            where="received",
        )


def _two_piles(from_pile: Pile, to_pile: Pile, by: User) -> tuple[Pile, Pile]:
    if from_pile.pk == to_pile.pk:
        raise BadEntry("Both piles are the same. Nothing was recorded.", where="to_pile", remedy="Name two.")
    from_pile, to_pile = lock_piles(from_pile, to_pile)
    if from_pile.site.organization_id != to_pile.site.organization_id:
        raise AcrossOrganizations(
            "The two piles belong to different organizations. Nothing was recorded.", where="to_pile"
        )
    require(by, from_pile.site.organization, "record_movement")
    check_same_owner(from_pile, to_pile)
    return from_pile, to_pile


def _two_legs(
    from_pile: Pile,
    to_pile: Pile,
    kinds: tuple[str, str],
    weighed: Weighed,
    moved_at: dt.datetime,
    by: User,
    accept_late: bool,
    texts: dict[str, str],
) -> tuple[Movement, Movement, bool]:
    out, is_new = enter(
        _built(from_pile, kinds[0], -1, weighed, moved_at, texts), by=by, accept_late=accept_late
    )
    into, _ = enter(_built(to_pile, kinds[1], 1, weighed, moved_at, texts), by=by, accept_late=accept_late)
    if is_new:
        pair(out, into)
    return out, into, is_new


def _built(
    pile: Pile, kind: str, sign: int, weighed: Weighed, moved_at: dt.datetime, texts: dict[str, Any]
) -> Movement:
    """An unsaved movement; `texts` are its words, without outer blanks."""
    words = {name: str(text).strip() for name, text in texts.items()}
    return Movement(
        site=pile.site,
        pile=pile,
        kind=kind,
        tonnes=sign * weighed.tonnes,
        gross_t=weighed.gross_t,
        tare_t=weighed.tare_t,
        given=weighed.given,
        moved_at=moved_at,
        **words,
    )


def _entered(movement: Movement, verb: str, by: User, accept_late: bool) -> Movement:
    movement, is_new = enter(movement, by=by, accept_late=accept_late)
    if is_new:
        follow([movement], by)
        record(movement, verb, by)
    return movement


def _check_scale(pile: Pile, scale: Scale | None) -> None:
    if scale is not None and scale.site_id != pile.site_id:
        raise BadEntry(
            f"Scale {scale.code} is not on the site of pile {pile.code}. Nothing was recorded.",
            where="scale",
            remedy="Choose a scale of the same site.",
        )
