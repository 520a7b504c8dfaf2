"""What happens to a pile: opened, redrawn, renamed, closed, merged, split, moved, become another grade.

Days are half-open: a pile closed on 1 July existed until 30 June, and its successor opened on 1 July.
What the book of a pile holds goes over to its successor in the same transaction (`lineage_book`).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Q

from inventory import lineage_book
from inventory.audit import record_event
from inventory.entering import check_same_owner, lock_piles
from inventory.errors import AcrossOrganizations, BadEntry, NameTaken, PileNotOpen
from inventory.models import Material, Pile, PileLineage, Site, StockOwner, User
from inventory.outlines import Ring, checked_outline, refuse_overlap
from inventory.rights import require
from inventory.validity import required_code, required_text

Points = Iterable[Sequence[float]]


@transaction.atomic
def open_pile(
    *,
    site: Site,
    code: str,
    name: str,
    material: Material,
    opened_on: dt.date,
    by: User,
    outline: Points = (),
    hazards: str = "",
    owner: StockOwner | None = None,
) -> Pile:
    """A new pile. Its code is never given again on the site, not even after it is closed.

    `owner`: whose material it will hold where that is not the organization's own.

    Raises `NotAllowed`, `NameTaken`, `BadOutline`, `OutlinesOverlap`, `AcrossOrganizations`, `BadEntry`.
    """
    require(by, site.organization, "keep_piles")
    pile = _open(site, code, name, material, opened_on, outline, hazards, owner)
    _record(pile, by, "open_pile", material=material.code, opened_on=opened_on)
    return pile


@transaction.atomic
def redraw_outline(pile: Pile, outline: Points, *, by: User) -> Pile:
    """Raises `NotAllowed`, `BadOutline`, `OutlinesOverlap`."""
    require(by, pile.site.organization, "keep_piles")
    ring = checked_outline(outline)
    _refuse_overlap(pile.site, pile.code, ring, pile.opened_on, pile.closed_on)
    pile.outline = ring
    pile.save(update_fields=["outline"])
    _record(pile, by, "redraw_outline", outline=ring)
    return pile


@transaction.atomic
def rename_pile(pile: Pile, name: str, *, by: User) -> Pile:
    """Only the name: the code stands on certificates. Raises `NotAllowed`, `BadEntry`."""
    require(by, pile.site.organization, "keep_piles")
    before, pile.name = pile.name, required_text(name, "name")
    pile.save(update_fields=["name"])
    _record(pile, by, "rename_pile", before=before, after=pile.name)
    return pile


@transaction.atomic
def record_hazards(pile: Pile, hazards: str, *, by: User) -> Pile:
    """What somebody must know before going near the pile. Raises `NotAllowed`."""
    require(by, pile.site.organization, "record_hazards")
    before, pile.hazards = pile.hazards, hazards.strip()
    pile.save(update_fields=["hazards"])
    _record(pile, by, "record_hazards", before=before, after=pile.hazards)
    return pile


@transaction.atomic
def close_pile(pile: Pile, on: dt.date, *, by: User) -> Pile:
    """`on` is the first day without the pile. Raises `NotAllowed`, `PileNotOpen`, `BadEntry`, this also
    where its book still holds tonnes."""
    require(by, pile.site.organization, "keep_piles")
    left_t = lineage_book.held(pile)
    if left_t:
        raise BadEntry(
            f"The book of pile {pile.code} still holds {left_t} t. Nothing was changed.",
            where="closed_on",
            remedy="Record where they went (sale, transfer, usage, adjustment), then close the pile.",
        )
    _close(pile, on)
    _record(pile, by, "close_pile", closed_on=on)
    return pile


@transaction.atomic
def merge_piles(
    piles: Sequence[Pile], *, code: str, name: str, on: dt.date, by: User, reason: str, outline: Points = ()
) -> Pile:
    """Close the piles on the day `on` and open the one they became, with its lineage.

    They must lie on one site and hold one material: mixing grades is another event.
    Raises as `open_pile` and `close_pile`.
    """
    if len({pile.pk for pile in piles}) < 2:
        raise BadEntry(
            "A merge needs two piles or more. Nothing was changed.", where="piles", remedy="Name them."
        )
    site, material = piles[0].site, piles[0].material
    if any(pile.site_id != site.pk or pile.material_id != material.pk for pile in piles):
        raise BadEntry(
            "Only piles of one site and one material merge. Nothing was changed.",
            where="piles",
            remedy="Record the move or the change of material first.",
        )
    require(by, site.organization, "keep_piles")
    for pile in piles:
        check_same_owner(piles[0], pile)
        _close(pile, on)
    merged = _open(site, code, name, material, on, outline, _hazards_of(piles), piles[0].owner)
    for pile in piles:
        _take_over(pile, merged, PileLineage.Kind.MERGED, on, reason, by)
    _record(merged, by, "merge_piles", sources=[pile.code for pile in piles], on=on, reason=reason)
    return merged


@transaction.atomic
def split_pile(
    pile: Pile,
    *,
    code: str,
    name: str,
    on: dt.date,
    by: User,
    reason: str,
    outline: Points = (),
    rest_outline: Points | None = None,
    tonnes: Decimal | None = None,
) -> Pile:
    """Open a pile for a part of `pile`, which goes on with `rest_outline` where one is given.

    `tonnes` of its book go over to the part; without them all stays with `pile` until both are measured,
    as its count does. Raises as `open_pile`, and `PeriodClosed`.
    """
    require(by, pile.site.organization, "keep_piles")
    _check_open(pile, on)
    if rest_outline is not None:
        pile.outline = checked_outline(rest_outline)
        pile.save(update_fields=["outline"])
    part = _open(pile.site, code, name, pile.material, on, outline, pile.hazards, pile.owner)
    link = _record_lineage(pile, part, PileLineage.Kind.SPLIT, on, reason)
    if tonnes is not None:
        lineage_book.carry(link, lineage_book.part_of(pile, tonnes), on, by)
    _record(part, by, "split_pile", source=pile.code, on=on, reason=reason)
    return part


@transaction.atomic
def move_pile(
    pile: Pile, *, site: Site, code: str, name: str, on: dt.date, by: User, reason: str, outline: Points = ()
) -> Pile:
    """Close `pile` and open the one that stands elsewhere with the same material. Raises as `open_pile`."""
    require(by, pile.site.organization, "keep_piles")
    if site.organization_id != pile.site.organization_id:
        raise AcrossOrganizations("The two sites belong to different organizations.", where="site")
    _close(pile, on)
    moved = _open(site, code, name, pile.material, on, outline, pile.hazards, pile.owner)
    _take_over(pile, moved, PileLineage.Kind.MOVED, on, reason, by)
    _record(moved, by, "move_pile", source=pile.code, on=on, reason=reason)
    return moved


@transaction.atomic
def reclassify_pile(
    pile: Pile, *, material: Material, code: str, name: str, on: dt.date, by: User, reason: str
) -> Pile:
    """The whole pile became another grade: close it and open the one of `material` on its ground.

    What its book holds is reclassified at cost. For a part of it, `movements.reclassify` between two piles.
    Raises as `open_pile`, and `PeriodClosed`.
    """
    require(by, pile.site.organization, "keep_piles")
    if material.pk == pile.material_id:
        raise BadEntry(
            f"Pile {pile.code} holds {material.code} already. Nothing was changed.",
            where="material",
            remedy="Choose the material that it became.",
        )
    _close(pile, on)
    became = _open(pile.site, code, name, material, on, pile.outline, pile.hazards, pile.owner)
    _take_over(pile, became, PileLineage.Kind.RECLASSIFIED, on, reason, by)
    _record(became, by, "reclassify_pile", source=pile.code, material=material.code, on=on, reason=reason)
    return became


def _record(pile: Pile, by: User, verb: str, **detail: Any) -> None:
    record_event(pile.site.organization, by=by, verb=verb, subject=pile, detail={"pile": pile.code, **detail})


def _open(
    site: Site,
    code: str,
    name: str,
    material: Material,
    on: dt.date,
    outline: Points,
    hazards: str,
    owner: StockOwner | None,
) -> Pile:
    for other, where in ((material, "material"), (owner, "owner")):
        if other is not None and other.organization_id != site.organization_id:
            raise AcrossOrganizations(
                f"The site and the {where} belong to different organizations.", where=where
            )
    code = required_code(code)
    # The site's row is the queue: two piles opened at once must see each other's outlines.
    Site.objects.select_for_update().get(pk=site.pk)
    if Pile.objects.filter(site=site, code=code).exists():
        raise NameTaken(
            f"Site {site.code} has had a pile {code} already; a code is never given twice. "
            "Nothing was changed.",
            where="code",
        )
    ring = checked_outline(outline)
    _refuse_overlap(site, code, ring, on, None)
    return Pile.objects.create(
        site=site,
        code=code,
        name=required_text(name, "name"),
        material=material,
        outline=ring,
        opened_on=on,
        hazards=hazards.strip(),
        owner=owner,
    )


def _close(pile: Pile, on: dt.date) -> Pile:
    # The pile's row is the queue of its book: nothing may be recorded on it while it ends.
    (held,) = lock_piles(pile)
    _check_open(held, on)
    if on <= pile.opened_on:
        raise BadEntry(
            f"Pile {pile.code} was opened on {pile.opened_on}; closed on {on} it would never have existed.",
            where="closed_on",
            remedy="Give a later day.",
        )
    later = pile.counts.current().filter(counted_on__gte=on).order_by("-counted_on").first()
    if later is not None:
        raise BadEntry(
            f"Pile {pile.code} has a count of {later.counted_on}; it cannot be closed on {on}. "
            "Nothing was changed.",
            where="closed_on",
            remedy="Close it after its last count, or withdraw the count.",
        )
    lineage_book.refuse_if_moved_after(pile, on)
    pile.closed_on = on
    pile.save(update_fields=["closed_on"])
    return pile


def _check_open(pile: Pile, on: dt.date) -> None:
    if pile.closed_on is not None or pile.opened_on > on:
        state = f"was closed on {pile.closed_on}" if pile.closed_on else f"was opened on {pile.opened_on}"
        raise PileNotOpen(f"Pile {pile.code} {state}. Nothing was changed.", where=f"pile {pile.code}")


def _take_over(old: Pile, new: Pile, kind: str, on: dt.date, reason: str, by: User) -> None:
    lineage_book.carry_all(_record_lineage(old, new, kind, on, reason), by)


def _record_lineage(old: Pile, new: Pile, kind: str, on: dt.date, reason: str) -> PileLineage:
    return PileLineage.objects.create(
        from_pile=old, to_pile=new, kind=kind, effective_on=on, reason=required_text(reason, "reason")
    )


def _hazards_of(piles: Sequence[Pile]) -> str:
    """Every hazard of the merged piles, each once: what was dangerous stays so in the new heap."""
    return "\n".join(dict.fromkeys(pile.hazards for pile in piles if pile.hazards))


def _refuse_overlap(site: Site, code: str, ring: Ring, opened_on: dt.date, closed_on: dt.date | None) -> None:
    same_days: Any = Q(closed_on__isnull=True) | Q(closed_on__gt=opened_on)
    if closed_on is not None:
        same_days &= Q(opened_on__lt=closed_on)
    others = Pile.objects.filter(same_days, site=site).exclude(code=code).order_by("code")
    refuse_overlap(code, ring, others.values_list("code", "outline"))
