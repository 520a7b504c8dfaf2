"""What a pile held goes over to the pile that took its place, with no effect on profit.

Merging, moving and re-grading close a pile; what its book holds leaves it and enters the successor on the
effective day, in two legs that sum to zero. What is recorded later for the closed pile (a late ticket, a
reversal) follows the same way, so that a closed pile holds nothing. Entry at cost, never through
sales or adjustments; which is why the legs have kinds of their own.
"""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.db.models import Sum
from django.utils import timezone

from inventory.book_days import Calendar, day_starts_at
from inventory.crossing import LAST_PLACE, decimal_entered
from inventory.errors import BadEntry, PeriodClosed
from inventory.models import Movement, Period, Pile, PileLineage, User

CARRYING = (PileLineage.Kind.MERGED, PileLineage.Kind.MOVED, PileLineage.Kind.RECLASSIFIED)
"""The pile ends and all it held goes on; a split pile goes on itself."""

_LEGS = {
    PileLineage.Kind.RECLASSIFIED: (Movement.Kind.RECLASS_OUT, Movement.Kind.RECLASS_IN),
}
_OTHERS = (Movement.Kind.LINEAGE_OUT, Movement.Kind.LINEAGE_IN)


def refuse_if_moved_after(pile: Pile, on: dt.date) -> None:
    """`BadEntry` where something moved on the pile on the day `on` or later: it cannot have ended then."""
    moved = Movement.objects.standing().filter(pile=pile, moved_at__gte=day_starts_at(pile.site, on))
    last = moved.order_by("-moved_at").first()
    if last is not None:
        raise BadEntry(
            f"Pile {pile.code} has a movement of {pile.site.date_of(last.moved_at)} "
            f"({last.get_kind_display()} {last.tonnes} t); it cannot end on {on}. Nothing was changed.",
            where="closed_on",
            remedy="End it after its last movement, or reverse the movement.",
        )


def held(pile: Pile) -> Decimal:
    """What the book of the pile holds, whatever the day."""
    total = Movement.objects.filter(pile=pile).order_by().aggregate(t=Sum("tonnes"))["t"]
    return Decimal(0) if total is None else total.quantize(LAST_PLACE)


def part_of(pile: Pile, tonnes: Decimal | int | str) -> Decimal:
    """`tonnes` as a part of what the book of the pile holds; `BadEntry` for nothing, or more than that."""
    part = decimal_entered(tonnes, "tonnes", 3)
    if not 0 < part <= held(pile):
        raise BadEntry(
            f"The book of pile {pile.code} holds {held(pile)} t, and {part} t cannot leave it. "
            "Nothing was changed.",
            where="tonnes",
            remedy="Give more than nothing, and no more than it holds.",
        )
    return part


def carry_all(link: PileLineage, by: User) -> Decimal:
    """What the old pile holds goes over on the effective day; what is booked later goes over on its day.

    Returns the tonnes that went over. Raises `PeriodClosed` where the effective day is in a closed period.
    """
    sums = Movement.objects.filter(pile=link.from_pile).order_by().values("book_on").annotate(t=Sum("tonnes"))
    by_day: dict[dt.date, Decimal] = {}
    for row in sums:
        day = max(row["book_on"], link.effective_on)
        by_day[day] = by_day.get(day, Decimal(0)) + row["t"].quantize(LAST_PLACE)
    for day, tonnes in sorted(by_day.items()):
        carry(link, tonnes, day, by)
    return sum(by_day.values(), Decimal(0))


def carry(link: PileLineage, tonnes: Decimal, day: dt.date, by: User, late_of: Period | None = None) -> None:
    """`tonnes` from the old pile of `link` to the new one, counted on `day`; below zero, the other way."""
    if not tonnes:
        return
    old, new = link.from_pile, link.to_pile
    if tonnes < 0:
        old, new = new, old
    out, into = _LEGS.get(link.kind, _OTHERS)
    legs = [
        _leg(old, out, -abs(tonnes), day, link, by, late_of),
        _leg(new, into, abs(tonnes), day, link, by, late_of),
    ]
    for leg, other in (legs, reversed(legs)):
        leg.other_leg = other
        leg.save(update_fields=["other_leg"])
    newer = _taken_over_by(link.to_pile)
    if newer is not None:
        carry(newer, tonnes, max(day, newer.effective_on), by, late_of)


def follow(movement: Movement, by: User) -> None:
    """What was recorded on a pile after another took it over goes to that one."""
    follow_sum(movement.pile, movement.tonnes, movement.book_on, by, movement.belongs_to)


def follow_sum(pile: Pile, tonnes: Decimal, book_on: dt.date, by: User, late_of: Period | None) -> None:
    """The same for the sum of many movements of one day."""
    link = _taken_over_by(pile)
    if link is not None:
        carry(link, tonnes, max(book_on, link.effective_on), by, late_of)


def _taken_over_by(pile: Pile) -> PileLineage | None:
    links = PileLineage.objects.filter(from_pile=pile, kind__in=CARRYING)
    found: PileLineage | None = links.select_related("from_pile__site", "to_pile__site").first()
    return found


def _leg(
    pile: Pile, kind: str, tonnes: Decimal, day: dt.date, link: PileLineage, by: User, late_of: Period | None
) -> Movement:
    period = Calendar(pile.site).closed_period(day)
    if period is not None:
        raise PeriodClosed(
            f"{day} lies in {period.name} of {pile.site.name}, which is {period.get_state_display()}: what "
            f"pile {link.from_pile.code} holds cannot go over on that day. Nothing was changed.",
            where="on",
            remedy="Choose a day in an open period, or ask the controller to open the period again.",
        )
    return Movement.objects.create(
        site=pile.site,
        pile=pile,
        kind=kind,
        tonnes=tonnes,
        moved_at=day_starts_at(pile.site, day),
        book_on=day,
        belongs_to=late_of if late_of is not None and late_of.site_id == pile.site_id else None,
        note=f"{link.to_pile.code} {link.get_kind_display()} {link.from_pile.code}: {link.reason}"[:300],
        recorded_by=by,
        recorded_at=timezone.now(),
    )
