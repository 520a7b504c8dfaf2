"""`manage.py certificate`: the PDF of a certificate by its number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from compute.errors import BadOption
from surveys.certificates.finding import find_certified
from surveys.certificates.making import certificate
from surveys.certificates.numbering import asked_for, certificate_of
from surveys.refusing import RefusingCommand


class Command(RefusingCommand):
    help = (
        "The PDF of a certificate: PILE/YYYY-MM-DD for the newest approved version; with /v1 that version, "
        "a superseded one too. Into a pipe or a redirected output it writes the bytes, at a terminal a file."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("number", help="number of the certificate, such as DRV-05/2025-04-30 or with /v1")
        parser.add_argument("--output", help="file to write, or - for standard output")
        parser.add_argument(
            "--organization", help="whose, by its slug, where two organizations have the number"
        )
        parser.add_argument("--site", help="where, by its code, where one organization has two such piles")

    def answer(self, options: dict[str, Any]) -> None:
        measurement = find_certified(asked_for(options["number"]), options["organization"], options["site"])
        made = certificate(measurement)
        stream = self.bytes_out(options)
        if stream is not None:
            stream.write(made.data)
            return
        path = Path(options["output"] or made.name)
        write(path, made.data)
        number, version = certificate_of(measurement)
        self.say(number, version, measurement.state, path, len(made.data), options["as_json"])

    def bytes_out(self, options: dict[str, Any]) -> Any:
        """Where the bytes go, if not into a file: asked for, or standard output is no terminal."""
        stream = getattr(self.stdout._out, "buffer", None)
        if options["output"] == "-":
            if stream is None:
                raise BadOption("Standard output takes no bytes here. Nothing was written.", where="--output")
            return stream
        if options["output"] is None and not options["as_json"] and not self.stdout.isatty():
            return stream
        return None

    def say(self, number: str, version: int, state: str, path: Path, size: int, as_json: bool) -> None:
        if as_json:
            body = {"number": number, "version": version, "state": state, "file": str(path), "bytes": size}
            self.stdout.write(json.dumps(body, ensure_ascii=False))
        else:
            self.stdout.write(f"{number} version {version}, {state}: {path}, {size:,} bytes")


def write(path: Path, data: bytes) -> None:
    """All of it under its name, or nothing: a half-written certificate could be taken for one."""
    partial = path.with_name(path.name + ".part")
    try:
        partial.write_bytes(data)
        partial.replace(path)
    except OSError as fault:
        partial.unlink(missing_ok=True)
        raise BadOption(
            f"{path} cannot be written: {fault.strerror}. Nothing was written.",
            where="--output",
            remedy="Choose a folder that exists and may be written to.",
        ) from fault
