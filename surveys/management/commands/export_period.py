"""`manage.py export_period`: the accountant's export of one site and period."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from compute.errors import BadOption
from inventory.errors import BookRefused
from inventory.models import Period, Site
from inventory.period_export import export_period
from inventory.period_forms import FORMS
from surveys.management.commands.certificate import write
from surveys.refusing import RefusingCommand


class Command(RefusingCommand):
    help = (
        "One row a pile, material and owner of a period, with control totals, for any ledger. "
        "A locked period gives the same bytes every time."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("site", help="code of the site, such as DRV")
        parser.add_argument("period", help="name of the period, such as 2025-08")
        parser.add_argument("--format", choices=list(FORMS), default="csv", help="default: csv")
        parser.add_argument("--output", help="file to write; else standard output")
        parser.add_argument("--organization", help="whose, by its slug, where two have a site of the code")

    def answer(self, options: dict[str, Any]) -> None:
        period = find_period(options["site"], options["period"], options["organization"])
        try:
            data = export_period(period, options["format"])
        except BookRefused as refusal:
            raise BadOption(refusal.message, where=refusal.where, remedy=refusal.remedy) from refusal
        if options["output"]:
            path = Path(options["output"])
            write(path, data)
            self.stderr.write(f"{period}: {path}, {len(data):,} bytes")
            return
        stream = getattr(self.stdout._out, "buffer", None)
        if stream is not None:
            stream.write(data)
        elif options["format"] != "xlsx":
            self.stdout.write(data.decode("utf-8"), ending="")
        else:
            raise BadOption(
                "Standard output takes no bytes here. Nothing was written.",
                where="--output",
                remedy="Name a file with --output.",
            )
        sys.stdout.flush()


def find_period(code: str, name: str, organization: str | None) -> Period:
    """The period named, or `BadOption`: no such site, several of the code, or no such period."""
    sites = Site.objects.filter(code=code).select_related("organization").order_by("organization__slug")
    if organization is not None:
        sites = sites.filter(organization__slug=organization)
    found = list(sites)
    if len(found) != 1:
        owners = ", ".join(site.organization.slug for site in found)
        raise BadOption(
            f"There is no site {code}{f' of {organization}' if organization else ''}. Nothing was exported."
            if not found
            else f"Several organizations have a site {code}: {owners}. Nothing was exported.",
            where="site",
            remedy="Name a site by its code." if not found else "Name one with --organization.",
        )
    periods = Period.objects.filter(site=found[0]).select_related("site__organization")
    period = periods.filter(name=name).first()
    if period is None:
        names = list(periods.order_by("starts_on").values_list("name", flat=True))
        there = f"from {names[0]} to {names[-1]}" if names else "none"
        raise BadOption(
            f"{code} has no period {name}; there is {there}. Nothing was exported.",
            where="period",
            remedy="Name a period as YYYY-MM.",
        )
    return period
