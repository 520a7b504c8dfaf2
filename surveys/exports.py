"""Measured stock as tables, and a measured surface in simple open forms.

Tables are UTF-8 with ISO dates, dot decimals and the unit in each head, in m³ and tonnes whatever a site
shows, so that two exports can always be added up. A text that a spreadsheet would take for a formula
is kept a text.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from typing import Any

import numpy as np
import xlsxwriter

from compute import export
from compute.contours import contour_heights, contours
from compute.errors import BadOption
from compute.records import Origin, Surface
from inventory.stock import PileStock, RollUp, StockNow, Total
from surveys.computing import geometry_of
from surveys.errors import EvidenceMissing
from surveys.models import Measurement

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
CSV = "text/csv; charset=utf-8"
PLY = "application/octet-stream"
GEOJSON = "application/geo+json"

Cell = str | Decimal | dt.date | int | None
Row = Sequence[Cell]

SUMS = ("volume_m3", "volume_u95_k2_m3", "tonnes_t", "tonnes_u95_k2_t", "piles", "piles_not_counted")
SUMS += ("counts_without_tonnes", "is_mixed_moisture_basis", "oldest_survey_days")

PILE_HEAD = (
    *("material", "material_name", "site", "site_name", "pile", "pile_name", "surveyed_on", "age_days"),
    *("volume_m3", "volume_u95_k2_m3", "below_base_m3", "tonnes_t", "tonnes_u95_k2_t", "density_t_per_m3"),
    *("density", "moisture_basis", "base", "carried_over_from", "evidence", "evidence_digest"),
)

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def pile_rows(stock: StockNow) -> list[Row]:
    """One row a count, by material, site and pile; a pile without a count has a row without figures."""
    ordered = sorted(stock.piles, key=lambda s: (s.pile.material.code, s.pile.site.code, s.pile.code))
    return [row for pile in ordered for row in _rows_of(pile)]


def _rows_of(stock: PileStock) -> Iterable[Row]:
    pile = stock.pile
    head = (pile.material.code, pile.material.name, pile.site.code, pile.site.name, pile.code, pile.name)
    if not stock.counts:
        yield (*head, *[None] * (len(PILE_HEAD) - len(head)))
    for count in stock.counts:
        density = count.density
        yield (
            *head,
            count.counted_on,
            stock.age_days,
            count.volume_m3,
            count.volume_u95_m3,
            count.below_base_m3,
            count.tonnes,
            count.tonnes_u95_t,
            density.t_per_m3 if density else None,
            density.label if density else None,
            density.moisture_basis if density else None,
            f"v{count.base.version} {count.base.kind}" if count.base else None,
            f"pile {count.pile_id}" if stock.is_carried else None,
            count.evidence_ref,
            count.evidence_digest,
        )


def _sums(roll: RollUp) -> Row:
    total: Total = roll.total
    return (
        total.volume_m3,
        total.volume_u95_m3,
        total.tonnes,
        total.tonnes_u95_t,
        len(roll.piles),
        roll.not_counted_n,
        total.without_tonnes_n,
        "yes" if total.is_mixed_basis else "no",
        roll.oldest_age_days,
    )


def _named(*things: Any) -> Row:
    return [text for thing in things for text in (thing.code, thing.name)]


Table = tuple[Sequence[str], list[Row]]

TABLES: dict[str, Callable[[StockNow], Table]] = {
    "pile": lambda stock: (PILE_HEAD, pile_rows(stock)),
    "material": lambda stock: (
        ("material", "material_name", *SUMS),
        [(*_named(roll.key), *_sums(roll)) for roll in stock.by_material()],
    ),
    "site": lambda stock: (
        ("site", "site_name", *SUMS),
        [(*_named(roll.key), *_sums(roll)) for roll in stock.by_site()],
    ),
    "site-material": lambda stock: (
        ("site", "site_name", "material", "material_name", *SUMS),
        [(*_named(*roll.key), *_sums(roll)) for roll in stock.by_site_and_material()],
    ),
}
"""What a table has a row for → its head and rows. The ± of a sum is not the sum of the ±."""


def stock_csv(stock: StockNow, by: str = "pile") -> bytes:
    """One of `TABLES` by RFC 4180; `BadOption` for another one."""
    head, rows = _table(stock, by)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([_as_text(cell) for cell in row] for row in rows)
    return out.getvalue().encode("utf-8")


def _table(stock: StockNow, by: str) -> Table:
    if by not in TABLES:
        raise BadOption(
            f"There is no table by {by!r}. Nothing was exported.",
            where="by",
            remedy=f"Use one of {', '.join(TABLES)}.",
        )
    return TABLES[by](stock)


def _as_text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        # A spreadsheet runs such a text when it opens the file; the quote keeps it a text.
        return f"'{cell}" if cell.startswith(FORMULA_STARTS) else cell
    return (
        cell.isoformat()
        if isinstance(cell, dt.date)
        else f"{cell:f}"
        if isinstance(cell, Decimal)
        else str(cell)
    )


def stock_xlsx(stock: StockNow) -> bytes:
    """A workbook with a sheet for each of `TABLES`; texts are written as texts, never as formulas."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        formats = {"date": book.add_format({"num_format": "yyyy-mm-dd"})}
        formats["amount"] = book.add_format({"num_format": "#,##0.000"})
        for by in TABLES:
            head, rows = TABLES[by](stock)
            sheet = book.add_worksheet(f"By {by.replace('-', ' and ')}")
            sheet.freeze_panes(1, 0)
            sheet.set_column(0, len(head) - 1, 16)
            for column, name in enumerate(head):
                sheet.write_string(0, column, name, bold)
            for line, row in enumerate(rows, start=1):
                for column, cell in enumerate(row):
                    _write(sheet, line, column, cell, formats)
    return out.getvalue()


