"""Commands that answer in words or in one JSON object, and refuse the same way."""

from __future__ import annotations

import json
import sys
from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandError, CommandParser

from compute.errors import BadOption, Refused
from surveys.printing import refusal_text


class RefusingCommand(BaseCommand):
    """A command without a database: exit status 0 with a result, 2 with a refusal, never a traceback.

    Subclasses write `answer(options)`; with `--json` nothing but one JSON object reaches standard output.
    """

    requires_system_checks = ()
    requires_migrations_checks = False

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        parser = super().create_parser(prog_name, subcommand, **kwargs)

        def error(message: str) -> NoReturn:
            if "--json" not in sys.argv:
                CommandParser.error(parser, message)
            raise SystemExit(
                self.refuse(BadOption(message, where="options", remedy=parser.format_usage()), True)
            )

        # The parser's own way out is prose; a program that asked for JSON gets JSON.
        parser.error = error  # type: ignore[method-assign]
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--json", action="store_true", dest="as_json", help="one JSON object, nothing else"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            self.answer(options)
        except Refused as refusal:
            raise SystemExit(self.refuse(refusal, options["as_json"])) from refusal

    def answer(self, options: dict[str, Any]) -> None:
        raise CommandError(f"{type(self).__module__} has no answer.")

    def refuse(self, refusal: Refused, as_json: bool) -> int:
        """Write the refusal; returns the exit status."""
        if as_json:
            self.stdout.write(json.dumps({"error": refusal.as_dict()}, ensure_ascii=False))
        else:
            self.stderr.write(refusal_text(refusal))
        return 2
