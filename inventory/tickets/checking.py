"""Lines of a file to rows of the book, or to problems with their line, column and remedy.

Written for a hundred thousand lines: what repeats (dates, times, piles, closed days) is worked out once,
and a row is a plain tuple until it is posted.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from decimal import Decimal
from typing import Any

from django.utils import timezone

from inventory.belts import JUST_BEFORE
from inventory.book_days import day_starts_at, late_remedy
from inventory.models import Movement, Period, Pile, Scale
from inventory.tickets.cells import TEXTS, Cells
from inventory.tickets.columns import KIND_WORDS, KINDS_OF, Settings
from inventory.tickets.reading import Table
from inventory.tickets.report import Report, TicketProblem
from inventory.tickets.rows import Checked, Row
from inventory.tickets.values import Clock, Unread
from inventory.tickets.yard import Yard
from inventory.units import WEIGHED_IN_T
from inventory.weighing import in_tonnes, wrong_weights

Kind = Movement.Kind
OUT = frozenset(str(kind) for kind in (Kind.SALE, Kind.USAGE, Kind.OWN_WORKS, Kind.TRANSFER_OUT))
UNIT_WORDS = {
    **{unit: unit for unit in WEIGHED_IN_T},
    "t": "tonne",
    "to": "tonne",
    "mt": "tonne",
    "tonnes": "tonne",
    "kg": "kilogram",
    "kgs": "kilogram",
    "lb": "pound",
    "lbs": "pound",
    "pounds": "pound",
    "sh tn": "short-ton",
    "short ton": "short-ton",
    "short tons": "short-ton",
    "long ton": "long-ton",
    "long tons": "long-ton",
}


class Checker(Cells):
    """Reads the lines of one file. `check` returns what may be posted, and says all that may not."""

    def __init__(self, name: str, table: Table, settings: Settings, yard: Yard) -> None:
        self.report = Report(name, lines_n=len(table.rows))
        super().__init__(settings, self.report)
        self.yard, self.table = yard, table
        self.site = yard.site
        self.clock = Clock(self.site, settings.date_order, settings.clock_change)
        self.out = Checked(self.report)
        self.now = timezone.now().astimezone(dt.UTC).replace(tzinfo=None)
        self.seen: dict[tuple[str, str], int] = {}
        self.unknown: dict[str, str] = {}
        self.timeless = 0
        self.late: Counter[str] = Counter()
        self.when = "moment" if "moment" in self.index else "date"
        self.width = max(self.index.values(), default=-1) + 1
        self.first_moved = yard.first_moved() if settings.what == "opening" else {}
        self.opened = {pk: _plain(at) for pk, at in yard.opened_at.items()}

    def check(self) -> Checked:
        """Every line once; then what only the whole file shows."""
        missing = self.settings.missing()
        if missing:
            self.report.add(TicketProblem(f"no column gives {'; '.join(missing)}", "Choose the columns."))
            return self.out
        for line, cells in self.table.rows:
            self._line(line, cells)
        if self.timeless and self.settings.what not in ("opening", "belt"):
            self.report.remark(
                "no-time",
                f"{self.timeless:,} lines have a date without a time; noon at the site was taken.",
                n=self.timeless,
            )
        for period, n in sorted(self.late.items()):
            self.report.remark(
                "late",
                f"{n:,} lines belong to {period}, which is closed; they count as corrections later.",
                n=n,
            )
        return self.out

    # --- one line ---------------------------------------------------------------------------------

    def _line(self, line: int, cells: list[str]) -> None:
        """The row of one line, or all that is wrong with it."""
        cells = [cell.strip() for cell in cells]
        self.cells, before = cells, self.report.total
        if len(cells) < self.width:
            self._say(line, "", f"has {len(cells)} columns, {self.width} are needed", "Complete the line.")
            return
        what = self._tried(self._what, line, cells)
        pile = self._tried(self._pile, line, cells, "pile")
        when = self._tried(self._moment, line, cells, what)
        if pile is not None and when is not None:
            when = self._tried(self._placed, line, pile, what, *when)
        if self.settings.what == "belt":
            self._tried(self._reading, line, cells, pile, when)
            return
        weights = self._tried(self._weights, line, cells)
        price = self._tried(self._price, line, cells) if "unit_price" in self.index else None
        scale = self._tried(self._scale, line, cells)
        document, counterparty, haulier, note = [self._text(line, cells, name) for name in TEXTS]
        kind = KINDS_OF.get(what, what)
        if document:
            self._once(line, document, kind)
        if pile is not None:
            self._owner(line, cells, pile)
        if self.report.total > before or pile is None or when is None or weights is None:
            return
        moment, day, late_of, book_on = when
        net, gross_t, tare_t, given = weights
        row = Row(
            pile,
            kind,
            -net if kind in OUT else net,
            moment,
            book_on,
            late_of,
            document,
            scale,
            gross_t,
            tare_t,
            given,
            counterparty,
            haulier,
            price,
            note,
            line,
        )
        self.out.rows.append(row)
        if what == "transfer":
            into = self._tried(self._into, line, cells, row, day)
            if into is not None:
                self.out.rows.append(into)

    def _what(self, line: int, cells: list[str]) -> str:
        if self.settings.what != "column":
            return self.settings.what
        word = self._cell(cells, "kind")
        what = KIND_WORDS.get(word.lower())
        if what is None:
            self._wrong(
                line, "kind", f"kind “{word}” is not known", f"Write one of: {', '.join(KIND_WORDS)}."
            )
        if what == "transfer" and "to_pile" not in self.index:
            self._wrong(
                line, "kind", "a transfer without the pile it went to", "Choose the column “To pile”."
            )
        return what

    def _pile(self, line: int, cells: list[str], name: str) -> Pile:
        code = self._cell(cells, name)
        piles = self.yard.piles if name == "to_pile" else self.yard.own
        pile = piles.get(code)
        if pile is None:
            if code not in self.unknown:
                self.unknown[code] = self.yard.like(code, piles)
            said = f"pile “{code}” is unknown{self.unknown[code]}" if code else "the pile is missing"
            self._wrong(line, name, said, "Correct the code, or open the pile first.")
        return pile

    def _moment(self, line: int, cells: list[str], what: str) -> tuple[dt.datetime, dt.date]:
        text = self._cell(cells, self.when)
        try:
            if what == "opening":
                day = self.clock.moment(text, "")[1]
                return _plain(day_starts_at(self.site, day)), day
            moment, day, has_time = self.clock.moment(text, self._cell(cells, "time"))
        except Unread as unread:
            self._wrong(line, self.when, unread.message, unread.remedy)
        self.timeless += not has_time
        if moment > self.now:
            self._wrong(
                line, self.when, f"{text} lies in the future", "Correct the time or the order of the date."
            )
        if self.settings.what == "belt":
            day = self.site.date_of(moment.replace(tzinfo=dt.UTC) - JUST_BEFORE)
        return moment, day

    def _placed(
        self, line: int, pile: Pile, what: str, moment: dt.datetime, day: dt.date
    ) -> tuple[dt.datetime, dt.date, Period | None, dt.date]:
        if not pile.is_open_on(day):
            span = f"opened on {pile.opened_on}" + (f", closed on {pile.closed_on}" if pile.closed_on else "")
            self._wrong(
                line, self.when, f"pile {pile.code} did not exist on {day}: {span}", "Correct pile or date."
            )
        self._opening(line, self.when, pile, what, moment)
        book_on, late_of = self.yard.booked(self.site, day)
        if late_of is not None:
            self._late(line, self.when, moment, day, late_of, book_on)
        return moment, day, late_of, book_on

    def _opening(self, line: int, name: str, pile: Pile, what: str, moment: dt.datetime) -> None:
        opened = self.opened.get(pile.pk)
        if what == "opening":
            first = self.first_moved.get(pile.pk)
            if opened is not None:
                self._wrong(
                    line,
                    "pile",
                    f"pile {pile.code} has an opening balance already",
                    "Reverse the one that stands first, if it is wrong.",
                )
            if first is not None and _plain(first) < moment:
                self._wrong(
                    line,
                    name,
                    f"pile {pile.code} has movements before this opening balance",
                    "Open its book before its first movement.",
                )
            self.opened[pile.pk] = moment
        elif opened is not None and moment < opened:
            self._wrong(
                line,
                name,
                f"lies before the opening balance of pile {pile.code}, which holds it already",
                "Leave the line out, or correct its time.",
            )

    def _late(
        self, line: int, name: str, moment: dt.datetime, day: dt.date, period: Period, book_on: dt.date
    ) -> None:
        if self.settings.accept_late:
            self.late[period.name] += 1
            return
        words = self.yard.calendar(self.site).in_words(moment.replace(tzinfo=dt.UTC), day)
        self._wrong(
            line,
            name,
            f"{words}, in {period.name}, which is {period.get_state_display()}",
            late_remedy(period, book_on),
        )

    def _weights(self, line: int, cells: list[str]) -> tuple[Decimal, Decimal | None, Decimal | None, str]:
        net, gross, tare = (self._number(line, cells, name) for name in ("net", "gross", "tare"))
        wrong = wrong_weights(net, gross, tare)
        if wrong:
            self._wrong(line, "net" if "net" in self.index else "gross", wrong, "Correct the weights.")
        unit = self._unit(line, cells)
        size = WEIGHED_IN_T[unit]
        if net is None:
            net = gross - tare
        tonnes = in_tonnes(net, size)
        if not tonnes:
            self._wrong(
                line, "net", f"{net} is less than half a kilogram", "Check the quantity and its unit."
            )
        if gross is None:
            return tonnes, None, None, f'{{"quantity": "{net}", "unit": "{unit}"}}'
        given = f'{{"quantity": "{net}", "unit": "{unit}", "gross": "{gross}", "tare": "{tare}"}}'
        return tonnes, in_tonnes(gross, size), in_tonnes(tare, size), given

    def _price(self, line: int, cells: list[str]) -> Decimal | None:
        price = self._number(line, cells, "unit_price")
        if price is not None and (price < 0 or price != round(price, 4)):
            self._wrong(
                line, "unit_price", f"a price of {price}", "Give at most four decimal places, not below 0."
            )
        return price

    def _unit(self, line: int, cells: list[str]) -> str:
        word = self._cell(cells, "unit")
        unit = UNIT_WORDS.get(word.lower()) if word else self.settings.unit
        if unit is None:
            self._wrong(
                line,
                "unit",
                f"unit “{word}” may be several or is not known",
                "Write tonne, kg, lb, short ton or long ton.",
            )
        return unit

    def _scale(self, line: int, cells: list[str]) -> Scale | None:
        code = self._cell(cells, "scale") or self.settings.scale
        if not code:
            return None
        scale = self.yard.scales.get(code)
        if scale is None:
            like = self.yard.like(code, self.yard.scales)
            self._wrong(
                line, "scale", f"scale “{code}” is unknown{like}", "Correct the code, or add the scale."
            )
        return scale

    def _owner(self, line: int, cells: list[str], pile: Pile) -> None:
        if "owner" not in self.index:
            return
        code, own = self._cell(cells, "owner"), pile.owner.code if pile.owner is not None else ""
        if code != own:
            self._say(
                line,
                "owner",
                f"pile {pile.code} holds material of {own or 'the company itself'}, not of "
                f"{code or 'the company itself'}",
                "Correct the owner or the pile.",
            )

    def _once(self, line: int, document: str, kind: str) -> None:
        before = self.seen.setdefault((document, kind), line)
        if before != line:
            self._say(
                line,
                "document",
                f"duplicates ticket {document} of line {before}",
                "Leave one of the two lines out.",
            )

    def _into(self, line: int, cells: list[str], out: Row, day: dt.date) -> Row:
        to = self._pile(line, cells, "to_pile")
        if to.pk == out.pile.pk:
            self._wrong(line, "to_pile", f"both piles are {to.code}", "Name two piles.")
        if to.material_id != out.pile.material_id or to.owner_id != out.pile.owner_id:
            self._wrong(
                line,
                "to_pile",
                f"piles {out.pile.code} and {to.code} hold different materials or owners",
                "Correct the pile, or record a reclassification.",
            )
        there = day if to.site_id == self.site.pk else to.site.date_of(out.moved_at.replace(tzinfo=dt.UTC))
        if not to.is_open_on(there):
            self._wrong(line, "to_pile", f"pile {to.code} did not exist on {there}", "Correct pile or date.")
        opened = self.opened.get(to.pk)
        if opened is not None and out.moved_at < opened:
            self._wrong(
                line, "to_pile", f"lies before the opening balance of pile {to.code}", "Correct its time."
            )
        book_on, late_of = self.yard.booked(to.site, there)
        if late_of is not None and not self.settings.accept_late:
            self._wrong(
                line,
                "to_pile",
                f"{there} lies in {late_of.name} of {to.site.code}, which is closed",
                late_remedy(late_of, book_on),
            )
        return out._replace(
            pile=to, kind=Kind.TRANSFER_IN, tonnes=-out.tonnes, book_on=book_on, late_of=late_of
        )

    def _reading(self, line: int, cells: list[str], pile: Pile | None, when: Any) -> None:
        scale = self._scale(line, cells)
        if scale is None or scale.kind != Scale.Kind.BELT:
            self._wrong(line, "scale", "no belt scale is named", "Choose the belt scale that feeds the pile.")
        total = self._number(line, cells, "totaliser")
        if total is None or total < 0:
            self._wrong(line, "totaliser", "the totaliser is missing or below zero", "Correct the reading.")
        total_t = in_tonnes(total, WEIGHED_IN_T[self._unit(line, cells)])
        if pile is not None and when is not None:
            self.out.readings.append((line, scale, pile, when[0].replace(tzinfo=dt.UTC), total_t))


def _plain(moment: dt.datetime) -> dt.datetime:
    """UTC without its zone, as rows hold it: comparing such is several times faster."""
    return moment.astimezone(dt.UTC).replace(tzinfo=None)
