"""The one door by which an approved measurement enters the book."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.basing import require_base_in_force
from inventory.crossing import LAST_PLACE, decimal_tonnes, decimal_volume
from inventory.density import density_in_force
from inventory.errors import (
    BadEntry,
    CountNotCurrent,
    CountStands,
    EvidenceChanged,
    PileNotOpen,
    TonnesDoNotFollow,
)
from inventory.models import BaseVersion, DensityRecord, Pile, StockCount, User
from inventory.rights import require
from inventory.superseding import propose_reversals
from inventory.validity import required_text

FIGURES = (
    "pile_id",
    "counted_on",
    "counted_at",
    "volume_m3",
    "below_base_m3",
    "volume_u95_m3",
    "tonnes",
    "tonnes_u95_t",
    "density_id",
    "base_id",
    "evidence_digest",
)
"""What must be the same when the same evidence comes again."""


@transaction.atomic
def record_stock_count(
    pile: Pile,
    *,
    counted_at: dt.datetime,
    volume_m3: float | Decimal,
    below_base_m3: float | Decimal,
    volume_u95_m3: float | Decimal,
    evidence_ref: str,
    evidence_digest: str,
    by: User,
    tonnes: float | Decimal | None = None,
    tonnes_u95_t: float | Decimal | None = None,
    density: DensityRecord | None = None,
    base: BaseVersion | None = None,
    counted_on: dt.date | None = None,
    supersedes: StockCount | None = None,
    certificate_no: str | None = None,
    certificate_version: int | None = None,
    started_at: dt.datetime | None = None,
    ended_at: dt.datetime | None = None,
) -> StockCount:
    """Record what an approved measurement found; again with the same evidence: the count that is there.

    `volume_m3` is net above base, `below_base_m3` the part below as a positive number, `*_u95_*` expanded
    uncertainties (k = 2). `counted_on` is the survey's day, by default the site's day of `counted_at`.
    `density` and `base` must be those in force on that day. `certificate_no` and `_version` name the evidence
    on paper, `started_at` and `ended_at` say between which moments it was taken. `supersedes` is the count
    that this one corrects; it leaves force in the same transaction.

    Raises `NotAllowed`, `PileNotOpen`, `BaseNotInForce`, `NoBaseInForce`, `NoDensityInForce`,
    `TonnesDoNotFollow`, `CountStands`, `CountNotCurrent`, `EvidenceChanged`, `NumberNotFinite`, `BadEntry`.
    """
    # The pile's row is the queue: two approvals of one pile are recorded one after the other.
    pile = (
        Pile.objects.select_for_update(of=("self",))
        .select_related("site__organization", "material")
        .get(pk=pile.pk)
    )
    require(by, pile.site.organization, "approve_measurement")
    count = StockCount(
        pile=pile,
        counted_on=counted_on or pile.site.date_of(counted_at),
        counted_at=counted_at,
        volume_m3=decimal_volume(volume_m3),
        below_base_m3=decimal_volume(below_base_m3),
        volume_u95_m3=decimal_volume(volume_u95_m3),
        tonnes=None if tonnes is None else decimal_tonnes(tonnes),
        tonnes_u95_t=None if tonnes_u95_t is None else decimal_tonnes(tonnes_u95_t),
        density=density,
        base=base,
        evidence_ref=required_text(evidence_ref, "evidence_ref"),
        evidence_digest=required_text(evidence_digest, "evidence_digest"),
        certificate_no=certificate_no,
        certificate_version=certificate_version,
        started_at=started_at,
        ended_at=ended_at,
        recorded_by=by,
        supersedes=supersedes,
    )
    recorded = StockCount.objects.filter(evidence_ref=count.evidence_ref).first()
    if recorded is not None:
        return _same_again(recorded, count)
    _check_open(pile, count.counted_on)
    _check_amounts(count)
    _check_density(count)
    if base is not None:
        _check_base(count)
    count.recorded_at = timezone.now()
    _make_way(count)
    count.save(force_insert=True)
    if supersedes is not None:
        propose_reversals(supersedes, by, new=count)
    _record(count, by, "record_count")
    return count


@transaction.atomic
def withdraw_stock_count(evidence_ref: str, *, by: User, reason: str) -> StockCount:
    """Take the count of withdrawn evidence out of force, without a successor. Twice is once.

    Raises `NotAllowed`, `CountNotCurrent` where a correction already took its place, `BadEntry` without
    a reason, and `StockCount.DoesNotExist` for evidence that never entered the book.
    """
    count = StockCount.objects.select_related("pile__site__organization").get(evidence_ref=evidence_ref)
    Pile.objects.select_for_update().get(pk=count.pile_id)
    count.refresh_from_db(fields=["superseded_at", "withdrawn_by", "withdrawn_reason"])
    require(by, count.pile.site.organization, "approve_measurement")
    if count.withdrawn_by_id is not None:
        return count
    if count.superseded_at is not None:
        raise CountNotCurrent(
            f"The count {count} was superseded at {count.superseded_at:%Y-%m-%d %H:%M} UTC."
        )
    count.withdrawn_reason = required_text(reason, "reason")
    count.withdrawn_by = by
    count.superseded_at = timezone.now()
    count.save(update_fields=["superseded_at", "withdrawn_by", "withdrawn_reason"])
    propose_reversals(count, by, reason=reason)
    _record(count, by, "withdraw_count", reason)
    return count


def _record(count: StockCount, by: User, verb: str, reason: str = "") -> None:
    detail = {
        "pile": count.pile.code,
        "counted_on": count.counted_on,
        "volume_m3": count.volume_m3,
        "tonnes": count.tonnes,
        "evidence_ref": count.evidence_ref,
        "evidence_digest": count.evidence_digest,
        "supersedes": count.supersedes_id,
        "reason": reason,
    }
    record_event(count.pile.site.organization, by=by, verb=verb, subject=count, detail=detail)


def _same_again(recorded: StockCount, count: StockCount) -> StockCount:
    changed = [name for name in FIGURES if getattr(recorded, name) != getattr(count, name)]
    if changed:
        raise EvidenceChanged(
            f"Evidence {count.evidence_ref} is in the book already, with another "
            f"{', '.join(name.removesuffix('_id') for name in changed)}. The count of {recorded.counted_on} "
            "stands untouched.",
            where=f"pile {count.pile.code}",
        )
    return recorded


def _check_open(pile: Pile, day: dt.date) -> None:
    if pile.is_open_on(day):
        return
    span = f"opened on {pile.opened_on}" + (f", closed on {pile.closed_on}" if pile.closed_on else "")
    raise PileNotOpen(
        f"Pile {pile.code} did not exist on {day}: it was {span}. Nothing was recorded.",
        where=f"pile {pile.code}",
    )


def _check_amounts(count: StockCount) -> None:
    for name in ("below_base_m3", "volume_u95_m3", "tonnes_u95_t"):
        value = getattr(count, name)
        if value is not None and value < 0:
            raise BadEntry(
                f"{name} is {value}; it cannot be below zero. Nothing was recorded.",
                where=f"pile {count.pile.code}",
                remedy="Measure again.",
            )
    together = {count.tonnes is None, count.tonnes_u95_t is None, count.density_id is None}
    if len(together) > 1:
        raise BadEntry(
            "Tonnes, their uncertainty and the density that made them come together or not at all. "
            "Nothing was recorded.",
            where=f"pile {count.pile.code}",
            remedy="Measure again with the density in force.",
        )


def _check_density(count: StockCount) -> None:
    if count.density is None or count.tonnes is None:
        return
    right = density_in_force(count.pile, count.counted_on)
    if right.pk != count.density.pk:
        raise TonnesDoNotFollow(
            f"{count.density.label} is not the density in force for pile {count.pile.code} on "
            f"{count.counted_on}; that is {right.label} ({right.t_per_m3.normalize():f} t/m³). "
            "Nothing was recorded.",
            where=f"pile {count.pile.code}",
        )
    # Both were rounded once to the last place, so the product may differ by that much and no more.
    product_t = count.volume_m3 * right.t_per_m3
    allowed_t = LAST_PLACE * (1 + right.t_per_m3)
    if abs(product_t - count.tonnes) > allowed_t:
        raise TonnesDoNotFollow(
            f"{count.volume_m3} m³ at {right.t_per_m3.normalize():f} t/m³ are {product_t:.3f} t, "
            f"not {count.tonnes} t. Nothing was recorded.",
            where=f"pile {count.pile.code}",
        )


def _check_base(count: StockCount) -> None:
    base = count.base
    if base.pile_id != count.pile_id:
        raise BadEntry(
            f"Base {base.label} is of another pile than {count.pile.code}. Nothing was recorded.",
            where=f"pile {count.pile.code}",
            remedy="Measure against the pile's own base.",
        )
    require_base_in_force(base, count.counted_on)


def _make_way(count: StockCount) -> None:
    """Take the corrected count out of force, and refuse where another one of the day would stand."""
    old = count.supersedes
    if old is not None:
        old.refresh_from_db()
        if old.pile_id != count.pile_id or old.superseded_at is not None:
            raise CountNotCurrent(
                f"The count to be corrected ({old}) is of another pile or left force already. "
                "Nothing was recorded.",
                where=f"pile {count.pile.code}",
            )
        old.superseded_at = count.recorded_at
        old.save(update_fields=["superseded_at"])
    standing = StockCount.objects.current().filter(pile=count.pile, counted_on=count.counted_on).first()
    if standing is not None:
        raise CountStands(
            f"Pile {count.pile.code} has a count of {standing.counted_on} already: {standing.volume_m3} m³, "
            f"evidence {standing.evidence_ref}. Nothing was recorded.",
            where=f"pile {count.pile.code}",
        )
