"""What the book says a pile holds, on a day or at a moment, and the sums by material, owner and site.

A balance is the sum of everything ever booked, reversals and what they reversed among it. It starts from
the line of the last locked period where no earlier one was opened again, so that ten years of tickets are
not added up for one sheet. Every function takes the same few queries whatever the history.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Exists, OuterRef, Q, Subquery, Sum
from django.utils import timezone

from inventory.crossing import LAST_PLACE
from inventory.models import Movement, Period, PeriodLine, Pile, Restatement, Site

ZERO = Decimal("0.000")


def book_balances(piles: Iterable[Pile], *, on: dt.date) -> dict[int, Decimal]:
    """Tonnes of each pile at the end of the day `on`, by id; zero where nothing was booked. Two queries."""
    return _sums(piles, Q(book_on__lte=on), on)


def balances_at(piles: Iterable[Pile], *, at: dt.datetime) -> dict[int, Decimal]:
    """Tonnes of each pile before the moment `at`, by when things moved, not by when they were booked.

    Late tickets lie in their own time here. Two queries.
    """
    piles = list(piles)
    # A row counts on the day it moved or later, so what a line holds moved before its cut-off.
    first = min((pile.site.date_of(at) for pile in piles), default=at.date())
    return _sums(piles, Q(moved_at__lt=at), first - dt.timedelta(days=1))


def flows(piles: Iterable[Pile], *, since: dt.date, until: dt.date) -> dict[int, dict[str, Decimal]]:
    """Tonnes by pile id and kind booked on the days `since <= day < until`, signed as on the pile.

    Every pile is there; a kind only where something was booked. One query.
    """
    by_pile: dict[int, dict[str, Decimal]] = {pile.pk: {} for pile in piles}
    rows = Movement.objects.filter(pile__in=by_pile, book_on__gte=since, book_on__lt=until)
    for row in rows.order_by().values("pile_id", "kind").annotate(t=Sum("tonnes")):
        by_pile[row["pile_id"]][row["kind"]] = row["t"].quantize(LAST_PLACE)
    return by_pile


def _sums(piles: Iterable[Pile], condition: Q, on: dt.date) -> dict[int, Decimal]:
    ids = [pile.pk for pile in piles]
    anchors = {line.pile_id: line for line in _anchors(ids, on)}
    balances = {pk: anchors[pk].book_closing_t if pk in anchors else ZERO for pk in ids}
    rows = Movement.objects.filter(condition, pile__in=ids).order_by()
    if anchors:
        late = Q(pk__in=[])
        by_day: dict[dt.date, list[int]] = {}
        for line in anchors.values():
            by_day.setdefault(line.period.ends_on, []).append(line.pile_id)
        for day, of_day in by_day.items():
            late |= Q(pile__in=of_day, book_on__gte=day)
        rows = rows.filter(late | ~Q(pile__in=list(anchors)))
    for row in rows.values("pile_id").annotate(t=Sum("tonnes")):
        balances[row["pile_id"]] += row["t"].quantize(LAST_PLACE)
    return balances


def _anchors(ids: list[int], on: dt.date) -> Any:
    """The newest line of each pile that was locked, ended by `on`, and follows no period opened again."""
    opened_again = Restatement.objects.filter(
        period__site=OuterRef("period__site"),
        period__starts_on__lt=OuterRef("period__starts_on"),
        agreed_at__isnull=False,
    )
    locked = PeriodLine.objects.filter(
        ~Exists(opened_again),
        period__state=Period.State.LOCKED,
        period__ends_on__lte=on + dt.timedelta(days=1),
    )
    newest = locked.filter(pile=OuterRef("pk")).order_by("-period__ends_on").values("pk")[:1]
    chosen = Pile.objects.filter(pk__in=ids).order_by().annotate(line=Subquery(newest)).values("line")
    return PeriodLine.objects.filter(pk__in=chosen).select_related("period").order_by()


@dataclass(frozen=True)
class PileBalance:
    """`tonnes` that the book says the pile holds."""

    pile: Pile
    tonnes: Decimal


@dataclass(frozen=True)
class BookSum:
    """A sum over piles that have `key` in common; the company's own stock and customers' apart."""

    key: Any
    rows: tuple[PileBalance, ...]

    @property
    def own_t(self) -> Decimal:
        return sum((row.tonnes for row in self.rows if row.pile.owner_id is None), ZERO)

    @property
    def of_others_t(self) -> Decimal:
        return sum((row.tonnes for row in self.rows if row.pile.owner_id is not None), ZERO)

    @property
    def tonnes(self) -> Decimal:
        """All that lies there, whoever owns it."""
        return self.own_t + self.of_others_t


@dataclass(frozen=True)
class Book:
    """Balances of the piles a person may see, by site and pile code."""

    rows: tuple[PileBalance, ...]

    @property
    def everything(self) -> BookSum:
        return BookSum(None, self.rows)

    def by_pile(self) -> tuple[BookSum, ...]:
        return self.grouped(lambda pile: pile)

    def by_material(self) -> tuple[BookSum, ...]:
        return self.grouped(lambda pile: pile.material)

    def by_site(self) -> tuple[BookSum, ...]:
        return self.grouped(lambda pile: pile.site)

    def by_owner(self) -> tuple[BookSum, ...]:
        """`key` is `None` for the company's own stock."""
        return self.grouped(lambda pile: pile.owner)

    def grouped(self, key_of: Callable[[Pile], Any]) -> tuple[BookSum, ...]:
        groups: dict[Any, list[PileBalance]] = {}
        for row in self.rows:
            groups.setdefault(key_of(row.pile), []).append(row)
        return tuple(
            BookSum(key, tuple(rows))
            for key, rows in sorted(groups.items(), key=lambda item: getattr(item[0], "code", ""))
        )


def book_of(user: Any, *, on: dt.date | None = None, site: Site | None = None) -> Book:
    """What the book holds at the end of the day `on` (today by default), on one site or on all.

    Open piles, and closed ones that still hold something. Three queries, whatever the history.
    """
    piles = Pile.objects.for_user(user).select_related("site__organization", "material", "owner")
    if site is not None:
        piles = piles.filter(site=site)
    ordered = list(piles.order_by("site__code", "code"))
    day = on or timezone.now().date() + dt.timedelta(days=1)
    balances = book_balances(ordered, on=day)
    return Book(
        tuple(
            PileBalance(pile, balances[pile.pk])
            for pile in ordered
            if balances[pile.pk] or pile.is_open_on(on or pile.site.date_of(timezone.now()))
        )
    )
