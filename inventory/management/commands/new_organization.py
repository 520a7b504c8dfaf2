"""The first step of a production installation: an organization and the person who keeps its people."""

from __future__ import annotations

import getpass
import os
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inventory.errors import BookRefused
from inventory.people import found_organization

PASSWORD_VARIABLE = "HEAPLEDGER_ADMIN_PASSWORD"  # noqa: S105 - the variable's name, no password


class Command(BaseCommand):
    help = (
        "Create an organization and its administrator. The password is asked for, or taken from "
        f"{PASSWORD_VARIABLE}; it is never an argument, since arguments show in the list of processes."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="name of the organization")
        parser.add_argument(
            "--admin", required=True, metavar="USER", help="sign-in name of the administrator"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        password = os.environ.get(PASSWORD_VARIABLE) or self._ask()
        try:
            organization = found_organization(options["name"], options["admin"], password)
        except BookRefused as refused:
            raise CommandError(f"{refused.message} {refused.remedy}") from refused
        self.stdout.write(f"{organization.name} ({organization.slug}) with administrator {options['admin']}.")

    def _ask(self) -> str:
        password = getpass.getpass("Password of the administrator: ")
        if getpass.getpass("Again: ") != password:
            raise CommandError("The two passwords differ. Nothing was created.")
        return password
