"""The files of movements as each site's office sends them, a month each."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np

from surveys.demo.fieldfiles import FieldFile
from surveys.demo.movements import LATE, ON_BELT, Load, loads_of

MONTHS = tuple(f"2025-{number:02d}" for number in range(1, 13))
FIRST_NUMBER = {"DRV": 40_001, "TUL": 85_001, "KTV": 12_001}
WEIGHED = ("sale", "transfer", "purchase")
SHORT_TON_T = 0.90718474
HEAD = "Ticket,Date,Time,Kind,Pile,To pile,Gross,Tare,Net,Customer,Haulier"


@cache
def _numbers(site: str) -> dict[tuple[str, int], int]:
    """(month, place in it) → ticket number: one series a site over the year, by time."""
    number, found = FIRST_NUMBER[site], {}
    for month in MONTHS:
        for place, load in enumerate(loads_of(site, month)):
            if load.what in WEIGHED:
                found[month, place] = number
                number += 1
    return found


def ticket_file(site: str, month: str) -> FieldFile:
    """What the office of `site` sends after `month`; the late tickets of August come with September's."""
    lines = [
        _line(site, month, place, load)
        for place, load in enumerate(loads_of(site, month))
        if not load.is_late and not _by_belt(load)
    ]
    if (site, month) == (LATE[0][:3], _after(LATE[1])):
        lines = [*late_lines(site), *lines]
    return FieldFile(f"{site}-{month}-tickets.csv", _text([HEAD, *lines]))


def late_lines(site: str) -> list[str]:
    loads = enumerate(loads_of(site, LATE[1]))
    return [_line(site, LATE[1], place, load) for place, load in loads if load.is_late]


def _by_belt(load: Load) -> bool:
    return load.pile == ON_BELT and load.what == "production"


def _after(month: str) -> str:
    return MONTHS[MONTHS.index(month) + 1]


def _line(site: str, month: str, place: int, load: Load) -> str:
    number = _numbers(site).get((month, place))
    size = SHORT_TON_T if site == "KTV" else 1.0
    net = round(load.tonnes / size, 2)
    gross = tare = customer = haulier = ""
    rng = np.random.default_rng([place, int(month[-2:]), ord(site[0])])
    if number is not None and net < 100.0:
        empty = round(float(rng.uniform(13.2, 15.4)) / size, 2)
        gross, tare = f"{net + empty:.2f}", f"{empty:.2f}"
        customer = f"Customer A{int(rng.integers(1, 25)):02d}" if load.what == "sale" else ""
        haulier = f"Haulier H{int(rng.integers(1, 8))}"
    document = str(number) if number is not None else f"{load.pile}-{load.at:%Y%m%d%H%M%S}-{load.what}"
    fields = [
        document, f"{load.at:%Y-%m-%d}", f"{load.at:%H:%M:%S}", load.what, load.pile, load.to_pile,
        gross, tare, f"{net:.2f}", customer, haulier,
    ]  # fmt: skip
    return ",".join(fields)


def _text(lines: Iterable[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode("utf-8")
