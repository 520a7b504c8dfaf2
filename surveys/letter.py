"""The monthly letter of a site, written from its records: short sentences, each number with its ± and source.

What is not known is left out, and a section of which nothing is known is left out whole.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory import gates
from inventory.models import Period
from inventory.sheet import Sheet, sheet_of
from inventory.sheet_lines import Line
from inventory.stock import stock_now
from surveys import alerts
from surveys.limit_tests import UNTESTABLE, limit_tests
from surveys.limit_words import said, trend_said
from surveys.models import Alert
from surveys.outlook_sheet import Outlook, Row, outlook_of
from surveys.pages.figures import NO_BREAK, Units, figure, number
from surveys.pages.wording import MONTHS, day, plural

ZERO = Decimal(0)
SIGNED = (Period.State.APPROVED, Period.State.LOCKED)
CAME_AND_WENT = (
    ("production_t", "made"),
    ("purchases_t", "bought"),
    ("transfers_in_t", "brought from other piles"),
    ("sales_t", "shipped"),
    ("usage_t", "used"),
    ("transfers_out_t", "taken to other piles"),
)


@dataclass(frozen=True)
class Letter:
    """`sections` are headings with their sentences, none of them empty."""

    heading: str
    state: str
    sections: tuple[tuple[str, tuple[str, ...]], ...]

    def as_text(self) -> str:
        """Plain text, lines of whole sentences."""
        lines = [self.heading, self.state]
        for heading, sentences in self.sections:
            lines += ["", heading, *(f"- {sentence}" for sentence in sentences)]
        return "\n".join([*lines, ""]).replace(NO_BREAK, " ")


def letter_of(user: Any, period: Period) -> Letter:
    """The letter of one month, as the records say today. A constant number of queries."""
    site, units = period.site, Units.of(period.site)
    last_day = period.ends_on - dt.timedelta(days=1)
    sheet = sheet_of(period)
    outlook = outlook_of(stock_now(user, on=last_day, site=site), last_day, day_is_over=True)
    tests = limit_tests(user, last_day, site=site)
    sections = (
        ("What lies there", _lies_there(sheet, units)),
        ("What grew and what went", _grew(outlook, period, units)),
        ("What came and what went by the tickets", _came_and_went(sheet, units)),
        ("Whether book and yard agree", _agree(sheet, units)),
        ("How long it lasts", _lasts(outlook, units)),
        (
            "Limits",
            (f"{said(t, units)} {trend_said(t)}".strip() for t in tests if t.state != UNTESTABLE),
        ),
        ("Limits that were not tested", (said(t, units) for t in tests if t.state == UNTESTABLE)),
        ("What needs somebody", _to_do(user, period)),
    )
    kept = tuple((heading, tuple(sentences)) for heading, sentences in sections)
    return Letter(
        heading=f"{site.name}, {MONTHS[period.starts_on.month - 1]} {period.starts_on.year}",
        state=_state(period),
        sections=tuple(section for section in kept if section[1]),
    )


def _state(period: Period) -> str:
    if period.state in SIGNED:
        return f"The month is signed ({period.get_state_display()}). Figures are those of the signed sheet."
    return f"The month is {period.get_state_display()}: not signed, and the figures can still move."


def _lies_there(sheet: Sheet, units: Units) -> Iterator[str]:
    for line in sheet.lines:
        pile = f"{line.pile.code}, {line.pile.material.name}"
        count = line.count
        if line.measured_closing_t is None or count is None:
            if line.book_closing_t:
                held = _mass(line.book_closing_t, units)
                yield f"{pile}: not counted this month. The book says {held} (movements up to the cut-off)."
            continue
        held = figure(line.measured_closing_t, count.tonnes_u95_t, "mass", units)
        source = f"survey of {day(count.counted_on)}"
        if count.certificate_no:
            source += f", certificate {count.certificate_no} v{count.certificate_version}"
        rolled = ""
        if line.rollforward_t:
            rolled = f" {_signed(line.rollforward_t, units)} of it by tickets between survey and cut-off."
        yield f"{pile}: {held} at the cut-off ({source}).{rolled}"


def _grew(outlook: Outlook, period: Period, units: Units) -> Iterator[str]:
    """By two surveys, and only where the last one is of this month."""
    for row in outlook.piles:
        if row.change is None or row.oldest_on is None or row.oldest_on < period.starts_on:
            continue
        change = row.change
        shown = figure(abs(change.tonnes), change.u95_t, "mass", units)
        between = f"surveys of {day(change.since)} and {day(row.oldest_on)}"
        if abs(float(change.tonnes)) <= change.u95_t:
            yield f"{row.pile.code}: no change beyond the ± of {_mass(change.u95_t, units)} ({between})."
        else:
            word = "grew" if change.tonnes > 0 else "went down"
            yield f"{row.pile.code} {word} by {shown} ({between})."


def _came_and_went(sheet: Sheet, units: Units) -> Iterator[str]:
    for total in sheet.by_material():
        parts = [
            f"{word} {_mass(getattr(total, name), units)}"
            for name, word in CAME_AND_WENT
            if getattr(total, name)
        ]
        if parts:
            yield f"{total.key.name}: {', '.join(parts)} (movements of the month, no ± of their own)."


def _agree(sheet: Sheet, units: Units) -> Iterator[str]:
    counted = [line for line in sheet.lines if line.variance_t is not None]
    quiet = [line for line in counted if line.gate == gates.QUIET]
    if quiet:
        yield f"On {len(quiet)} of {plural(len(counted), 'counted pile')} book and yard agree within the ±."
    for line in counted:
        if line.gate != gates.QUIET:
            yield _differs(line, units)


def _differs(line: Line, units: Units) -> str:
    variance = line.variance_t or ZERO
    shown = figure(abs(variance), line.u95_t, "mass", units)
    word = "less" if variance < 0 else "more"
    text = f"{line.pile.code}: the yard holds {shown} {word} than the book (month-end sheet)."
    if line.gate == gates.DRIFT:
        text += " It goes the same way month after month."
    if line.gate == gates.LEVEL:
        text += " It stands at about the same height month after month."
    return text


def _lasts(outlook: Outlook, units: Units) -> Iterator[str]:
    for row in outlook.materials:
        name, ahead = row.pile.material.name, row.ahead
        if ahead.cover is None or ahead.use is None or ahead.reckoned_from is None:
            continue
        test = ahead.use.back_test
        tried = ""
        if test.mean_abs_percent is not None:
            off = f"{number(test.mean_abs_percent, 0)}{NO_BREAK}%"
            tried = f" Tried on {test.origins} months, the rate was off by {off} on the mean."
        yield f"{name}: {_days(row)} from {day(ahead.reckoned_from)}, at the use of the months before.{tried}"


def _days(row: Row) -> str:
    cover = row.ahead.cover
    if cover is None or cover.days is None:
        return "lasts longer than a year"
    until = number(cover.latest, 0) if cover.latest is not None else "more than a year"
    return f"lasts {number(cover.days, 0)} days ({number(cover.earliest or 0.0, 0)} to {until})"


def _to_do(user: Any, period: Period) -> Iterator[str]:
    """Alerts stand today, whatever the month: told in the letter of the newest month alone."""
    if Period.objects.filter(site=period.site_id, starts_on__gt=period.starts_on).exists():
        return
    seen = Alert.objects.for_user(user).filter(site=period.site_id)
    for alert in alerts.standing(seen, dt.datetime.now(dt.UTC).date()).select_related("pile", "owner"):
        owner = str(alert.owner) if alert.owner_id else "nobody yet"
        yield f"By {day(alert.due_on)}, {owner}: {alert.message}"


def _mass(tonnes: Any, units: Units) -> str:
    return f"{number(units.shown(tonnes, 'mass'), 0)}{NO_BREAK}{units.symbol('mass')}"


def _signed(tonnes: Any, units: Units) -> str:
    return f"{number(units.shown(tonnes, 'mass'), 0, signed=True)}{NO_BREAK}{units.symbol('mass')}"
