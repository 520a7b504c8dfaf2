"""`manage.py serve`: the web server and one worker with its clock, on this machine, until Ctrl-C."""

from __future__ import annotations

import socket
import time
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command

from config.processes import WEB, WORKER, Child, Household

START_SECONDS = 60.0


class Command(BaseCommand):
    help = "Serve the pages and do the jobs, with nothing but this machine."

    def handle(self, *args: Any, **options: Any) -> None:
        if answers():
            raise CommandError(
                f"Port {settings.PORT} is taken on {settings.BIND}. Nothing was started. Stop what uses "
                "it, or choose another with PORT=… (make) or HEAPLEDGER_PORT=…"
            )
        call_command("migrate", interactive=False, verbosity=0)
        web = Child("web server", WEB)
        household = Household(web, Child("worker", WORKER))
        household.leave_on_signals()
        household.start()
        try:
            self.wait_for(web, household)
            household.stay()
        finally:
            household.stop()
            self.stdout.write("Stopped.")

    def wait_for(self, web: Child, household: Household) -> None:
        deadline = time.monotonic() + START_SECONDS
        while not answers():
            if not web.is_alive() and not household.leaving.is_set():
                raise CommandError("The web server did not start; the lines above say why.")
            if time.monotonic() > deadline or household.leaving.wait(0.1):
                return
        self.stdout.write(f"Heapledger serves http://{settings.BIND}:{settings.PORT}/ — Ctrl-C stops it.")
        self.stdout.flush()


def answers() -> bool:
    """Does anything listen where the web server will?"""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex((settings.BIND, settings.PORT)) == 0
