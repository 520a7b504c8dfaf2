"""Checked rows into the table of movements: a hundred thousand at once, their legs paired."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db import connection

from inventory import lineage_book
from inventory.models import Movement, MovementImport, Pile, User
from inventory.tickets.rows import Row

COLUMNS = (
    "site_id",
    "pile_id",
    "kind",
    "tonnes",
    "moved_at",
    "book_on",
    "belongs_to_id",
    "source",
    "document",
    "scale_id",
    "gross_t",
    "tare_t",
    "given",
    "counterparty",
    "haulier",
    "unit_price",
    "note",
    "from_import_id",
    "line",
    "recorded_by_id",
    "recorded_at",
)
"""What is written of a row; every other column of a movement is empty on a new one."""


def _plain_rows(made: MovementImport, source: str, rows: Iterable[Row]) -> Iterable[tuple[Any, ...]]:
    """Rows as the database takes them, without a model each: that would be most of the time."""
    is_sqlite = connection.vendor == "sqlite"
    zone = "" if is_sqlite else "+00"
    recorded_at = f"{made.at.astimezone(dt.UTC).replace(tzinfo=None)}{zone}"
    for row in rows:
        yield (
            row.pile.site_id,
            row.pile.pk,
            row.kind,
            str(row.tonnes),
            f"{row.moved_at}{zone}",
            str(row.book_on),
            row.late_of.pk if row.late_of is not None else None,
            source,
            row.document,
            row.scale.pk if row.scale is not None else None,
            _text(row.gross_t),
            _text(row.tare_t),
            row.given,
            row.counterparty,
            row.haulier,
            _text(row.unit_price),
            row.note,
            made.pk,
            row.line,
            made.by_id,
            recorded_at,
        )


def _text(value: Decimal | None) -> str | None:
    return None if value is None else str(value)


def insert(made: MovementImport, source: str, rows: Iterable[Row]) -> None:
    """Write the rows past the model, by the fastest way of each database."""
    values = _plain_rows(made, source, rows)
    columns = ", ".join(COLUMNS)
    with connection.cursor() as cursor, connection.wrap_database_errors:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY inventory_movement ({columns}) FROM STDIN") as copy:
                for row in values:
                    copy.write_row(row)
        else:
            holes = ", ".join(["%s"] * len(COLUMNS))
            cursor.executemany(f"INSERT INTO inventory_movement ({columns}) VALUES ({holes})", values)  # noqa: S608


def pair(made: MovementImport, rows: list[Row]) -> None:
    """Let the two legs of every transfer of the file name each other."""
    if not any(row.kind == Movement.Kind.TRANSFER_IN for row in rows):
        return
    legs: dict[int, list[int]] = {}
    of_transfers = made.movements.filter(kind__in=[Movement.Kind.TRANSFER_OUT, Movement.Kind.TRANSFER_IN])
    for pk, line in of_transfers.order_by("pk").values_list("pk", "line"):
        legs.setdefault(line, []).append(pk)
    pairs = [(one, two) for out, into in legs.values() for one, two in ((out, into), (into, out))]
    with connection.cursor() as cursor:
        cursor.executemany("UPDATE inventory_movement SET other_leg_id = %s WHERE id = %s", pairs)


def follow(rows: list[Row], by: User) -> None:
    """What the file brought for piles that another took over since goes there, a sum a day."""
    sums: dict[tuple[Pile, dt.date, Any], Decimal] = {}
    for row in rows:
        if row.pile.closed_on is not None:
            key = (row.pile, row.book_on, row.late_of)
            sums[key] = sums.get(key, Decimal(0)) + row.tonnes
    for (pile, day, late_of), tonnes in sums.items():
        lineage_book.follow_sum(pile, tonnes, day, by, late_of)
