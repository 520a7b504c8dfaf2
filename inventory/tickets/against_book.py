"""What only the whole file beside the book shows: tickets that are there, readings in order, gaps, sums."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from decimal import Decimal

from inventory.models import BeltReading, Movement
from inventory.tickets.columns import Settings
from inventory.tickets.report import TicketProblem
from inventory.tickets.rows import Checked
from inventory.tickets.series import gaps_in
from inventory.tickets.yard import Yard

GAPS_TOLD = 200
MISSING_LOOKED_UP = 20_000


def check_book(checked: Checked, settings: Settings, yard: Yard) -> None:
    """Leave out what the book has already; a ticket that it has with other figures is a problem."""
    report = checked.report
    documents = list(dict.fromkeys(row.document for row in checked.rows if row.document))
    known = yard.in_book(settings.source, documents, {row.kind for row in checked.rows})
    if not known:
        return
    new, again = [], set()
    for row in checked.rows:
        found = known.get((row.document, row.kind))
        if found is None:
            new.append(row)
            continue
        moved_at = found[4].astimezone(dt.UTC).replace(tzinfo=None)
        theirs = (*found[2:4], moved_at, *found[5:])
        ours = (row.pile.pk, row.tonnes, row.moved_at, row.gross_t, row.tare_t, row.unit_price)
        if theirs == ours:
            again.add(row.line)
            continue
        names = ("pile", "tonnes", "time", "gross", "tare", "price")
        changed = [name for name, one, two in zip(names, theirs, ours, strict=True) if one != two]
        message = f"ticket {row.document} is in the book already, with another {', '.join(changed)}"
        report.add(TicketProblem(message, "Reverse the one that stands, or leave the line out.", row.line))
    checked.rows = new
    checked.already_n = len(again)
    if again:
        message = f"{len(again):,} lines are in the book already, with the same figures; not posted again."
        report.remark("already", message, n=len(again))


def check_readings(checked: Checked) -> None:
    """In the order of their time the totaliser of a scale only counts up; what is there is left out."""
    report = checked.report
    ordered = sorted(checked.readings, key=lambda reading: (reading[1].pk, reading[3]))
    scales = {reading[1].pk for reading in ordered}
    last: dict[int, tuple[dt.datetime, Decimal]] = {}
    known: dict[tuple[int, dt.datetime], tuple[int, Decimal]] = {}
    for scale_id, pile_id, at, total_t in (
        BeltReading.objects.filter(scale__in=scales)
        .order_by("read_at")
        .values_list("scale_id", "pile_id", "read_at", "totaliser_t")
    ):
        last[scale_id] = (at, total_t)
        known[(scale_id, at)] = (pile_id, total_t)
    new = []
    for line, scale, pile, at, total_t in ordered:
        there = known.get((scale.pk, at))
        before = last.get(scale.pk)
        if there == (pile.pk, total_t):
            checked.already_n += 1
        elif there is not None:
            report.add(
                TicketProblem(f"scale {scale.code} has another reading of this time", "Correct it.", line)
            )
        elif before is not None and at < before[0]:
            message = (
                f"scale {scale.code} was read later than this already; what it carried until then is booked"
            )
            report.add(TicketProblem(message, "Leave the line out.", line))
        elif before is not None and total_t < before[1]:
            message = f"the totaliser of scale {scale.code} goes back from {before[1]} t to {total_t} t"
            remedy = "Correct the reading. If it was set back or replaced, add it as a new scale."
            report.add(TicketProblem(message, remedy, line))
        else:
            last[scale.pk] = (at, total_t)
            known[(scale.pk, at)] = (pile.pk, total_t)
            new.append((line, scale, pile, at, total_t))
    checked.readings = new


def tell_gaps(checked: Checked, settings: Settings, yard: Yard) -> None:
    """Numbers that neither the file nor the book has; a remark, since a ticket may have been made void."""
    documents = [row.document for row in checked.rows if row.document]
    if not documents:
        return
    earlier = Movement.objects.filter(site=yard.site, source=settings.source).exclude(document="")
    last = earlier.order_by("-moved_at", "-pk").values_list("document", flat=True)[:1]
    gaps = gaps_in(documents, last)
    missing_n = sum(gap.n for gap in gaps)
    if 0 < missing_n <= MISSING_LOOKED_UP:
        wanted = [number for gap in gaps for number in gap.numbers()]
        known = {found[0] for found in yard.in_book(settings.source, wanted, set(Movement.Kind.values))}
        gaps = gaps_in(documents, [*last, *known])
        missing_n = sum(gap.n for gap in gaps)
    if gaps:
        told = ", ".join(str(gap) for gap in gaps[:5]) + (" and others" if len(gaps) > 5 else "")
        tickets = "ticket is" if missing_n == 1 else "tickets are"
        listed = [{"first": gap.first, "last": gap.last, "n": gap.n} for gap in gaps[:GAPS_TOLD]]
        checked.report.remark(
            "gaps", f"{missing_n:,} {tickets} missing from the series: {told}.", n=missing_n, gaps=listed
        )


def summarise(checked: Checked) -> None:
    """Lines and tonnes by pile and kind, so that a person sees what would be posted."""
    lines: Counter[tuple[str, str]] = Counter()
    tonnes: dict[tuple[str, str], Decimal] = {}
    for row in checked.rows:
        key = (row.pile.code, row.kind)
        lines[key] += 1
        tonnes[key] = tonnes.get(key, Decimal(0)) + row.tonnes
    rows = [
        {"pile": pile, "kind": kind, "lines": lines[pile, kind], "tonnes": f"{tonnes[pile, kind]}"}
        for pile, kind in sorted(lines)
    ]
    if rows:
        checked.report.remark("sums", f"{len(rows)} sums by pile and kind.", rows=rows)
