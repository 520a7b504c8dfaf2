"""What the accountant prepares at a month end: the period's values, and the entries that follow from its
movements. Running it again changes nothing that still holds; what no longer holds is reversed, not edited.

Ordinary production, purchases, sales and usage are journalised where they are invoiced or costed; here are
the entries that only the stock book knows: transfers, reclassifications, merges, own works, sales whose
tickets came late, and the test against net realisable value (IAS 2.9, 2.28–2.33).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Sum

from inventory.audit import record_event
from inventory.errors import BookRefused, JournalRefused, PeriodNotReady
from inventory.journals import (
    CASES,
    Line,
    mirrored,
    prepare_entry,
    refuse_locked,
    two_sided,
    unposted_journals,
)
from inventory.models import (
    JournalEntry,
    JournalLine,
    Movement,
    Period,
    PeriodLine,
    PeriodValue,
    Pile,
    Site,
    UnitValue,
    User,
)
from inventory.rights import require
from inventory.unit_values import none_in_force, values_in_force
from inventory.valuation import NOTHING, line_amount, per_tonne
from inventory.valued_month import kilograms, other_end
from inventory.valuing import PeriodValuation, keep_values, value_period

Kind = Movement.Kind
CASE_OF_PAIR = {
    Kind.TRANSFER_IN: "transfer",
    Kind.RECLASS_IN: "reclassification",
    Kind.LINEAGE_IN: "merge",
}


@dataclass(frozen=True)
class Draft:
    """An entry as it should stand: what it is about, in words, and its lines."""

    case: str
    subject: str
    text: str
    lines: tuple[Line, ...]

    def as_posted(self) -> list[tuple[Any, ...]]:
        return [
            (line.part, line.debit, line.credit, line.pile and line.pile.pk)
            for line in self.lines
            if not line.is_empty
        ]


@transaction.atomic
def close_journals(period: Period, by: User) -> list[JournalEntry]:
    """Value the period, keep its values, and prepare its entries; returns those that wait to be posted.

    Raises `NotAllowed`, `NoValueInForce`, `JournalRefused` for a locked period, and `PeriodNotReady` where
    the movements no longer say what the reconciled lines say.
    """
    period = (
        Period.objects.select_for_update(of=("self",)).select_related("site__organization").get(pk=period.pk)
    )
    require(by, period.site.organization, "post_journal")
    refuse_locked(period)
    valuation = value_period(period)
    refuse_stale_lines(valuation)
    keep_values(valuation)
    _bring_up_to_date(period, list(drafts_of(valuation)), by)
    waiting = list(unposted_journals(period))
    detail = {"period": period.name, "prepared": [[entry.case_code, entry.text] for entry in waiting]}
    organization = period.site.organization
    record_event(organization, by=by, verb="prepare_journals", subject=period, detail=detail)
    return waiting


def money_tasks(period: Period) -> list[str]:
    """What is left to do with money before the period is locked, in words; empty where nothing is, and
    for an organization that keeps no values."""
    if (
        period.state == Period.State.LOCKED
        or not UnitValue.objects.filter(organization=period.site.organization_id).exists()
    ):
        return []
    tasks = []
    try:
        if is_out_of_date(value_period(period)):
            tasks.append("Value the period and prepare its journal: the values kept are missing or older.")
    except BookRefused as refusal:
        tasks.append(f"{refusal.message} {refusal.remedy}")
    waiting = unposted_journals(period).count()
    if waiting:
        entries = "entry waits" if waiting == 1 else "entries wait"
        tasks.append(f"{waiting} prepared journal {entries} to be posted by another person.")
    return tasks


def is_out_of_date(valuation: PeriodValuation) -> bool:
    """Whether the values that are kept differ from what the movements give now."""
    names = ("pile_id", "tonnes", "cost_amount", "allowance", "allowance_change")
    kept = set(PeriodValue.objects.filter(period=valuation.period).values_list(*names))
    now = {
        (worth.pile.pk, worth.tonnes, worth.cost_amount, worth.allowance, worth.allowance_change)
        for worth in valuation.piles.values()
    }
    return kept != now


def refuse_stale_lines(valuation: PeriodValuation) -> None:
    """`PeriodNotReady` where a reconciled line and the movements give two book closings."""
    lines = PeriodLine.objects.filter(period=valuation.period, pile__owner__isnull=True)
    moved = {pile: worth.tonnes for pile, worth in valuation.piles.items()}
    apart = [
        f"{code}: line {booked:.3f} t, movements {moved.get(pile, 0):.3f} t"
        for pile, code, booked in lines.values_list("pile_id", "pile__code", "book_closing_t")
        if booked != moved.get(pile, NOTHING)
    ]
    if apart:
        raise PeriodNotReady(
            f"Movements came after {valuation.period} was reconciled: {'; '.join(apart)}. "
            "Nothing was changed.",
            where=str(valuation.period),
            remedy="Reconcile the period again, then value it.",
        )


def drafts_of(valuation: PeriodValuation) -> Iterator[Draft]:
    """Every entry that the period should have, apart from those of adjustments."""
    period = valuation.period
    piles = _piles_of(period.site)
    yield from _pairs(valuation, piles)
    yield from _own_works(valuation, piles)
    yield from _late_sales(valuation, piles)
    yield from _tests(valuation)


def _piles_of(site: Site) -> dict[int, Pile]:
    """Every own pile of the organization: transfers reach other sites."""
    piles = Pile.objects.filter(site__organization=site.organization_id, owner__isnull=True)
    return {pile.pk: pile for pile in piles.select_related("site", "material")}


def _pairs(valuation: PeriodValuation, piles: dict[int, Pile]) -> Iterator[Draft]:
    """Material that left a pile of this site for another pile, here or elsewhere, at this site's cost."""
    period = valuation.period
    rows = (
        Movement.objects.filter(
            kind__in=CASE_OF_PAIR,
            site__organization=period.site.organization_id,
            book_on__gte=period.starts_on,
            book_on__lt=period.ends_on,
        )
        .annotate(from_pile=other_end("pile_id"), from_site=other_end("site_id"))
        .filter(from_site=period.site_id)
        .order_by("kind", "from_pile", "pile_id", "unit_price")
        .values_list("kind", "from_pile", "pile_id", "unit_price")
        .annotate(total=Sum("tonnes"))
    )
    for kind, from_id, to_id, haul_per_t, total in rows:
        tonnes = kilograms(total)
        if tonnes and from_id in piles and to_id in piles:
            haul = haul_per_t if kind == Kind.TRANSFER_IN and haul_per_t is not None else NOTHING
            yield _pair(valuation, kind, piles[from_id], piles[to_id], tonnes, haul)


