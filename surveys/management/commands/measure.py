"""`manage.py measure`: one pile from files, no database."""

from __future__ import annotations

import json
import math
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.core.management.base import CommandParser

from compute.coding import assign_roles, merge_rules, parse_rules
from compute.errors import BadOption
from compute.pointfiles import read_points
from compute.pointfiles.edge import read_edge
from compute.records import Density, Shots
from compute.threads import together
from compute.units import LENGTH_IN_M, length_to_m
from surveys.printing import measurement_table
from surveys.refusing import RefusingCommand

if TYPE_CHECKING:
    from compute.building import BaseChoice
    from compute.measure import MeasureRequest

BOOK_VALUE_UNCERTAINTY = 0.07
"""A density without a source is worth ±7 % (1 σ) at best: grade D. Common practice, no source."""


class Command(RefusingCommand):
    help = (
        "Measure one pile: point files in, volume with its uncertainty and findings out. Needs no database."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("top", nargs="+", help="point files of the pile's survey")
        parser.add_argument("--columns", help="column names in order, joined by commas")
        parser.add_argument("--unit", choices=sorted(LENGTH_IN_M), default="metre")
        parser.add_argument("--roles", default="", help="role=PATTERN[|PATTERN] joined by commas")
        parser.add_argument("--base", help="point file of the surveyed ground")
        parser.add_argument("--base-level", type=float, help="fixed level, in the coordinates' unit")
        parser.add_argument("--base-from", choices=("toe", "plane", "lowest-toe"))
        parser.add_argument("--edge", help="outer edge: a GeoJSON polygon in local easting, northing")
        parser.add_argument("--density", type=float, help="tonnes per cubic metre")

    def answer(self, options: dict[str, Any]) -> None:
        request = _request(options)
        from compute.measure import measure

        measured = measure(request)
        if options["as_json"]:
            self.stdout.write(json.dumps(measured.record, ensure_ascii=False, allow_nan=False))
        else:
            self.stdout.write(measurement_table(measured.record, options["density"]))


def _request(options: dict[str, Any]) -> MeasureRequest:
    _check_bases(options)
    density = _density(options["density"])
    rules = merge_rules(parse_rules(options["roles"]))
    columns = tuple(c.strip() for c in options["columns"].split(",")) if options["columns"] else None
    unit = options["unit"]

    def shots_of(paths: list[str]) -> Shots:
        points = [read_points(_bytes(p), Path(p).name, columns=columns, unit=unit) for p in paths]
        return assign_roles(points, rules)

    edge, base = options["edge"], options["base"]
    # Loading the calculator takes longer than reading a file: both at once.
    top, ground, calculator = together(
        lambda: shots_of(options["top"]),
        lambda: None if base is None else shots_of([base]),
        lambda: import_module("compute.measure"),
    )
    request: MeasureRequest = calculator.MeasureRequest(
        top=top,
        base=_base(options, ground),
        edge=read_edge(_bytes(edge), Path(edge).name, unit) if edge else None,
        density=density,
        declared_unit=unit,
    )
    return request


def _check_bases(options: dict[str, Any]) -> None:
    """Options are judged before any file is read."""
    given = [name for name in ("base", "base_level", "base_from") if options[name] is not None]
    if len(given) > 1:
        raise BadOption(
            f"More than one base is given: {', '.join('--' + g.replace('_', '-') for g in given)}.",
            where="options",
            remedy="Keep one of --base, --base-level and --base-from.",
        )
    if options["base_level"] is not None and not math.isfinite(options["base_level"]):
        raise BadOption(
            "A fixed level has to be a finite height.", where="--base-level", remedy="Give a number."
        )


def _base(options: dict[str, Any], ground: Shots | None) -> BaseChoice:
    from compute.building import BaseChoice

    if ground is not None:
        return BaseChoice("surface", shots=ground, label=Path(options["base"]).name)
    if options["base_level"] is not None:
        return BaseChoice("level", level_m=length_to_m(options["base_level"], options["unit"]))
    return BaseChoice(options["base_from"] or "toe")


def _density(t_per_m3: float | None) -> Density | None:
    if t_per_m3 is None:
        return None
    if not 0.0 < t_per_m3 < 30.0:
        raise BadOption(
            f"A density of {t_per_m3} t/m³ is outside 0 to 30.",
            where="--density",
            remedy="Give tonnes per cubic metre, for example 1.6.",
        )
    return Density(t_per_m3, BOOK_VALUE_UNCERTAINTY * t_per_m3, "given on the command line, no source")


def _bytes(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise BadOption(
            f"{path} cannot be read: {error.strerror}.",
            where=path,
            remedy="Check the path and its permissions.",
        ) from error
