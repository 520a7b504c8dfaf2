"""`manage.py demo`: the invented yard, through the same doors that people use."""

from __future__ import annotations

import time
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command

from config.processes import one_worker
from surveys.demo import table
from surveys.demo.cast import ADMINISTRATOR, PASSWORD, PEOPLE
from surveys.demo.evidence import DemoRefused
from surveys.demo.seeding import seed
from surveys.demo.yard import COMPANY


class Command(BaseCommand):
    help = f"Set up {COMPANY}, an invented company with a year of surveys. Run again, it goes on."

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.MODE == "production":
            raise CommandError(
                "The demo has accounts with a password that everybody can read. It is not set up in "
                "production. Nothing was changed. Use HEAPLEDGER_MODE=demo and a database of its own."
            )
        call_command("migrate", interactive=False, verbosity=0)
        self.started = time.monotonic()
        try:
            with one_worker():
                book = seed(self.tell)
        except DemoRefused as refusal:
            raise CommandError(f"The demo stopped: {refusal}") from refusal
        self.stdout.write("")
        for line in table.lines(book.cast):
            self.stdout.write(line)
        self.stdout.write("")
        for line in how_to_sign_in():
            self.stdout.write(line)

    def tell(self, what: str) -> None:
        self.stdout.write(f"{time.monotonic() - self.started:6.1f} s  {what}")
        self.stdout.flush()


def how_to_sign_in() -> list[str]:
    names = ", ".join([*PEOPLE, ADMINISTRATOR])
    return [
        f"Sign in at http://127.0.0.1:{settings.PORT}/sign-in/ as lead-surveyor, password {PASSWORD}",
        f"Others, with the same password: {names}",
    ]