def _write(sheet: Any, line: int, column: int, cell: Cell, formats: dict[str, Any]) -> None:
    if isinstance(cell, str):
        sheet.write_string(line, column, cell)
    elif isinstance(cell, dt.date):
        sheet.write_datetime(line, column, dt.datetime.combine(cell, dt.time()), formats["date"])
    elif isinstance(cell, Decimal):
        sheet.write_number(line, column, cell, formats["amount"])
    elif cell is not None:
        sheet.write_number(line, column, cell)


# --- a measured surface ----------------------------------------------------------------------------


def top_of(measurement: Measurement) -> tuple[Surface, Origin]:
    """The top surface in its local frame, and where that lies. `EvidenceMissing` while nothing is kept."""
    if not measurement.geometry_path:
        raise EvidenceMissing(
            f"{measurement} has no surface yet: its state is {measurement.state}. Nothing was exported.",
            where=measurement.evidence_ref,
            remedy="Wait until it is computed.",
        )
    arrays = geometry_of(measurement)
    vertices = arrays["top_vertices"]
    nobody = np.full(len(vertices), -1, dtype=np.int32)
    east, north = (Decimal(repr(float(value))) for value in arrays["origin"])
    surface = Surface(vertices, arrays["top_triangles"], nobody, arrays["top_lines"])
    return surface, Origin(easting_m=east, northing_m=north)


def _ply(measurement: Measurement) -> bytes:
    return export.ply(*top_of(measurement))


def _vertices(measurement: Measurement) -> bytes:
    return export.vertices_csv(*top_of(measurement))


def _contours(measurement: Measurement) -> bytes:
    surface, origin = top_of(measurement)
    heights = surface.vertices_m[:, 2]
    levels = contour_heights(float(heights.min()), float(heights.max()))
    return export.contours_geojson(contours(surface, levels), origin)


SURFACES: dict[str, tuple[str, Callable[[Measurement], bytes]]] = {
    "surface.ply": (PLY, _ply),
    "vertices.csv": (CSV, _vertices),
    "contours.geojson": (GEOJSON, _contours),
}
"""Last part of the address → its media type and what makes its bytes."""


def surface_name(measurement: Measurement, part: str) -> str:
    """A file name that says which pile, day and version it is."""
    code = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in measurement.pile.code)
    return f"{code}-{measurement.surveyed_on}-v{measurement.version}-{part}"
