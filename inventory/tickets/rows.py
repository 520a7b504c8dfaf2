"""What the lines of a file become before they are posted."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

from inventory.models import Period, Pile, Scale
from inventory.tickets.report import Report


class Row(NamedTuple):
    """One row of the book. `moved_at` is UTC without zone; `given` is JSON."""

    pile: Pile
    kind: str
    tonnes: Decimal
    moved_at: dt.datetime
    book_on: dt.date
    late_of: Period | None
    document: str
    scale: Scale | None
    gross_t: Decimal | None
    tare_t: Decimal | None
    given: str
    counterparty: str
    haulier: str
    unit_price: Decimal | None
    note: str
    line: int


@dataclass
class Checked:
    """Rows to be posted, if the report holds no problem. `readings` are those of belts, in file order."""

    report: Report
    rows: list[Row] = field(default_factory=list)
    readings: list[tuple[int, Scale, Pile, dt.datetime, Decimal]] = field(default_factory=list)
    already_n: int = 0
