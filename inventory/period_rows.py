"""The rows of a period's export, its journal lines and its control totals, as texts.

row_hash: SHA-256 of the row's CSV text before its last comma, in UTF-8
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.accounts import accounts_on
from inventory.crossing import LAST_PLACE
from inventory.errors import JournalRefused
from inventory.models import (
    Adjustment,
    JournalEntry,
    Period,
    PeriodPool,
    PeriodStep,
    PeriodValue,
    Pile,
    PileLineage,
)
from inventory.period_forms import csv_line
from inventory.sheet_lines import AMOUNTS, Line
from inventory.valuation import NOTHING, line_amount, per_tonne

COLUMNS: tuple[str, ...] = (
    *("company", "site_code", "site_name", "period", "cutoff_at", "pile_id", "pile_name", "lineage_root"),
    *("material_code", "material_name", "grade", "owner", "tax_class", "unit", "moisture_basis"),
    *("opening_qty", "production_qty", "purchases_qty", "transfers_in_qty", "sales_qty"),
    *("transfers_out_qty", "usage_qty", "reclass_qty", "adjustment_qty", "book_closing_qty"),
    *("certificate_no", "certificate_version", "survey_started_at", "survey_ended_at"),
    *("measured_volume_m3", "density_t_m3", "density_record_id", "measured_at_survey_qty"),
    *("rollforward_qty", "measured_closing_qty", "variance_qty", "variance_pct", "u95_qty"),
    *("gate_result", "cause_code", "cost_method", "unit_cost", "nrv_unit", "carrying_unit"),
    *("book_value", "measured_value", "variance_value", "adjustment_value", "writedown_value"),
    *("gl_inventory", "gl_contra", "cost_centre", "journal_id", "journal_line", "debit", "credit"),
    *("currency", "posting_date", "reverses_journal_id", "prepared_by", "reviewed_by", "approved_by"),
    *("approved_at", "period_state", "export_batch", "row_hash"),
)
SUMMED: tuple[str, ...] = (
    *(name for name in COLUMNS if name.endswith("_qty") and name != "u95_qty"),
    *("measured_volume_m3", "book_value", "measured_value", "variance_value", "adjustment_value"),
    *("writedown_value", "debit", "credit"),
)
JOURNAL_COLUMNS: tuple[str, ...] = (
    *("journal_id", "journal_line", "posting_date", "case", "text", "part", "account", "cost_centre"),
    *("pile_id", "tonnes", "unit_amount", "debit", "credit", "currency", "reverses_journal_id"),
    *("prepared_by", "approved_by", "posted_at"),
)
OWN = "own"
TRAILER = "TRAILER"

Row = dict[str, str]


def owner_of(pile: Pile) -> str:
    return OWN if pile.owner is None else pile.owner.code


def row_hash(row: Row) -> str:
    """SHA-256 of the row's CSV text before its last comma."""
    return hashlib.sha256(csv_line([row[name] for name in COLUMNS[:-1]]).encode("utf-8")).hexdigest()


# --- what a period's rows are made of ----------------------------------------------------------------


@dataclass
class BookOfPeriod:
    """Everything about the period that its rows name, in a fixed number of queries."""

    values: dict[int, PeriodValue]
    pools: list[PeriodPool]
    entries: list[JournalEntry]
    lines_of: dict[int, list[Any]]
    accounts: dict[str, Any]
    adjusted: dict[int, Decimal]
    explained: dict[int, str]
    roots: dict[int, str]
    steps: dict[str, PeriodStep]

    @classmethod
    def of(cls, period: Period) -> BookOfPeriod:
        entries = list(
            JournalEntry.objects.filter(period=period, posted_at__isnull=False)
            .select_related("prepared_by", "approved_by", "reverses")
            .prefetch_related("lines__pile")
            .order_by("number")
        )
        adjusted: dict[int, Decimal] = defaultdict(lambda: NOTHING)
        posted = Adjustment.objects.filter(period=period, movement__isnull=False, amount__isnull=False)
        for pile, tonnes, amount in posted.values_list("pile_id", "tonnes", "amount"):
            adjusted[pile] += abs(amount) if tonnes > 0 else -abs(amount)
        steps = PeriodStep.objects.filter(period=period).select_related("by").order_by("pk")
        explained = period.explanations.order_by("pk").values_list("pile_id", "cause_code")
        return cls(
            values={value.pile_id: value for value in PeriodValue.objects.filter(period=period)},
            pools=list(PeriodPool.objects.filter(period=period)),
            entries=entries,
            lines_of=_by_pile(entries, period.site_id),
            accounts=accounts_on(period.site, period.ends_on - dt.timedelta(days=1)),
            adjusted=adjusted,
            explained=dict(explained),
            roots=_roots(period),
            steps={step.to_state: step for step in steps},
        )


