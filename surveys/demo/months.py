"""The months of the invented year, closed one after the other by the people whose duty it is."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from inventory import adjusting, belts, closing, closing_entries, explaining, gates, journals, periods, sheet
from inventory.models import Adjustment, MovementImport, Period, Scale
from inventory.sheet_lines import Line
from inventory.tickets.posting import post_tickets
from surveys.demo.accounts import BELT, WEIGHBRIDGE
from surveys.demo.book import Book
from surveys.demo.evidence import DemoRefused
from surveys.demo.movements import ON_BELT, belt_totals
from surveys.demo.ticketfiles import ticket_file
from surveys.demo.yard import SITES

State = Period.State
QUARTER_ENDS = ("03", "06", "09", "12")
YEAR_END = "12"


@dataclass(frozen=True)
class Posting:
    nature: str
    reason_code: str
    reason: str


POSTED: dict[tuple[str, str], Posting] = {
    ("DRV-05", "2025-04"): Posting(
        "estimate", "set-to-measured", "More lies there than the book says; taken for spillage recovered"
    ),
    ("DRV-01", "2025-08"): Posting(
        "error",
        "belt-scale-drift",
        "The belt scale read about three per cent high since June; calibrated since",
    ),
}
CHIPS = Posting("loss", "natural-loss", "Wood chips lose mass in storage: set to measured each quarter")
EVERYTHING = Posting("estimate", "year-end", "Every pile is set to measured at the end of the year")

SAID: dict[tuple[str, str], tuple[str, str]] = {
    ("DRV-05", "2025-04"): ("other", "The yard was cleaned and spilled material put back on the pile."),
    ("DRV-05", "2025-05"): (
        "wrong-survey",
        "The swing mirrors April. Its pole stood at 2.200 m and was entered as 2.000 m; the certificate of "
        "April is superseded and what was posted on it is reversed this month.",
    ),
    ("TUL-02", "2025-08"): (
        "late-tickets",
        "Fourteen numbers are missing in the ticket series of 20 and 21 August, about 412 t. The tickets "
        "lay at the loading office and come with September's.",
    ),
    ("TUL-03", "2025-09"): (
        "base-changed",
        "The pad was regraded on 5 September, 0.15 m higher. Base v2 is in force; the bridge is on record.",
    ),
}
"""What people said about a variance where it was more than the first cause of the list."""


class Months:
    """Files of movements come in, and a month is counted, reconciled, approved and locked."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.accountant = book.cast.by_name["accountant"]
        self.controller = book.cast.by_name["controller"]

    def take_in(self, month: str) -> None:
        """The month's tickets and belt readings of all sites, as the offices send them."""
        for demo in SITES:
            site = self.book.site(demo.code)
            file = ticket_file(demo.code, month)
            chosen = {
                "what": "column",
                "scale": WEIGHBRIDGE[demo.code],
                "unit": "short-ton" if demo.code == "KTV" else "tonne",
                "accept_late": True,
            }
            posted = post_tickets(site, file.name, file.data, by=self.accountant, chosen=chosen)
            if posted.state != MovementImport.State.POSTED:
                raise DemoRefused(f"{file.name}: {posted.problems}")
        self._read_the_belt(month)

    def _read_the_belt(self, month: str) -> None:
        scale = Scale.objects.select_related("site").get(site=self.book.site(ON_BELT[:3]), code=BELT)
        pile = self.book.pile(ON_BELT)
        last = scale.readings.order_by("-read_at").first()
        year, number = int(month[:4]), int(month[5:])
        begins = dt.datetime(year, number, 1, tzinfo=dt.UTC)
        if last is not None and last.read_at > begins:
            return
        if last is None:
            belts.record_reading(scale, pile, read_at=begins, totaliser="120000", by=self.accountant)
            last = scale.readings.get()
        for read_at, total_t in belt_totals(month):
            shown = last.totaliser_t + Decimal(f"{total_t:.2f}")
            belts.record_reading(scale, pile, read_at=read_at, totaliser=shown, by=self.accountant)

    def close(self, month: str) -> None:
        """Close the month at every site, each step by who may take it."""
        for demo in SITES:
            site = self.book.site(demo.code)
            period = periods.open_period(site, dt.date.fromisoformat(f"{month}-01"), self.accountant)
            if period.state == State.LOCKED:
                continue
            manager = self.book.cast.manager_of(demo.code)
            if period.state == State.OPEN:
                closing.start_counting(period, self.accountant)
            self._settle_adjustments(period)
            self._reconcile(period)
            for line in sheet.sheet_of(period).lines:
                self._explain(period, line)
                self._propose(period, line)
            if self._settle_adjustments(period):
                self._reconcile(period)
            closing_entries.close_journals(period, self.accountant)
            closing.approve(period, manager)
            journals.post_journals(period, self.controller)
            closing.lock(period, self.controller)

    def _reconcile(self, period: Period) -> None:
        period.refresh_from_db()
        if period.state == State.RECONCILED:
            closing.reconcile_again(period, self.accountant)
        else:
            closing.reconcile(period, self.accountant)
        period.refresh_from_db()

    def _explain(self, period: Period, line: Line) -> None:
        key = (line.pile.code, period.name)
        if line.pile.explanations.filter(period=period).exists():
            return
        if key in SAID:
            code, text = SAID[key]
        elif line.gate in gates.STOPS:
            likely = line.likely
            code = "other" if likely is None else str(likely["code"])
            text = "Watched for another month." if likely is None else f"{likely['words']} Watched."
        else:
            return
        explaining.explain(period, line.pile, text, self.accountant, code)

    def _propose(self, period: Period, line: Line) -> None:
        posting = POSTED.get((line.pile.code, period.name))
        month = period.name[5:]
        if posting is None and month == YEAR_END:
            posting = EVERYTHING
        if posting is None and line.pile.material.code == "M8" and month in QUARTER_ENDS:
            posting = CHIPS
        if posting is None or line.count is None or not line.unposted_t:
            return
        if Adjustment.objects.filter(period=period, pile=line.pile).exclude(reason_code="reversal").exists():
            return
        adjusting.propose_adjustment(
            period,
            line.pile,
            tonnes=line.unposted_t,
            nature=posting.nature,
            reason_code=posting.reason_code,
            reason=posting.reason,
            by=self.accountant,
            count=line.count,
        )

    def _settle_adjustments(self, period: Period) -> bool:
        """A controller approves what is proposed, and the accountant posts it; whether anything was."""
        for adjustment in period.adjustments.filter(state=Adjustment.State.PROPOSED):
            adjusting.approve_adjustment(adjustment, self.controller)
        approved = list(period.adjustments.filter(state=Adjustment.State.APPROVED))
        for adjustment in approved:
            adjusting.post_adjustment(adjustment, self.accountant)
        return bool(approved)
