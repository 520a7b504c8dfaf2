"""`manage.py verify`: does everything that was approved still come out as it was signed?"""

from __future__ import annotations

import argparse
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from surveys import verifying
from surveys.verifying import Look


def whole(text: str) -> int:
    number = int(text)
    if number < 0:
        raise argparse.ArgumentTypeError("a number of measurements, zero or more")
    return number


class Command(BaseCommand):
    help = (
        "Recomputes approved measurements from their stored inputs, hashes received files, walks the audit "
        "chains and runs the ledger checks. One line a check; exit status 1 if one fails, naming it."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--sample", type=whole, help="so many measurements and files, others each day; default: all"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        today, sample = timezone.now().date(), options["sample"]
        measured = self.say(verifying.look_at_measurements(sample, today))
        others = [
            self.say(verifying.look_at_files(sample, today)),
            self.say(verifying.look_at_counts()),
        ]
        chains = self.say(verifying.look_at_chains())
        ledgers = [self.say(look) for look in verifying.look_at_ledgers()]
        failed = [look for look in (measured, *others, chains, *ledgers) if look.problems]
        verdict = f"; {len(failed)} failed: {', '.join(look.name for look in failed)}" if failed else ""
        self.stdout.write(
            f"verified: {measured.looked_n} measurements, {chains.looked_n} events, "
            f"{len(ledgers)} ledger checks{verdict}"
        )
        if failed:
            raise SystemExit(1)

    def say(self, look: Look) -> Look:
        """The line of a look, and below it what does not hold."""
        verdict = f"FAILED, {len(look.problems)} found" if look.problems else "ok"
        of = "organizations" if look.name.startswith("ledger") else "looked at"
        self.stdout.write(f"{look.name}: {verdict} ({look.looked_n:,} {of})")
        for problem in look.problems:
            self.stdout.write(f"    {problem}")
        self.stdout.flush()
        return look
