"""A yard with years of months behind it: everything that a list may grow with, written past the verbs.

One survey is measured and approved as people would; every earlier one is a copy of its rows with a day, a
pile and a digest of its own.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from dataclasses import dataclass
from typing import Any

from django.db.models import Model

from inventory import gates
from inventory.models import Movement, Period, PeriodLine, StockCount
from inventory.sheet_lines import AMOUNTS
from surveys import intake, measuring, opening, review
from surveys.models import Measurement, Survey, SurveyFile, Transition
from tests.cast import Company, square
from tests.inventory.month_book import MonthBook, at
from tests.surveys.scene import Yard, heap, work

LAST = dt.date(2025, 1, 31)
FIRST = dt.date(2010, 1, 1)
LOADS = 20
"""Sales of each pile in the month that is open."""


@dataclass
class Years:
    """The book, and the newest approved measurement of its first pile."""

    book: MonthBook
    measured: Measurement

    @property
    def values(self) -> dict[str, list[Any]]:
        """What the parameters of addresses stand for."""
        pile, survey = self.measured.pile, self.measured.survey
        return {
            "code": [self.book.site.code, self.book.material.code],
            "pile": [pile.code],
            "month": ["2025-01", "2024-12"],
            "survey_id": [survey.pk],
            "file_id": list(survey.files.values_list("pk", flat=True)),
            "measurement_id": [self.measured.pk],
            "digest": [self.measured.digest],
            "count_id": [pile.counts.first().pk],
            "version": [1],
        }


def years_behind(company: Company, piles_n: int, months_n: int) -> Years:
    """`piles_n` piles measured at the end of each of `months_n` locked months and of the open one."""
    book = MonthBook(company, piles_n=piles_n)
    across = 1 + int((piles_n - 1) ** 0.5)
    for n, pile in enumerate(book.piles):
        row, column = divmod(n, across)
        pile.outline, pile.opened_on = square(60 * column - 5, 60 * row - 5, 50), FIRST
        pile.save()
        company.base(pile, valid_from=FIRST)
    measured = approved(company, book)
    copy_surveys(book, measured, months_n)
    lock_months(book, months_n)
    book.period()
    make_up(book, months_n)
    sell(book)
    return Years(book, measured)


def lock_months(book: MonthBook, months_n: int) -> None:
    """Locked months before the one that is open: ten tonnes made a month on each pile, and measured so."""
    counts = {
        (on, pile): pk for on, pile, pk in StockCount.objects.values_list("counted_on", "pile_id", "pk")
    }
    for n, day in enumerate(month_ends(months_n)):
        first = day.replace(day=1)
        ends = day + dt.timedelta(days=1)
        period = Period.objects.create(
            site=book.site, name=f"{first:%Y-%m}", starts_on=first, ends_on=ends, cutoff_at=at(ends, 0)
        )
        made = {"kind": "production", "tonnes": 10, "moved_at": at(first), "book_on": first}
        by = {"recorded_by": book.company.accountant, "recorded_at": at(first)}
        Movement.objects.bulk_create(Movement(site=book.site, pile=pile, **made, **by) for pile in book.piles)
        held = {"opening_t": 10 * n, "production_t": 10, "book_closing_t": 10 * (n + 1)}
        seen = {"measured_closing_t": 10 * (n + 1), "variance_t": 0, "increment_t": 0, "u95_t": 4}
        nothing = dict.fromkeys(set(AMOUNTS) - set(held), 0)
        PeriodLine.objects.bulk_create(
            PeriodLine(
                period=period,
                pile=pile,
                count_id=counts[day, pile.pk],
                gate=gates.QUIET,
                **held,
                **seen,
                **nothing,
            )
            for pile in book.piles
        )
        for state in ("counting", "reconciled", "approved", "locked"):
            Period.objects.filter(pk=period.pk).update(state=state)


def month_ends(months_n: int) -> list[dt.date]:
    """The last days of the months before the open one, the oldest first."""
    days = [LAST.replace(day=1) - dt.timedelta(days=1)]
    while len(days) < months_n:
        days.append(days[-1].replace(day=1) - dt.timedelta(days=1))
    return days[::-1]


def approved(company: Company, book: MonthBook) -> Measurement:
    survey = opening.open_survey(book.site, LAST, "total-station", company.surveyor)
    intake.receive_file(survey, "shots.csv", heap(), company.surveyor, book.piles[0])
    yard = Yard(company, book.site, book.piles[0], book.piles[-1])
    computed = work(measuring.request_measurement(survey, book.piles[0], company.surveyor))

    return review.approve(yard.review(computed), company.lead_surveyor)


def copy_surveys(book: MonthBook, measured: Measurement, months_n: int) -> None:
    count, file = StockCount.objects.get(pile=measured.pile), measured.survey.files.get()
    surveys = {day: copy_of(measured.survey, surveyed_on=day) for day in month_ends(months_n)}
    Survey.objects.bulk_create(surveys.values())
    SurveyFile.objects.bulk_create(copy_of(file, survey_id=survey.pk) for survey in surveys.values())
    surveys[LAST] = measured.survey
    rows, counts = [], []
    for day, survey in surveys.items():
        for pile in book.piles:
            if (day, pile.pk) == (LAST, measured.pile_id):
                continue
            digest = hashlib.sha256(f"{pile.code} {day}".encode()).hexdigest()
            own = {"surveyed_on": day, "survey_id": survey.pk, "pile_id": pile.pk, "digest": digest}
            rows.append(copy_of(measured, uuid=uuid.uuid4(), base_version_id=None, **own))
            evidence = {"evidence_ref": f"measurement:{rows[-1].uuid}", "evidence_digest": digest}
            counts.append(
                copy_of(count, pile_id=pile.pk, counted_on=day, counted_at=at(day), base_id=None, **evidence)
            )
    Measurement.objects.bulk_create(rows, batch_size=500)
    StockCount.objects.bulk_create(counts, batch_size=500)
    steps = [
        copy_of(step, measurement_id=row.pk) for row in rows for step in measured.transitions.order_by("pk")
    ]
    Transition.objects.bulk_create(steps, batch_size=1000)


def make_up(book: MonthBook, months_n: int) -> None:
    """What was made in the open month, so that the book of every pile but the first agrees with its count."""
    tonnes = StockCount.objects.get(pile=book.piles[0], counted_on=LAST).tonnes
    for pile in book.piles[1:]:
        book.move(pile, "production", tonnes - 1000 - 10 * months_n + 25 * LOADS, LAST, moved_at=at(LAST, 9))


def sell(book: MonthBook) -> None:
    Movement.objects.bulk_create(
        Movement(
            site=book.site,
            pile=pile,
            kind="sale",
            tonnes=-25,
            moved_at=at(LAST.replace(day=1 + n), 9),
            book_on=LAST.replace(day=1 + n),
            source="weighbridge",
            document=f"{pile.code}-{n}",
            recorded_by=book.company.accountant,
            recorded_at=at(LAST),
        )
        for pile in book.piles
        for n in range(LOADS)
    )


def copy_of(row: Any, **changed: Any) -> Any:
    """An unsaved row of the same kind with the same values but those."""
    kind: type[Model] = type(row)
    fields = [field.attname for field in kind._meta.concrete_fields if not field.primary_key]
    return kind(**({name: getattr(row, name) for name in fields} | changed))
