"""What the book knows of a yard, loaded once for a file: piles, owners, scales, openings, closed periods."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Any

from django.db import connection
from django.db.models import Min

from inventory.book_days import Calendar
from inventory.models import Movement, Period, Pile, Scale, Site

_CHUNK = {"sqlite": 900}


class Yard:
    """The piles of the organization by code; those of other sites as `SITE/PILE`, and by code alone where no
    pile of this site has it and only one other site does."""

    def __init__(self, site: Site) -> None:
        self.site = site
        rows = Pile.objects.filter(site__organization=site.organization_id)
        self._all = list(rows.select_related("site__organization", "material", "owner").order_by("pk"))
        elsewhere: dict[str, Pile | None] = {}
        for pile in self._all:
            if pile.site_id != site.pk:
                elsewhere[pile.code] = None if pile.code in elsewhere else pile
        self.piles: dict[str, Pile] = {code: pile for code, pile in elsewhere.items() if pile is not None}
        self.piles.update({f"{pile.site.code}/{pile.code}": pile for pile in self._all})
        self.own = {pile.code: pile for pile in self._all if pile.site_id == site.pk}
        self.piles.update(self.own)
        self.scales = {scale.code: scale for scale in Scale.objects.filter(site=site)}
        kinds = Movement.objects.standing().filter(pile__in=[pile.pk for pile in self._all]).order_by()
        openings = kinds.filter(kind=Movement.Kind.OPENING)
        self.opened_at: dict[int, dt.datetime] = dict(openings.values_list("pile_id", "moved_at"))
        self._calendars: dict[int, Calendar] = {}
        self._booked: dict[tuple[int, dt.date], tuple[dt.date, Period | None]] = {}
        self._kinds = kinds

    def first_moved(self) -> dict[int, dt.datetime]:
        """When the first standing movement of each pile was; asked only by opening balances."""
        return dict(self._kinds.values_list("pile_id").annotate(first=Min("moved_at")))

    def calendar(self, site: Site) -> Calendar:
        if site.pk not in self._calendars:
            self._calendars[site.pk] = Calendar(site)
        return self._calendars[site.pk]

    def booked(self, site: Site, day: dt.date) -> tuple[dt.date, Period | None]:
        """(day on which it counts, the closed period it belongs to or `None`)."""
        key = (site.pk, day)
        if key not in self._booked:
            calendar = self.calendar(site)
            self._booked[key] = (calendar.next_open_day(day), calendar.closed_period(day))
        return self._booked[key]

    def like(self, code: str, known: Iterable[str]) -> str:
        """` (did you mean DRV-05?)`, or empty where nothing known is like it."""
        known = list(known)
        folded = {each.casefold(): each for each in known}
        close = get_close_matches(code.casefold(), list(folded), n=2, cutoff=0.7)
        return f" (did you mean {' or '.join(folded[each] for each in close)}?)" if close else ""

    def in_book(self, source: str, documents: list[str], kinds: set[str]) -> dict[tuple[str, str], Any]:
        """(document, kind) → the standing movement with these documents, as plain values."""
        rows = Movement.objects.standing().filter(site=self.site, source=source, kind__in=kinds).order_by()
        if not documents or not rows.exists():
            return {}
        found: dict[tuple[str, str], Any] = {}
        step = _CHUNK.get(connection.vendor, 5000)
        names = ("document", "kind", "pile_id", "tonnes", "moved_at", "gross_t", "tare_t", "unit_price")
        for start in range(0, len(documents), step):
            part = rows.filter(document__in=documents[start : start + step])
            found.update({(row[0], row[1]): row for row in part.values_list(*names)})
        return found
