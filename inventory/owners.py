"""Whose material a pile holds when it is not the organization's own. One pile, one owner: never mixed."""

from __future__ import annotations

from django.db import transaction

from inventory.audit import record_event
from inventory.entering import lock_piles
from inventory.errors import AcrossOrganizations, NameTaken, OwnersDiffer
from inventory.models import Movement, Organization, Pile, StockOwner, User
from inventory.rights import require
from inventory.validity import required_code, required_text


@transaction.atomic
def add_owner(organization: Organization, *, code: str, name: str, by: User) -> StockOwner:
    """A customer or consignor whose stock is kept apart. Raises `NotAllowed`, `BadEntry`, `NameTaken`."""
    require(by, organization, "keep_materials")
    code = required_code(code)
    if StockOwner.objects.filter(organization=organization, code=code).exists():
        raise NameTaken(f"An owner with the code {code} exists already. Nothing was changed.", where="code")
    owner = StockOwner.objects.create(organization=organization, code=code, name=required_text(name, "name"))
    record_event(organization, by=by, verb="add_owner", subject=owner, detail={"code": code})
    return owner


@transaction.atomic
def rename_owner(owner: StockOwner, name: str, *, by: User) -> StockOwner:
    """Raises `NotAllowed`, `BadEntry`."""
    require(by, owner.organization, "keep_materials")
    owner.name = required_text(name, "name")
    owner.save(update_fields=["name"])
    record_event(owner.organization, by=by, verb="rename_owner", subject=owner, detail={"name": owner.name})
    return owner


@transaction.atomic
def give_pile_to(pile: Pile, owner: StockOwner | None, *, by: User) -> Pile:
    """Whose material the pile holds; `None` is the organization itself. Only while its book is empty:
    material does not change hands by a change of a setting.

    Raises `NotAllowed`, `OwnersDiffer`, `AcrossOrganizations`.
    """
    (pile,) = lock_piles(pile)
    require(by, pile.site.organization, "keep_piles")
    if owner is not None and owner.organization_id != pile.site.organization_id:
        raise AcrossOrganizations(
            "The pile and the owner belong to different organizations. Nothing was changed.", where="owner"
        )
    if owner != pile.owner and Movement.objects.filter(pile=pile).exists():
        raise OwnersDiffer(
            f"Pile {pile.code} has movements already; what it holds belongs to "
            f"{pile.owner.name if pile.owner else 'the company itself'}. Nothing was changed.",
            where="owner",
        )
    pile.owner = owner
    pile.save(update_fields=["owner"])
    code = owner.code if owner is not None else ""
    record_event(pile.site.organization, by=by, verb="give_pile_to", subject=pile, detail={"owner": code})
    return pile
