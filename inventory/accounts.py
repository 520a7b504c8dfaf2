"""Which accounts of an organization's ledger play which part in its journals, from a day on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone

from inventory.audit import record_event
from inventory.errors import AcrossOrganizations, BadEntry, NameTaken
from inventory.models import AccountCode, Material, Organization, Site, User
from inventory.rights import require
from inventory.validity import required_text


@dataclass(frozen=True)
class Part:
    """What an account stands for, and its number until the organization names its own."""

    words: str
    account: str


PARTS: dict[str, Part] = {
    "inventory": Part("Inventory, finished aggregates and other stock", "1300"),
    "allowance": Part("Inventory allowance: stock written down", "1390"),
    "unbilled-receivable": Part("Unbilled receivables", "1250"),
    "haulage-clearing": Part("Haulage clearing", "2150"),
    "revenue": Part("Revenue", "4000"),
    "cost-of-goods-sold": Part("Cost of goods sold", "5000"),
    "adjustment": Part("Inventory adjustment (cost of goods)", "5100"),
    "shrinkage": Part("Inventory shrinkage (cost of goods)", "5110"),
    "storage-loss": Part("Storage loss (cost of goods)", "5120"),
    "write-down": Part("Write-down expense", "5130"),
    "production-cost": Part("Production cost absorbed / over-absorption", "5200"),
    "job-cost": Part("Job cost, own works", "5300"),
}
"""Part → its words and an account number to begin with. The numbers are our own; common practice groups
assets, liabilities, revenue and expense by their first digit, no source."""


@dataclass(frozen=True)
class Account:
    account: str
    cost_centre: str = ""


@transaction.atomic
def set_account(
    organization: Organization,
    *,
    part: str,
    account: str,
    valid_from: dt.date,
    by: User,
    site: Site | None = None,
    cost_centre: str = "",
) -> AccountCode:
    """Name the account of a part from a day on, for all sites or for one.

    Raises `NotAllowed`, `BadEntry`, `AcrossOrganizations`, and `NameTaken` for a second account of one day.
    """
    require(by, organization, "keep_accounts")
    if part not in PARTS:
        raise BadEntry(
            f"part: “{part}” plays no part in a journal. Nothing was changed.",
            where="part",
            remedy=f"Choose one of: {', '.join(PARTS)}.",
        )
    if site is not None and site.organization_id != organization.pk:
        raise AcrossOrganizations("The site belongs to another organization.", where="site")
    try:
        with transaction.atomic():
            code = AccountCode.objects.create(
                organization=organization,
                site=site,
                part=part,
                account=required_text(account, "account"),
                cost_centre=cost_centre.strip(),
                valid_from=valid_from,
                set_by=by,
                set_at=timezone.now(),
            )
    except IntegrityError:
        raise NameTaken(
            f"The account of “{PARTS[part].words}” from {valid_from} is named already. Nothing was changed.",
            where=part,
            remedy="Name it from another day on.",
        ) from None
    detail = {"part": part, "account": code.account, "cost_centre": code.cost_centre, "from": valid_from}
    record_event(organization, by=by, verb="set_account", subject=code, detail=detail)
    return code


def accounts_on(site: Site, on: dt.date) -> dict[str, Account]:
    """Part → account for a journal of `site` on the day `on`: the site's own, else the organization's,
    else the number to begin with. One query."""
    rows = AccountCode.objects.filter(
        Q(site=site) | Q(site__isnull=True), organization=site.organization_id, valid_from__lte=on
    )
    found = {part: Account(given.account) for part, given in PARTS.items()}
    # The newest last, and the site's own after the organization's.
    for row in sorted(rows, key=lambda row: (row.site_id is not None, row.valid_from, row.pk)):
        found[row.part] = Account(row.account, row.cost_centre)
    return found


@transaction.atomic
def account_for_material(
    material: Material, *, by: User, reason: str, cost_method: str | None = None, tax_class: str | None = None
) -> Material:
    """Choose the cost formula of a material, the same for all its stock (IAS 2.25), and its tax class.

    Periods that were valued keep their values. Raises `NotAllowed`, `BadEntry`.
    """
    require(by, material.organization, "keep_accounts")
    reason = required_text(reason, "reason")
    if cost_method is not None and cost_method not in Material.CostMethod.values:
        raise BadEntry(
            f"cost_method: “{cost_method}” is unknown. Nothing was changed.",
            where="cost_method",
            remedy=f"Choose one of: {', '.join(Material.CostMethod.values)}.",
        )
    before = {"cost_method": material.cost_method, "tax_class": material.tax_class}
    material.cost_method = material.cost_method if cost_method is None else cost_method
    material.tax_class = material.tax_class if tax_class is None else tax_class.strip()
    material.save(update_fields=["cost_method", "tax_class"])
    after = {"cost_method": material.cost_method, "tax_class": material.tax_class}
    detail = {"before": before, "after": after, "reason": reason}
    record_event(material.organization, by=by, verb="account_for_material", subject=material, detail=detail)
    return material
