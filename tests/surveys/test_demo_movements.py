"""What moved in the invented year agrees with its story before anything is measured."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections import defaultdict

import pytest

from inventory.tickets.series import gaps_in
from surveys.demo.monthly import wanted
from surveys.demo.movements import LATE, ON_BELT, belt_totals, flows, loads_of
from surveys.demo.ticketfiles import MONTHS, SHORT_TON_T, ticket_file

SITES = ("DRV", "TUL", "KTV")


def rows_of(site: str, month: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(ticket_file(site, month).data.decode())))


def test_tickets_and_belt_sum_to_the_months_of_the_story():
    written: dict[tuple[str, str, str], float] = defaultdict(float)
    for site in SITES:
        size = SHORT_TON_T if site == "KTV" else 1.0
        for month in MONTHS:
            for row in rows_of(site, month):
                written[row["Date"][:7], row["Pile"], row["Kind"]] += float(row["Net"]) * size
    for month in MONTHS:
        written[month, ON_BELT, "production"] += belt_totals(month)[-1][1]
    for flow in flows():
        if flow.what in ("opening", "net-after-survey", "late-sale"):
            continue
        late_t = 412.0 if (flow.pile, flow.month, flow.what) == (*LATE, "sale") else 0.0
        assert written.pop((flow.month, flow.pile, flow.what)) == pytest.approx(flow.tonnes + late_t, abs=1.0)
    assert not written


def test_what_moves_between_survey_and_cut_off_is_the_storys():
    """But for four months of one pile that only gives away, whose story wants a gain."""
    off = 0
    for want in wanted():
        month = f"{want.surveyed_on:%Y-%m}"
        noon = dt.datetime.combine(want.surveyed_on, dt.time(12), dt.UTC)
        net_t = 0.0
        for load in (load for site in SITES for load in loads_of(site, month) if load.at >= noon):
            sign = 1.0 if load.what in ("production", "purchase") else -1.0
            net_t += sign * load.tonnes if load.pile == want.pile else 0.0
            net_t += load.tonnes if load.to_pile == want.pile else 0.0
        story_t = sum(
            f.tonnes for f in flows() if (f.pile, f.month, f.what) == (want.pile, month, "net-after-survey")
        )
        off += abs(net_t - story_t) > 1.0
        assert want.pile == "TUL-04" or abs(net_t - story_t) <= 1.0
    assert off <= 4


def test_gross_less_tare_is_net_and_every_number_is_once():
    for site in SITES:
        numbers = [row["Ticket"] for month in MONTHS for row in rows_of(site, month)]
        assert len(numbers) == len(set(numbers))
    for row in rows_of("DRV", "2025-05"):
        if row["Gross"]:
            assert round(float(row["Gross"]) - float(row["Tare"]), 2) == float(row["Net"])


def test_the_late_tickets_leave_gaps_until_september():
    august = [row["Ticket"] for row in rows_of("TUL", "2025-08") if row["Ticket"].isdigit()]
    missing = sum(gap.n for gap in gaps_in(august))
    late = [row for row in rows_of("TUL", "2025-09") if row["Date"].startswith("2025-08")]
    assert missing == len(late) == 14
    assert sum(float(row["Net"]) for row in late) == pytest.approx(412.0, abs=0.1)


def test_nothing_moves_on_a_pile_while_it_is_surveyed():
    for want in wanted():
        month = f"{want.surveyed_on:%Y-%m}"
        morning = [
            load
            for load in loads_of(want.pile[:3], month)
            if load.pile == want.pile and load.at.date() == want.surveyed_on and load.at.hour < 13
        ]
        assert morning == []