def _by_pile(entries: Iterable[JournalEntry], site_id: int) -> dict[int, list[Any]]:
    """Pile id → (entry, line). A line about no pile of this site goes with the entry's first pile here, so
    that the rows carry every line of the period's journals once."""
    found: dict[int, list[Any]] = defaultdict(list)
    for entry in entries:
        lines = list(entry.lines.all())
        here = [line.pile_id for line in lines if line.pile is not None and line.pile.site_id == site_id]
        for line in lines:
            of_site = line.pile is not None and line.pile.site_id == site_id
            if here:
                found[line.pile_id if of_site else here[0]].append((entry, line))
    return found


def _roots(period: Period) -> dict[int, str]:
    """Pile id → codes of the piles its material began in, for those that have a past."""
    links = PileLineage.objects.filter(
        to_pile__site__organization=period.site.organization_id, effective_on__lt=period.ends_on
    ).select_related("from_pile")
    before: dict[int, list[Pile]] = defaultdict(list)
    for link in links:
        before[link.to_pile_id].append(link.from_pile)

    def origins(pile: Pile, seen: frozenset[int]) -> set[str]:
        earlier = [each for each in before.get(pile.pk, []) if each.pk not in seen]
        if not earlier:
            return {pile.code}
        return set().union(*(origins(each, seen | {pile.pk}) for each in earlier))

    return {
        pk: " ".join(sorted(set().union(*(origins(pile, frozenset({pk})) for pile in piles))))
        for pk, piles in before.items()
    }


# --- one row -------------------------------------------------------------------------------------------


def row_of(line: Line, period: Period, book: BookOfPeriod) -> Row:
    parts = (_place(line, period, book), _quantities(line), _measured(line), _worth(line, book))
    row: Row = {}
    for part in (*parts, _posted(line, period, book), _signed(line, period, book)):
        row.update(part)
    return {name: row.get(name, "") for name in COLUMNS}


def _place(line: Line, period: Period, book: BookOfPeriod) -> Row:
    site, pile, density = period.site, line.pile, line.count and line.count.density
    return {
        "company": text(site.organization.name),
        "site_code": text(site.code),
        "site_name": text(site.name),
        "period": period.name,
        "cutoff_at": moment(period.cutoff_at),
        "pile_id": text(pile.code),
        "pile_name": text(pile.name),
        "lineage_root": text(book.roots.get(pile.pk, pile.code)),
        "material_code": text(pile.material.code),
        "material_name": text(pile.material.name),
        "grade": density.grade if density else "",
        "owner": text(owner_of(pile)),
        "tax_class": text(pile.material.tax_class),
        "unit": "t",
        "moisture_basis": density.moisture_basis if density else "",
    }


def _quantities(line: Line) -> Row:
    row = {name.removesuffix("_t") + "_qty": quantity(getattr(line, name)) for name in AMOUNTS}
    row["book_closing_qty"] = quantity(line.book_closing_t)
    before_t, variance_t = line.book_before_t, line.variance_t
    row["variance_pct"] = "" if variance_t is None or not before_t else f"{100 * variance_t / before_t:.3f}"
    for name in ("rollforward_t", "measured_closing_t", "variance_t", "u95_t"):
        row[name.removesuffix("_t") + "_qty"] = quantity(getattr(line, name))
    return row


