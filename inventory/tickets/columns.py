"""What each column of a file is: proposed from head and values, chosen by people, kept with the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from inventory.errors import BadEntry
from inventory.models import Movement
from inventory.tickets.reading import Table
from inventory.units import WEIGHED_IN_T

FIELDS: dict[str, str] = {
    "document": "Ticket or document",
    "moment": "Date and time",
    "date": "Date",
    "time": "Time",
    "pile": "Pile",
    "to_pile": "To pile",
    "kind": "Kind of movement",
    "net": "Net",
    "gross": "Gross",
    "tare": "Tare",
    "unit": "Unit",
    "totaliser": "Totaliser",
    "scale": "Scale",
    "owner": "Owner",
    "counterparty": "Customer or supplier",
    "haulier": "Haulier or vehicle",
    "unit_price": "Price a tonne",
    "note": "Note",
}
"""Field → how a page names it."""

WHAT: dict[str, str] = {
    "sale": "Sales (weighbridge tickets)",
    "purchase": "Purchases",
    "production": "Production",
    "usage": "Usage (plant feed, blending)",
    "own-works": "Own works",
    "transfer": "Transfers between piles",
    "opening": "Opening balances",
    "belt": "Belt totaliser readings",
    "column": "A column says what each line is",
}
"""What the lines of a file are."""

_HEADS: dict[str, tuple[str, ...]] = {
    "document": (
        "ticket",
        "ticketno",
        "ticketnumber",
        "document",
        "docno",
        "docketno",
        "docket",
        "receipt",
        "number",
        "no",
        "deliverynote",
        "slip",
    ),
    "moment": ("datetime", "timestamp", "dateandtime", "weighedat", "movedat", "readat", "at", "timeout"),
    "date": ("date", "day", "datum", "ticketdate", "bookedon", "on"),
    "time": ("time", "hour", "tickettime"),
    "pile": ("pile", "stockpile", "frompile", "pilecode", "heap", "from", "stock", "pileid"),
    "to_pile": ("topile", "to", "destinationpile", "destination"),
    "kind": ("kind", "type", "movement", "direction", "what"),
    "net": (
        "net",
        "netweight",
        "nett",
        "nettweight",
        "quantity",
        "qty",
        "tonnes",
        "tons",
        "weight",
        "nett",
        "balance",
        "opening",
    ),
    "gross": ("gross", "grossweight", "weightin2", "full"),
    "tare": ("tare", "tareweight", "empty"),
    "unit": ("unit", "uom", "units"),
    "totaliser": ("totaliser", "totalizer", "counter", "reading", "total"),
    "scale": ("scale", "weighbridge", "bridge", "belt", "scalecode"),
    "owner": ("owner", "consignor", "stockowner"),
    "counterparty": ("customer", "supplier", "counterparty", "client", "account", "buyer"),
    "haulier": ("haulier", "hauler", "carrier", "vehicle", "truck", "registration", "plate", "reg"),
    "unit_price": ("price", "unitprice", "pricet", "rate"),
    "note": ("note", "remark", "remarks", "comment", "notes"),
}
_UNIT_IN_HEAD = {
    "t": "tonne",
    "tonne": "tonne",
    "tonnes": "tonne",
    "kg": "kilogram",
    "lb": "pound",
    "lbs": "pound",
    "shortton": "short-ton",
    "longton": "long-ton",
}
_NUMBERS = ("net", "gross", "tare", "totaliser", "unit_price")
_SAMPLE = 400


@dataclass(frozen=True)
class Settings:
    """How to read a file of movements; kept with the import.

    columns      : one field of `FIELDS` for each column, empty for one that is left out
    what         : one of `WHAT`
    date_order   : `ymd`, `dmy` or `mdy` for dates that do not begin with the year; empty: not known
    decimal      : `.` or `,`
    unit         : of the weights, where no column says it
    source       : whose numbers the tickets bear; a ticket is once in a source
    scale        : code of the scale of all lines, where no column says it
    clock_change : for times that happened twice: `refuse`, `first` or `second`
    accept_late  : take lines of a closed period as corrections in the next open one
    """

    columns: tuple[str, ...]
    what: str = "sale"
    delimiter: str = ","
    has_header: bool = True
    decimal: str = "."
    date_order: str = "ymd"
    unit: str = "tonne"
    source: str = "weighbridge"
    scale: str = ""
    clock_change: str = "refuse"
    accept_late: bool = False

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "columns": list(self.columns)}

    def index(self) -> dict[str, int]:
        """Field → place of its column, from 0."""
        return {name: place for place, name in enumerate(self.columns) if name}

    def missing(self) -> list[str]:
        """What no column gives, in words; empty where all that is needed is there."""
        has = set(self.columns)
        wrong = []
        if not has & {"moment", "date"}:
            wrong.append("when it moved (a date, or date and time)")
        if "pile" not in has:
            wrong.append("the pile")
        if self.what == "belt" and "totaliser" not in has:
            wrong.append("the totaliser")
        if self.what != "belt" and "net" not in has and not {"gross", "tare"} <= has:
            wrong.append("the quantity (net, or gross and tare)")
        if self.what == "transfer" and "to_pile" not in has:
            wrong.append("the pile it went to")
        if self.what == "column" and "kind" not in has:
            wrong.append("the kind of movement")
        if self.what == "belt" and "scale" not in has and not self.scale:
            wrong.append("the scale")
        return wrong


_CHOICES: dict[str, Iterable[str]] = {
    "what": WHAT,
    "decimal": (".", ","),
    "date_order": ("ymd", "dmy", "mdy", ""),
    "unit": WEIGHED_IN_T,
    "clock_change": ("refuse", "first", "second"),
}


def settings_from(given: Mapping[str, Any], proposed: Settings) -> Settings:
    """`proposed` with what was chosen instead; `BadEntry` for a choice that there is not."""
    known = {field.name for field in fields(Settings)}
    unknown = sorted(set(given) - known)
    if unknown:
        raise BadEntry(
            f"{', '.join(unknown)}: not a setting. Nothing was posted.",
            where=unknown[0],
            remedy=f"Choose from: {', '.join(sorted(known))}.",
        )
    chosen = replace(proposed, **{**given, "columns": tuple(given.get("columns", proposed.columns))})
    for name, choices in _CHOICES.items():
        if getattr(chosen, name) not in choices:
            raise BadEntry(
                f"{name}: “{getattr(chosen, name)}” is not possible. Nothing was posted.",
                where=name,
                remedy=f"Choose one of: {', '.join(choices)}.",
            )
    named = [name for name in chosen.columns if name]
    for name in named:
        if name not in FIELDS or named.count(name) > 1:
            problem = "is given to two columns" if name in FIELDS else "is no field"
            raise BadEntry(
                f"columns: “{name}” {problem}. Nothing was posted.",
                where="columns",
                remedy=f"Choose each at most once, from: {', '.join(FIELDS)}.",
            )
    return chosen


def propose(table: Table, *, unit: str = "tonne") -> Settings:
    """What the columns probably are, from their heads and values. What is not clear stays empty."""
    columns, head_unit = _columns(table)
    at = {name: place for place, name in enumerate(columns) if name}
    numbers = [cell for name in _NUMBERS if name in at for cell in _cells(table, at[name])]
    dates = [cell for name in ("moment", "date") if name in at for cell in _cells(table, at[name])]
    what = "sale"
    if "totaliser" in at and "net" not in at:
        what = "belt"
    elif "to_pile" in at:
        what = "transfer"
    elif "kind" in at:
        what = "column"
    return Settings(
        columns=tuple(columns),
        what=what,
        delimiter=table.delimiter,
        has_header=bool(table.header),
        decimal=_decimal(numbers),
        date_order=_date_order(dates),
        unit=head_unit or unit,
        source="belt" if what == "belt" else "weighbridge" if "document" in at else "file",
    )


def _columns(table: Table) -> tuple[list[str], str]:
    columns: list[str] = []
    unit = ""
    for head in table.header or [""] * table.width:
        words = re.sub(r"[\(\[].*?[\)\]]", "", head)
        plain = re.sub(r"[^a-z]", "", words.lower())
        inside = re.search(r"[\(\[]\s*([A-Za-z ]+?)\s*[\)\]]|[_ ](t|kg|lb)$", head)
        if inside and (said := _UNIT_IN_HEAD.get((inside[1] or inside[2]).replace(" ", "").lower())):
            unit = unit or said
            plain = re.sub(r"(kg|lb|t)$", "", plain) if inside[2] else plain
        found = next((name for name, heads in _HEADS.items() if plain in heads and name not in columns), "")
        columns.append(found)
    if "moment" not in columns and "date" in columns and "time" not in columns:
        place = columns.index("date")
        if any(":" in cell for cell in _cells(table, place)):
            columns[place] = "moment"
    return columns, unit


def _cells(table: Table, place: int) -> list[str]:
    return [
        cells[place].strip()
        for _, cells in table.rows[:_SAMPLE]
        if place < len(cells) and cells[place].strip()
    ]


def _decimal(numbers: list[str]) -> str:
    """A mark that is followed by other than three digits, or comes last of two, is a decimal mark."""
    commas = sum(1 for each in numbers if re.search(r",\d{1,2}$|,\d{4,}$|\.\d{3},", each))
    dots = sum(1 for each in numbers if re.search(r"\.\d{1,2}$|\.\d{4,}$|,\d{3}\.", each))
    if not commas and not dots:
        commas = sum(1 for each in numbers if "," in each and "." not in each)
        dots = sum(1 for each in numbers if "." in each)
    return "," if commas > dots else "."


def _date_order(dates: list[str]) -> str:
    """`ymd` where the year comes first; else what a number above 12 tells; empty where none does."""
    parts = [re.match(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})", each) for each in dates]
    found = [match for match in parts if match and len(match[1]) < 4]
    if not found:
        return "ymd"
    if any(int(match[1]) > 12 for match in found):
        return "dmy"
    return "mdy" if any(int(match[2]) > 12 for match in found) else ""


KIND_WORDS: dict[str, str] = {
    **{
        kind: kind for kind in ("sale", "purchase", "production", "usage", "own-works", "transfer", "opening")
    },
    "out": "sale",
    "sold": "sale",
    "dispatch": "sale",
    "delivery": "sale",
    "outgoing": "sale",
    "sales": "sale",
    "in": "purchase",
    "bought": "purchase",
    "receipt": "purchase",
    "incoming": "purchase",
    "purchases": "purchase",
    "produced": "production",
    "feed": "usage",
    "plant feed": "usage",
    "blending": "usage",
    "own works": "own-works",
    "opening balance": "opening",
}
"""A word in the column of kinds → the kind, lower case."""

KINDS_OF: dict[str, str] = {"opening": Movement.Kind.OPENING, "transfer": Movement.Kind.TRANSFER_OUT}
"""What a line is → the kind of its (first) row, where the two differ in name."""