def _pair(
    valuation: PeriodValuation, kind: str, source: Pile, target: Pile, tonnes: Decimal, haul_per_t: Decimal
) -> Draft:
    if source.site.currency != target.site.currency:
        raise JournalRefused(
            f"{source.code} is kept in {source.site.currency or 'no currency'}, {target.code} in "
            f"{target.site.currency or 'no currency'}. Nothing was posted.",
            where=target.code,
            remedy="Invoice it between the sites instead of transferring it.",
        )
    per_t = valuation.cost_per_t(source.material_id)
    cost, haul = line_amount(tonnes, per_t), line_amount(tonnes, haul_per_t)
    # Tonnes that came back in sum exchange the sides.
    into = Line(
        "inventory",
        **_side(cost + haul),
        pile=target,
        tonnes=tonnes,
        unit_amount=per_tonne(per_t + haul_per_t),
        site=target.site,
    )
    out = Line(
        "inventory",
        **_side(-cost),
        pile=source,
        tonnes=-tonnes,
        unit_amount=per_tonne(per_t),
        site=source.site,
    )
    hauled = Line(
        "haulage-clearing",
        **_side(-haul),
        pile=target,
        tonnes=tonnes,
        unit_amount=per_tonne(haul_per_t),
        site=target.site,
    )
    case = CASE_OF_PAIR[Kind(kind)]
    text = f"{source.code} → {target.code}: {tonnes:f} t at cost"
    subject = f"{case}:{source.pk}:{target.pk}:{haul_per_t.normalize():f}"
    return Draft(case, subject, text, (into, out, hauled))


def _side(amount: Decimal) -> dict[str, Decimal]:
    return {"debit": amount} if amount > 0 else {"credit": -amount}


def _own_works(valuation: PeriodValuation, piles: dict[int, Pile]) -> Iterator[Draft]:
    used: dict[int, Decimal] = {}
    for flow in valuation.flows:
        if flow.kind == Kind.OWN_WORKS:
            used[flow.pile_id] = used.get(flow.pile_id, NOTHING) - flow.tonnes
    for pile_id, tonnes in used.items():
        pile = piles[pile_id]
        per_t = valuation.cost_per_t(pile.material_id)
        lines = _signed("job-cost", "inventory", line_amount(tonnes, per_t), pile, -tonnes, per_tonne(per_t))
        text = f"{pile.code}: {tonnes:f} t used in own works"
        yield Draft("own-works", f"own-works:{pile.pk}", text, lines)