def _measured(line: Line) -> Row:
    count = line.count
    if count is None:
        return {"gate_result": line.gate}
    return {
        "certificate_no": text(count.certificate_no or ""),
        "certificate_version": str(count.certificate_version or ""),
        "survey_started_at": moment(count.started_at),
        "survey_ended_at": moment(count.ended_at),
        "measured_volume_m3": quantity(count.volume_m3),
        "density_t_m3": f"{count.density.t_per_m3:.4f}" if count.density else "",
        "density_record_id": count.density.label if count.density else "",
        "measured_at_survey_qty": quantity(count.tonnes),
        "gate_result": line.gate,
    }


def _worth(line: Line, book: BookOfPeriod) -> Row:
    value, pile = book.values.get(line.pile.pk), line.pile
    cause = book.explained.get(pile.pk) or (line.likely or {}).get("code", "")
    if value is None:
        return {"cause_code": text(cause)}
    carrying = value.carrying_amount / value.tonnes if value.tonnes else value.unit_cost
    measured, variance = line.measured_closing_t, line.variance_t
    return {
        "cause_code": text(cause),
        "cost_method": pile.material.cost_method,
        "unit_cost": f"{value.unit_cost:.4f}",
        "nrv_unit": "" if value.nrv_unit is None else f"{value.nrv_unit:.4f}",
        "carrying_unit": f"{per_tonne(carrying):.4f}",
        "book_value": money(value.carrying_amount),
        "measured_value": "" if measured is None else money(line_amount(measured, per_tonne(carrying))),
        "variance_value": "" if variance is None else money(line_amount(variance, value.unit_cost)),
        "adjustment_value": money(book.adjusted.get(pile.pk, NOTHING)),
        "writedown_value": money(value.allowance_change),
    }


def _posted(line: Line, period: Period, book: BookOfPeriod) -> Row:
    posted = book.lines_of.get(line.pile.pk, [])
    inventory = book.accounts["inventory"]
    contra = [each.account for _, each in posted if each.part != "inventory"]
    centres = [each.cost_centre for _, each in posted if each.cost_centre] or [inventory.cost_centre]
    numbers = [entry.number for entry, _ in posted]
    return {
        "gl_inventory": text(inventory.account),
        "gl_contra": text(_listed(contra)),
        "cost_centre": text(_listed(centres)),
        "journal_id": text(_listed(numbers)),
        "journal_line": " ".join(f"{entry.number}/{each.line}" for entry, each in posted),
        "debit": money(sum((each.debit for _, each in posted), NOTHING)),
        "credit": money(sum((each.credit for _, each in posted), NOTHING)),
        "currency": period.site.currency,
        "posting_date": (period.ends_on - dt.timedelta(days=1)).isoformat(),
        "reverses_journal_id": _listed(entry.reverses.number for entry, _ in posted if entry.reverses),
    }


def _signed(line: Line, period: Period, book: BookOfPeriod) -> Row:
    """Prepared by who reconciled, reviewed by who certified the count, approved by who approved the month."""
    reconciled, approved = (book.steps.get(state) for state in ("reconciled", "approved"))
    is_approved = approved is not None and period.state in ("approved", "locked")
    return {
        "prepared_by": text(str(reconciled.by)) if reconciled and period.state != "open" else "",
        "reviewed_by": text(str(line.count.recorded_by)) if line.count else "",
        "approved_by": text(str(approved.by)) if approved and is_approved else "",
        "approved_at": moment(approved.at) if approved and is_approved else "",
        "period_state": period.state,
    }


# --- journals and totals ---------------------------------------------------------------------------------


