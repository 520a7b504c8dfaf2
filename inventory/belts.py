"""Belt totalisers: what a belt carried between two readings is production of the pile under it.

Readings at the start and end of a survey and at the end of the day make a cut-off sharp: what lies between
two readings is one movement at the later one, and nothing tells how it was spread in between.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.crossing import LAST_PLACE, decimal_entered
from inventory.entering import enter, follow, lock_piles, not_open
from inventory.errors import AcrossOrganizations, BadEntry, DocumentChanged, InTheFuture, TotaliserBackwards
from inventory.models import BeltReading, Movement, MovementImport, Pile, Scale, User
from inventory.rights import require
from inventory.weighing import GIVEN_PLACES, in_tonnes, unit_size

JUST_BEFORE = dt.timedelta(microseconds=1)
"""What a reading closes lies before it: a reading at the end of a day belongs to the day that ends."""


@dataclass(frozen=True)
class Read:
    """A reading and the production that it closes; `None` for the first of a scale and for no difference."""

    reading: BeltReading
    production: Movement | None


@transaction.atomic
def record_reading(
    scale: Scale,
    pile: Pile,
    *,
    read_at: dt.datetime,
    totaliser: Decimal | int | str,
    by: User,
    unit: str = "tonne",
    accept_late: bool = False,
    origin: tuple[MovementImport, int] | None = None,
) -> Read:
    """What the totaliser of a belt scale showed; what it carried since the last reading went to `pile`.

    The same reading again is the same one. `origin` is the file and line that it came from.
    Raises `NotAllowed`, `BadEntry`, `TotaliserBackwards`, `DocumentChanged`, `InTheFuture`, `PileNotOpen`,
    `PeriodClosed`, `AcrossOrganizations`.
    """
    (pile,) = lock_piles(pile)
    # The scale's row is the queue of its readings.
    scale = Scale.objects.select_for_update(of=("self",), no_key=True).select_related("site").get(pk=scale.pk)
    require(by, pile.site.organization, "record_movement")
    _check_place(scale, pile)
    total_t = in_tonnes(decimal_entered(totaliser, "totaliser", GIVEN_PLACES), unit_size(unit))
    again = BeltReading.objects.filter(scale=scale, read_at=read_at).select_related("pile").first()
    if again is not None:
        return Read(_same_again(again, pile, total_t), _production_of(again))
    _check_moment(pile, read_at)
    last = BeltReading.objects.filter(scale=scale).order_by("-read_at").first()
    if last is not None:
        _check_order(last, read_at, total_t)
    reading = BeltReading.objects.create(
        scale=scale, pile=pile, read_at=read_at, totaliser_t=total_t, recorded_by=by
    )
    production = None
    if last is not None and total_t > last.totaliser_t:
        production = _produced(reading, last, by, accept_late, f"{totaliser}", unit, origin)
    detail = {
        "scale": scale.code,
        "pile": pile.code,
        "totaliser_t": total_t,
        "production_t": production.tonnes if production is not None else None,
    }
    record_event(pile.site.organization, by=by, verb="read_belt", subject=reading, detail=detail)
    return Read(reading, production)


def source_of(scale: Scale) -> str:
    """The source that production from its readings names."""
    return f"belt {scale.code}"


def document_of(read_at: dt.datetime) -> str:
    return read_at.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _produced(
    reading: BeltReading,
    last: BeltReading,
    by: User,
    accept_late: bool,
    shown: str,
    unit: str,
    origin: tuple[MovementImport, int] | None,
) -> Movement:
    from_import, line = origin or (None, None)
    movement = Movement(
        site=reading.pile.site,
        pile=reading.pile,
        kind=Movement.Kind.PRODUCTION,
        tonnes=(reading.totaliser_t - last.totaliser_t).quantize(LAST_PLACE),
        moved_at=reading.read_at - JUST_BEFORE,
        source=source_of(reading.scale),
        document=document_of(reading.read_at),
        scale=reading.scale,
        given={"totaliser": shown, "unit": unit, "before_t": f"{last.totaliser_t}", "reading": reading.pk},
        from_import=from_import,
        line=line,
        note=f"since {last.read_at.astimezone(reading.pile.site.zone):%Y-%m-%d %H:%M}",
    )
    movement, is_new = enter(movement, by=by, accept_late=accept_late)
    if is_new:
        follow([movement], by)
    return movement


def _production_of(reading: BeltReading) -> Movement | None:
    found: Movement | None = (
        Movement.objects.standing()
        .filter(
            scale=reading.scale_id,
            kind=Movement.Kind.PRODUCTION,
            document=document_of(reading.read_at),
        )
        .first()
    )
    return found


def _check_place(scale: Scale, pile: Pile) -> None:
    if scale.site.organization_id != pile.site.organization_id:
        raise AcrossOrganizations("Scale and pile belong to different organizations.", where="scale")
    if scale.site_id != pile.site_id or scale.kind != Scale.Kind.BELT:
        raise BadEntry(
            f"Scale {scale.code} is no belt scale on the site of pile {pile.code}. Nothing was recorded.",
            where="scale",
            remedy="Choose the belt scale that feeds the pile.",
        )


def _check_moment(pile: Pile, read_at: dt.datetime) -> None:
    if read_at.tzinfo is None:
        raise BadEntry("A time without a zone. Nothing was recorded.", where="read_at", remedy="Give one.")
    if read_at > timezone.now():
        raise InTheFuture(
            f"A reading of {read_at.astimezone(pile.site.zone):%Y-%m-%d %H:%M %Z} lies in the future. "
            "Nothing was recorded.",
            where="read_at",
        )
    day = pile.site.date_of(read_at - JUST_BEFORE)
    if not pile.is_open_on(day):
        raise not_open(pile, day)


def _check_order(last: BeltReading, read_at: dt.datetime, total_t: Decimal) -> None:
    zone = last.scale.site.zone
    if read_at < last.read_at:
        raise BadEntry(
            f"Scale {last.scale.code} was read at {last.read_at.astimezone(zone):%Y-%m-%d %H:%M} already, "
            "and what it carried until then is booked. Nothing was recorded.",
            where="read_at",
            remedy="Enter readings in the order of their time.",
        )
    if total_t < last.totaliser_t:
        raise TotaliserBackwards(
            f"The totaliser of scale {last.scale.code} showed {last.totaliser_t} t at "
            f"{last.read_at.astimezone(zone):%Y-%m-%d %H:%M} and {total_t} t at "
            f"{read_at.astimezone(zone):%Y-%m-%d %H:%M}; it only counts up, so that one of the two is wrong "
            "or it was set back. Nothing was recorded.",
            where="totaliser",
            remedy="Correct the reading. If the totaliser was set back or replaced, add it as a new scale.",
        )


def _same_again(reading: BeltReading, pile: Pile, total_t: Decimal) -> BeltReading:
    if reading.totaliser_t != total_t or reading.pile_id != pile.pk:
        raise DocumentChanged(
            f"The reading of {reading} is in the book already, for pile {reading.pile.code}. It stands "
            "untouched; nothing was recorded.",
            where="read_at",
            remedy="Give the reading another time, if it is another one.",
        )
    return reading
