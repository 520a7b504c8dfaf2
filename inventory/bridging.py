"""Bridges: from what was said to what is said now, line by line, so that the effect has a reason.

An error is told apart from an estimate: the first restates what was known wrongly, the second is new
information and works from its day on (IAS 8). The same volumes at another density are an estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import OuterRef, Subquery

from inventory.crossing import decimal_tonnes
from inventory.models import Adjustment, DensityRecord, Pile, Site, StockCount, UnitValue
from inventory.sheet_lines import ZERO, Line
from inventory.unit_values import values_in_force
from inventory.valuation import line_amount

Said = Mapping[str, Any]
ERROR, ESTIMATE = Adjustment.Nature.ERROR.value, Adjustment.Nature.ESTIMATE.value


def line_said(line: Line, unit_cost: Decimal | None) -> dict[str, Any]:
    """A line as a bridge needs it: book, measured, and the certificate behind, as text."""
    count = line.count
    return {
        "pile": line.pile.code,
        "book_closing_t": f"{line.book_closing_t:.3f}",
        "measured_closing_t": _text(line.measured_closing_t),
        "certificate": "" if count is None else count.certificate_no or count.evidence_ref,
        "version": None if count is None else count.certificate_version,
        "volume_m3": None if count is None else f"{count.volume_m3:.3f}",
        "t_per_m3": None if count is None or count.density is None else f"{count.density.t_per_m3:f}",
        "unit_cost": None if unit_cost is None else str(unit_cost),
    }


def restatement_bridge(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """Old → new for every pile whose book or evidence changed. Money only where a cost is known; it is then
    the change of the book at that cost."""
    old = {row["pile"]: row for row in before["lines"]}
    new = {row["pile"]: row for row in after["lines"]}
    natures = _natures(before, after)
    rows = []
    for pile in sorted(old.keys() | new.keys()):
        row = _bridged(pile, old.get(pile), new.get(pile))
        if row is not None:
            row["nature"] = natures.get(pile) or _nature(old.get(pile), new.get(pile))
            rows.append(row)
    amounts = [row["effect_amount"] for row in rows if Decimal(row["effect_t"])]
    known = None not in amounts
    return {
        "period": before["period"],
        "before_sha256": before["sheet_sha256"],
        "rows": rows,
        "effect_t": f"{sum((Decimal(row['effect_t']) for row in rows), ZERO):.3f}",
        "effect_amount": f"{sum((Decimal(each) for each in amounts), ZERO):.2f}" if known else None,
    }


def _bridged(
    pile: str, old: Mapping[str, Any] | None, new: Mapping[str, Any] | None
) -> dict[str, Any] | None:
    nothing: dict[str, Any] = {"book_closing_t": "0.000"}
    old_said, new_said = old or nothing, new or nothing
    if old_said == new_said:
        return None
    effect_t = Decimal(new_said["book_closing_t"]) - Decimal(old_said["book_closing_t"])
    measured = (old_said.get("measured_closing_t"), new_said.get("measured_closing_t"))
    measured_t = None if None in measured else f"{Decimal(measured[1]) - Decimal(measured[0]):.3f}"
    unit_cost = new_said.get("unit_cost") or old_said.get("unit_cost")
    amount = None if unit_cost is None else f"{line_amount(effect_t, Decimal(unit_cost)):.2f}"
    return {
        "pile": pile,
        "old": dict(old_said),
        "new": dict(new_said),
        "measured_effect_t": measured_t,
        "effect_t": f"{effect_t:.3f}",
        "effect_amount": amount,
    }


def _natures(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, str]:
    """What the adjustments of the restatement say they are, by pile; the accountant's word comes first."""
    known = {row["id"] for row in before["adjustments"]}
    return {row["pile"]: row["nature"] for row in after["adjustments"] if row["id"] not in known}


def _nature(old: Said | None, new: Said | None) -> str:
    """Another volume, or other movements: the input was wrong. The same volume at another density: new
    information."""
    if old is None or new is None:
        return ERROR
    same_volume = old["volume_m3"] == new["volume_m3"]
    return ESTIMATE if same_volume and old["t_per_m3"] != new["t_per_m3"] else ERROR


@dataclass(frozen=True)
class DensityBridge:
    """One pile at the change of its density: the same volume, old and new tonnes, and what that is worth."""

    pile: Pile
    count: StockCount
    old_t: Decimal
    new_t: Decimal
    effect_amount: Decimal | None

    @property
    def effect_t(self) -> Decimal:
        return self.new_t - self.old_t


def density_bridge(new: DensityRecord, user: Any) -> list[DensityBridge]:
    """The same volumes at the density that `new` replaced and at `new`: for each pile in its scope, the last
    count before it came into force. Prospective: nothing is restated. Empty for a first density.

    Two queries, and one more for each site, whatever the history.
    """
    if new.supersedes_id is None:
        return []
    on = new.valid_from
    last = StockCount.objects.current().filter(
        pile=OuterRef("pk"), counted_on__lt=on, density=new.supersedes_id
    )
    piles = Pile.objects.for_user(user).filter(material=new.material_id).open_on(on)
    if new.site_id is not None:
        piles = piles.filter(site=new.site_id)
    if new.pile_id is not None:
        piles = piles.filter(pk=new.pile_id)
    newest = piles.annotate(newest=Subquery(last.order_by("-counted_on").values("pk")[:1])).values("newest")
    counts = StockCount.objects.filter(pk__in=newest).select_related("pile__site", "pile__material")
    rows = list(counts.order_by("pile__site__code", "pile__code"))
    costs = {site: _cost(new, site) for site in {count.pile.site for count in rows}}
    return [_density_row(count, new, costs[count.pile.site]) for count in rows]


def _cost(new: DensityRecord, site: Site) -> Decimal | None:
    kind = UnitValue.Kind.COST
    value = values_in_force([new.material_id], site, [kind], new.valid_from).get((new.material_id, kind))
    return None if value is None else value.per_t


def _density_row(count: StockCount, new: DensityRecord, unit_cost: Decimal | None) -> DensityBridge:
    old_t, new_t = count.tonnes, decimal_tonnes(count.volume_m3 * new.t_per_m3)
    amount = None if unit_cost is None else line_amount(new_t - old_t, unit_cost)
    return DensityBridge(count.pile, count, old_t, new_t, amount)


def _text(value: Decimal | None) -> str | None:
    return None if value is None else f"{value:.3f}"