def journal_rows(entries: Iterable[JournalEntry], currency: str) -> list[Row]:
    """Every line of the posted entries, in the order of their numbers.

    Raises `JournalRefused` where debits and credits of one differ: such a file must not leave the house.
    """
    rows = []
    for entry in entries:
        lines = sorted(entry.lines.all(), key=lambda line: line.line)
        apart = sum((line.debit - line.credit for line in lines), NOTHING)
        if apart:
            raise JournalRefused(
                f"Debits and credits of journal {entry.number} are apart by {apart}. Nothing was exported.",
                where=entry.number,
                remedy="Run the command verify; a posted entry was changed behind the book's back.",
            )
        rows += [_journal_row(entry, line, currency) for line in lines]
    return rows


def _journal_row(entry: JournalEntry, line: Any, currency: str) -> Row:
    return {
        "journal_id": text(entry.number),
        "journal_line": str(line.line),
        "posting_date": entry.posting_on.isoformat(),
        "case": entry.case_code,
        "text": text(entry.text),
        "part": line.part,
        "account": text(line.account),
        "cost_centre": text(line.cost_centre),
        "pile_id": text(line.pile.code) if line.pile else "",
        "tonnes": quantity(line.tonnes),
        "unit_amount": "" if line.unit_amount is None else f"{line.unit_amount:.4f}",
        "debit": money(line.debit),
        "credit": money(line.credit),
        "currency": currency,
        "reverses_journal_id": entry.reverses.number if entry.reverses else "",
        "prepared_by": text(str(entry.prepared_by)),
        "approved_by": text(str(entry.approved_by)) if entry.approved_by else "",
        "posted_at": moment(entry.posted_at),
    }


def trailer_of(rows: Sequence[Row], period: Period, batch: str, book: BookOfPeriod) -> list[Row]:
    """Two rows of the same columns: the sums with the number of rows in `pile_id` and of journals in
    `journal_id`, and what rounding each line left over, in the columns of money."""
    head = {
        "company": TRAILER,
        "site_code": text(period.site.code),
        "period": period.name,
        "unit": "t",
        "currency": period.site.currency,
        "period_state": period.state,
        "export_batch": batch,
    }
    totals = {name: _total(rows, name) for name in SUMMED}
    totals |= {"pile_id": str(len(rows)), "journal_id": str(len(book.entries))}
    left = {"book_value": money(sum((pool.rounding for pool in book.pools), NOTHING))}
    for name, quantity_of, unit in (
        ("measured_value", "measured_closing_qty", "carrying_unit"),
        ("variance_value", "variance_qty", "unit_cost"),
    ):
        exact = sum((Decimal(row[quantity_of]) * Decimal(row[unit]) for row in rows if row[name]), NOTHING)
        left[name] = money(line_amount(exact, Decimal(1)) - Decimal(totals[name]))
    trailer = [
        {**head, "site_name": "control totals", **totals},
        {**head, "site_name": "rounding difference", **left},
    ]
    return [_hashed({name: row.get(name, "") for name in COLUMNS}) for row in trailer]


def _total(rows: Sequence[Row], name: str) -> str:
    total = sum((Decimal(row[name] or 0) for row in rows), NOTHING)
    return quantity(total) if name.endswith(("_qty", "_m3")) else money(total)


def _hashed(row: Row) -> Row:
    return {**row, "row_hash": row_hash(row)}


# --- texts -----------------------------------------------------------------------------------------------

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def text(value: str) -> str:
    """A text that a spreadsheet would run as a formula gets a quote, which keeps it a text."""
    return f"'{value}" if value.startswith(FORMULA_STARTS) else value


def quantity(value: Decimal | None) -> str:
    return "" if value is None else f"{value.quantize(LAST_PLACE):f}"


def money(value: Decimal) -> str:
    return f"{value:.2f}"


def moment(value: dt.datetime | None) -> str:
    """ISO 8601 in UTC to the second: `2025-08-31T22:00:00Z`."""
    return "" if value is None else value.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _listed(values: Iterable[str]) -> str:
    """Each once, in their first order, by blanks."""
    return " ".join(dict.fromkeys(value for value in values if value))
