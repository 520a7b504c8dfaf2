"""`manage.py traverse`: one traverse or field book from a file, no database."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from compute.errors import BadOption
from compute.traverse.adjust import RULES
from compute.traverse.angles import ANGLE_UNITS, parse_direction
from compute.traverse.chain import Control
from compute.traverse.closure import Limits
from compute.traverse.edm import Edm
from compute.traverse.solve import TraverseRequest, solve_traverse
from compute.units import LENGTH_IN_M
from surveys.refusing import RefusingCommand
from surveys.traverse_sheet import traverse_sheet


class Command(RefusingCommand):
    help = "Close and adjust one traverse or field book and compute its shots. Needs no database."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        limits = Limits()
        parser.add_argument("file", help="CSV with a header: courses, angles or a field book")
        parser.add_argument(
            "--station", action="append", default=[], metavar="NAME,NORTHING,EASTING[,ELEVATION]",
            help="a known station; repeat for more",
        )  # fmt: skip
        parser.add_argument(
            "--azimuth", action="append", default=[], metavar="FROM,TO,DIRECTION",
            help="a known direction; repeat for more",
        )  # fmt: skip
        parser.add_argument("--adjust", choices=RULES, default="compass", help="how the misclosure is spread")
        parser.add_argument("--smallest-ratio", type=float, default=limits.smallest_ratio, metavar="R")
        parser.add_argument("--angle-limit", type=float, default=limits.angle_seconds, metavar="SECONDS")
        parser.add_argument("--accept-misclosure", metavar="REASON")
        parser.add_argument("--unit", choices=sorted(LENGTH_IN_M), default="metre")
        parser.add_argument(
            "--angle-unit",
            choices=ANGLE_UNITS,
            default=ANGLE_UNITS[0],
            help="what a bare number is as an angle",
        )
        parser.add_argument(
            "--prism-constant", type=float, default=0.0, metavar="C",
            help="added to slope distances, in the unit of lengths",
        )  # fmt: skip
        parser.add_argument("--ppm", type=float, default=0.0, metavar="P", help="scale of slope distances")

    def answer(self, options: dict[str, Any]) -> None:
        result = solve_traverse(_request(options))
        if options["as_json"]:
            self.stdout.write(json.dumps(result.record, ensure_ascii=False, allow_nan=False))
        else:
            self.stdout.write(traverse_sheet(result, options["unit"]))


def _request(options: dict[str, Any]) -> TraverseRequest:
    """Options are judged before the file is read."""
    for name in ("smallest_ratio", "angle_limit"):
        if not (math.isfinite(options[name]) and options[name] > 0.0):
            raise BadOption(
                "A limit has to be a number greater than 0.", where="--" + name.replace("_", "-"),
                remedy="Give a number.",
            )  # fmt: skip
    reason = options["accept_misclosure"]
    if reason is not None and not reason.strip():
        raise BadOption(
            "A misclosure beyond its limit is accepted only for a reason.", where="--accept-misclosure",
            remedy="Write the reason.",
        )  # fmt: skip
    control = Control(_stations(options["station"]), _azimuths(options["azimuth"], options["angle_unit"]))
    path = options["file"]
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise BadOption(
            f"{path} cannot be read: {error.strerror}.",
            where=path,
            remedy="Check the path and its permissions.",
        ) from error
    return TraverseRequest(
        data, Path(path).name, control, options["adjust"],
        Limits(options["smallest_ratio"], options["angle_limit"]), (reason or "").strip(), options["unit"],
        angle_unit=options["angle_unit"], edm=Edm(options["prism_constant"], options["ppm"]),
    )  # fmt: skip


def _stations(texts: list[str]) -> dict[str, tuple[float, float, float | None]]:
    stations: dict[str, tuple[float, float, float | None]] = {}
    for text in texts:
        name, *numbers = (part.strip() for part in text.split(","))
        try:
            values = [float(number) for number in numbers]
        except ValueError:
            values = []
        if not name or len(values) not in (2, 3) or not all(map(math.isfinite, values)):
            raise BadOption(
                f"“{text}” is no known station.",
                where="--station",
                remedy="Write NAME,NORTHING,EASTING[,ELEVATION].",
            )
        if name in stations:
            raise BadOption(f"{name} is given twice.", where="--station", remedy="Keep one of the two.")
        stations[name] = (values[0], values[1], values[2] if len(values) == 3 else None)
    return stations


def _azimuths(texts: list[str], angle_unit: str) -> dict[tuple[str, str], float]:
    azimuths: dict[tuple[str, str], float] = {}
    for text in texts:
        start, _, rest = text.partition(",")
        end, _, direction = rest.partition(",")
        start, end = start.strip(), end.strip()
        try:
            azimuth = parse_direction(direction, angle_unit)
        except ValueError as error:
            raise BadOption(
                f"“{text}” is no known direction: {error}.",
                where="--azimuth",
                remedy="Write FROM,TO,226-54-23.",
            ) from error
        if not start or not end or start == end:
            raise BadOption(
                f"“{text}” does not name two stations.", where="--azimuth", remedy="Write FROM,TO,226-54-23."
            )
        if (start, end) in azimuths or (end, start) in azimuths:
            raise BadOption(
                f"{start}–{end} is given twice.", where="--azimuth", remedy="Keep one of the two."
            )
        azimuths[start, end] = azimuth
    return azimuths
