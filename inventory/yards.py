"""What stands between and beside piles: walls, and lines agreed between piles that lie against each other.

Dated and approved by another person, like bases: a measurement pins what is in force on its day.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

from django.db import transaction
from django.db.models import Q

from inventory import validity
from inventory.audit import record_event
from inventory.crossing import decimal_entered
from inventory.errors import BadEntry
from inventory.models import PartitionLine, Pile, Status, User, Wall
from inventory.rights import require, require_other_person

Points = Sequence[Sequence[float]]
Number = Decimal | int | str

MILLIMETRE = Decimal("0.001")
STEEPEST_LEAN_DEG = 45
STEEPEST_REPOSE_DEG = 60


@transaction.atomic
def propose_wall(
    *,
    pile: Pile,
    code: str,
    foot: Points,
    height_m: Number,
    valid_from: dt.date,
    reason: str,
    by: User,
    lean_deg: Number = 0,
    repose_deg: Number | None = None,
    valid_to: dt.date | None = None,
) -> Wall:
    """A wall of a pile, waiting for approval. Raises `NotAllowed`, `BadEntry`, `ValidityOverlap`."""
    require(by, pile.site.organization, "propose_base")
    validity.check_dates(valid_from, valid_to)
    code = validity.required_code(code)
    height, lean = decimal_entered(height_m, "height_m", 3), decimal_entered(lean_deg, "lean_deg", 2)
    if height <= 0 or abs(lean) > STEEPEST_LEAN_DEG:
        raise BadEntry(
            f"A wall {height} m high that leans by {lean}° is none. Nothing was changed.",
            where="height_m" if height <= 0 else "lean_deg",
            remedy=f"Give a height above zero and a lean of at most {STEEPEST_LEAN_DEG}°.",
        )
    Pile.objects.select_for_update().get(pk=pile.pk)
    wall = Wall.objects.create(
        pile=pile,
        code=code,
        foot=_points(foot, 3, "foot"),
        height_m=height,
        lean_deg=lean,
        repose_deg=None if repose_deg is None else _slope(repose_deg, STEEPEST_REPOSE_DEG),
        valid_from=valid_from,
        valid_to=valid_to,
        reason=validity.required_text(reason, "reason"),
        proposed_by=by,
        supersedes=validity.predecessor(pile.walls.filter(code=code), valid_from, valid_to),
    )
    return _recorded(wall, by, "propose_wall")


@transaction.atomic
def propose_partition(
    *,
    left: Pile,
    right: Pile,
    line: Points,
    repose_deg: Number,
    valid_from: dt.date,
    reason: str,
    by: User,
    valid_to: dt.date | None = None,
) -> PartitionLine:
    """A line between two piles of one site, `left` on the left walking along it, waiting for approval.

    A pile has one partition on a day; a third pile in one heap would need a line to each of the others.
    Raises `NotAllowed`, `BadEntry`, `ValidityOverlap`.
    """
    require(by, left.site.organization, "propose_base")
    validity.check_dates(valid_from, valid_to)
    if left.site_id != right.site_id or left.pk == right.pk:
        raise BadEntry(
            f"{left.code} and {right.code} do not lie against each other. Nothing was changed.",
            where="right",
            remedy="Choose two piles of one site.",
        )
    for pile in (left, right):
        Pile.objects.select_for_update().get(pk=pile.pk)
        _refuse_second_partner(pile, left, right, valid_from, valid_to)
    partition = PartitionLine.objects.create(
        left=left,
        right=right,
        line=_points(line, 2, "line"),
        repose_deg=_slope(repose_deg, 90),
        valid_from=valid_from,
        valid_to=valid_to,
        reason=validity.required_text(reason, "reason"),
        proposed_by=by,
        supersedes=validity.predecessor(
            PartitionLine.objects.filter(left=left, right=right), valid_from, valid_to
        ),
    )
    return _recorded(partition, by, "propose_partition")


def _refuse_second_partner(
    pile: Pile, left: Pile, right: Pile, valid_from: dt.date, valid_to: dt.date | None
) -> None:
    others = PartitionLine.objects.filter(Q(left=pile) | Q(right=pile), status=Status.APPROVED)
    others = others.exclude(left=left, right=right).select_related("left", "right")
    others = others.filter(Q(valid_to__isnull=True) | Q(valid_to__gt=valid_from))
    standing = (others if valid_to is None else others.filter(valid_from__lt=valid_to)).first()
    if standing is not None:
        raise BadEntry(
            f"{pile.code} is divided already: {standing.label}, {validity.in_words(standing)}. "
            "Nothing was changed.",
            where=pile.code,
            remedy="Let that line end first, or measure the third pile by a drawn edge.",
        )


@transaction.atomic
def approve(record: Wall | PartitionLine, by: User) -> Wall | PartitionLine:
    """Bring a wall or a partition into force; what it replaces is closed on its first day.

    Raises `NotAllowed`, `SamePerson`, `NotProposed`, `ValidityOverlap`.
    """
    record = _held(record)
    require(by, _pile(record).site.organization, "approve_base")
    validity.check_proposed(record, record.label)
    require_other_person(record.proposed_by, by, record.label)
    validity.make_room(
        record, validity.predecessor(_scope(record).exclude(pk=record.pk), record.valid_from, record.valid_to)
    )
    validity.mark_approved(record, by)
    return _recorded(record, by, "approve_wall" if isinstance(record, Wall) else "approve_partition")


@transaction.atomic
def withdraw(record: Wall | PartitionLine, by: User, reason: str) -> Wall | PartitionLine:
    """Take a proposal back, by who proposed it or by somebody who may approve it."""
    record = _held(record)
    action = "propose_base" if by.pk == record.proposed_by_id else "approve_base"
    require(by, _pile(record).site.organization, action)
    validity.check_proposed(record, record.label)
    validity.withdraw(record, by, reason)
    return _recorded(record, by, "withdraw_wall" if isinstance(record, Wall) else "withdraw_partition")


def walls_on(pile: Pile, day: dt.date) -> list[Wall]:
    """The walls of a pile in force on a day, by code. One query."""
    return list(pile.walls.filter(validity.on_day(day), status=Status.APPROVED).order_by("code"))


def partition_on(pile: Pile, day: dt.date) -> PartitionLine | None:
    """The line that divides a pile from another on a day. One query."""
    mine = PartitionLine.objects.filter(Q(left=pile) | Q(right=pile), status=Status.APPROVED)
    found: PartitionLine | None = (
        mine.filter(validity.on_day(day)).select_related("left", "right").order_by("pk").first()
    )
    return found


def _held(record: Any) -> Any:
    """The row as it is now, the piles locked so that two approvals wait in line."""
    near = (
        ("pile__site__organization",) if isinstance(record, Wall) else ("left__site__organization", "right")
    )
    Pile.objects.select_for_update().get(pk=_pile(record).pk)
    return type(record).objects.select_related("proposed_by", *near).get(pk=record.pk)


def _pile(record: Wall | PartitionLine) -> Pile:
    return record.pile if isinstance(record, Wall) else record.left


def _scope(record: Wall | PartitionLine) -> Any:
    if isinstance(record, Wall):
        return record.pile.walls.filter(code=record.code)
    return PartitionLine.objects.filter(left=record.left_id, right=record.right_id)


def _recorded(record: Any, by: User, verb: str) -> Any:
    detail = {"label": record.label, "status": record.status, "valid_from": record.valid_from}
    record_event(
        _pile(record).site.organization,
        by=by,
        verb=verb,
        subject=record,
        detail={**detail, "reason": record.reason},
    )
    return record


def _slope(given: Number, below: int) -> Decimal:
    slope = decimal_entered(given, "repose_deg", 2)
    if not 0 < slope < below:
        raise BadEntry(
            f"{slope}° is no angle of repose. Nothing was changed.",
            where="repose_deg",
            remedy=f"Give degrees from level, above 0 and below {below}.",
        )
    return slope


def _points(given: Points, wide: int, name: str) -> list[list[float]]:
    """Metres to a tenth of a millimetre, as floats that JSON keeps."""
    try:
        points = [[round(float(value), 4) for value in point] for point in given]
    except (TypeError, ValueError, OverflowError):
        points = []
    whole = len(points) > 1 and all(len(p) == wide and all(abs(v) < 1e9 for v in p) for p in points)
    if not whole or any(a[:2] == b[:2] for a, b in pairwise(points)):
        raise BadEntry(
            f"{name}: two or more different points are needed, each of {wide} numbers. Nothing was changed.",
            where=name,
            remedy="Give easting and northing" + (" and height" if wide == 3 else "") + " of each, in order.",
        )
    return points