def _late_sales(valuation: PeriodValuation, piles: dict[int, Pile]) -> Iterator[Draft]:
    """Sales that belong to a period closed before their tickets came: receivable and cost both."""
    period = valuation.period
    rows = (
        Movement.objects.filter(
            kind=Kind.SALE,
            pile__in=[pk for pk, pile in piles.items() if pile.site_id == period.site_id],
            belongs_to__isnull=False,
            book_on__gte=period.starts_on,
            book_on__lt=period.ends_on,
        )
        .order_by("pile_id", "belongs_to__starts_on", "unit_price")
        .values_list("pile_id", "belongs_to__name", "belongs_to__ends_on", "unit_price")
        .annotate(total=Sum("tonnes"))
    )
    for pile_id, name, ends_on, price, summed in rows:
        total = kilograms(summed)
        if total:
            pile = piles[pile_id]
            price = _price(pile, period.site, ends_on - dt.timedelta(days=1)) if price is None else price
            per_t = valuation.cost_per_t(pile.material_id)
            sold = _signed("unbilled-receivable", "revenue", line_amount(-total, price), pile, total, price)
            cost = _signed(
                "cost-of-goods-sold", "inventory", line_amount(-total, per_t), pile, total, per_tonne(per_t)
            )
            text = f"{pile.code}: {-total:f} t sold in {name}, tickets late; corrects {name}"
            subject = f"late-sale:{pile.pk}:{name}:{price.normalize():f}"
            yield Draft("late-sale", subject, text, (*sold, *cost))


def _price(pile: Pile, site: Site, on: dt.date) -> Decimal:
    kind = UnitValue.Kind.PRICE
    found = values_in_force([pile.material_id], site, [kind], on).get((pile.material_id, kind.value))
    if found is None:
        raise none_in_force(pile.material, site, kind, on)
    return found.per_t


def _tests(valuation: PeriodValuation) -> Iterator[Draft]:
    for worth in valuation.piles.values():
        change, pile = worth.allowance_change, worth.pile
        if change:
            case = CASES["nrv-write-down" if change > 0 else "nrv-reversal"]
            nrv = "nothing is left" if worth.nrv_unit is None else f"net realisable value {worth.nrv_unit:f}"
            yield Draft(
                "nrv-write-down" if change > 0 else "nrv-reversal",
                f"nrv:{pile.pk}",
                f"{pile.code}: {worth.tonnes:f} t, cost {worth.unit_cost:f}, {nrv}",
                two_sided(case.debit[0], case.credit[0], abs(change), pile, worth.tonnes),
            )


def _signed(
    debit: str, credit: str, amount: Decimal, pile: Pile, tonnes: Decimal, unit_amount: Decimal
) -> tuple[Line, Line]:
    """Two lines of an amount that may be negative: then the sides are exchanged."""
    sides = (debit, credit) if amount >= 0 else (credit, debit)
    return two_sided(*sides, abs(amount), pile, tonnes, unit_amount)


def _bring_up_to_date(period: Period, drafts: Iterable[Draft], by: User) -> None:
    """Prepare what is missing, leave what holds, reverse what was posted and holds no longer."""
    waiting = unposted_journals(period)
    JournalLine.objects.filter(entry__in=waiting).delete()
    waiting.delete()
    posted = {
        entry.subject: entry
        for entry in JournalEntry.objects.filter(
            period=period, reverses__isnull=True, reversed_by__isnull=True
        ).prefetch_related("lines")
        if not entry.subject.startswith("adjustment:")
    }
    for draft in drafts:
        standing = posted.pop(draft.subject, None)
        if standing is not None and _says(standing) == draft.as_posted():
            continue
        if standing is not None:
            _take_back(period, standing, by)
        prepare_entry(period, draft.case, draft.text, draft.lines, by=by, subject=draft.subject)
    for standing in posted.values():
        _take_back(period, standing, by)


def _says(entry: JournalEntry) -> list[tuple[Any, ...]]:
    return [(line.part, line.debit, line.credit, line.pile_id) for line in entry.lines.all()]


def _take_back(period: Period, entry: JournalEntry, by: User) -> None:
    text = f"Takes back {entry.number}: {entry.text}"
    subject = f"taken-back:{entry.pk}"
    prepare_entry(period, "reversal", text, mirrored(entry), by=by, subject=subject, reverses=entry)
