"""What the accountant of the invented company sets up: scales, values, thresholds, opening balances."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from inventory import movements as book_movements
from inventory import periods, places, policy, scales, unit_values
from inventory.models import Material, Policy, Scale, Site, UnitValue
from inventory.models.movements import Movement
from surveys.demo.book import Book
from surveys.demo.movements import ON_BELT, openings
from surveys.demo.yard import NEW_YEAR, SITES

CURRENCY = "XXX"
"""ISO 4217 for transactions where no currency is involved."""

BELT = "DRV-B1"
WEIGHBRIDGE = {"DRV": "DRV-W", "TUL": "TUL-W", "KTV": "KTV-W"}
BELT_CERTIFIED_UNTIL = date(2025, 5, 31)
"""Nobody sent for the calibration in time."""

COST_PER_T = {
    "M1": "4.10", "M2": "7.80", "M3": "7.60", "M4": "5.90",
    "M5": "6.40", "M6": "68.00", "M7": "2.20", "M8": "24.00",
}  # fmt: skip
NRV_PER_T = {
    "M1": "6.00", "M2": "12.50", "M3": "12.00", "M4": "9.20",
    "M5": "11.00", "M6": "81.00", "M7": "5.50", "M8": "31.00",
}  # fmt: skip
FINES_FELL_ON, FINES_ROSE_ON = date(2025, 11, 1), date(2025, 12, 1)
FINES_IN_NOVEMBER = "3.70"
CHIPS_LOSE_PERCENT = Decimal("1.2")


def open_the_books(book: Book) -> None:
    """Twice is once."""
    cast = book.cast
    accountant, controller = cast.by_name["accountant"], cast.by_name["controller"]
    for demo in SITES:
        site = book.site(demo.code)
        _scales(site, book)
        if not site.currency:
            places.change_site(site, by=cast.manager_of(demo.code), currency=CURRENCY)
        periods.open_period(site, NEW_YEAR, accountant)
    if not Policy.objects.filter(organization=cast.organization).exists():
        policy.set_policy(
            cast.organization,
            {"natural_loss_percent": {"M8": CHIPS_LOSE_PERCENT}},
            valid_from=NEW_YEAR,
            reason="Wood chips lose dry matter in storage; allowance agreed with the auditor",
            by=controller,
        )
    _values(book)
    for code, tonnes in openings().items():
        pile = book.pile(code)
        if not pile.movements.filter(kind=Movement.Kind.OPENING).exists():
            book_movements.record_opening(
                pile,
                quantity=f"{tonnes:.0f}",
                on=NEW_YEAR,
                by=accountant,
                note="Carried over from the books of 2024",
            )


def _scales(site: Site, book: Book) -> None:
    by = book.cast.manager_of(site.code)
    wanted = [(WEIGHBRIDGE[site.code], "Weighbridge at the gate", Scale.Kind.WEIGHBRIDGE, "0.1", None)]
    if site.code == ON_BELT[:3]:
        wanted.append((BELT, "Belt scale of the stacker", Scale.Kind.BELT, "0.5", BELT_CERTIFIED_UNTIL))
    for code, name, kind, percent, until in wanted:
        if not Scale.objects.filter(site=site, code=code).exists():
            scales.add_scale(
                site,
                code=code,
                name=name,
                kind=kind,
                standard_uncertainty_percent=percent,
                by=by,
                certified_until=until,
            )


def _values(book: Book) -> None:
    kinds = UnitValue.Kind
    for code, cost in COST_PER_T.items():
        _value(book, code, kinds.COST, cost, NEW_YEAR, "Cost sheet of the year")
        _value(book, code, kinds.NRV, NRV_PER_T[code], NEW_YEAR, "Price list less cost to sell")
        _value(book, code, kinds.PRICE, NRV_PER_T[code], NEW_YEAR, "Price list")
    _value(book, "M1", kinds.NRV, FINES_IN_NOVEMBER, FINES_FELL_ON, "Last sales of fines")
    _value(book, "M1", kinds.NRV, NRV_PER_T["M1"], FINES_ROSE_ON, "New contract for fines")


def _value(book: Book, code: str, kind: str, per_t: str, on: date, source: str) -> None:
    material = Material.objects.get(organization=book.cast.organization, code=code)
    value = UnitValue.objects.filter(material=material, kind=kind, valid_from=on).first()
    if value is None:
        value = unit_values.propose_value(
            material=material,
            kind=kind,
            per_t=per_t,
            source=source,
            reason="Yearly review" if on == NEW_YEAR else "The market moved",
            valid_from=on,
            by=book.cast.by_name["accountant"],
        )
    if value.status == "proposed":
        unit_values.approve_value(value, book.cast.by_name["controller"])
