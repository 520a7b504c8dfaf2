"""The table that the demo ends with: each pile with its latest volume and tonnes, and how sure they are."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from inventory.models import Pile, StockCount
from inventory.stock import stock_now
from surveys.demo.cast import Cast

COLUMNS = f"{'Pile':<8}{'Material':<24}{'Surveyed':<12}{'Volume':>20}{'Tonnes':>22}"


def lines(cast: Cast) -> Iterator[str]:
    """The table, line by line. Figures are m³ and t on every site, with expanded uncertainty (k = 2)."""
    yield COLUMNS
    counts = StockCount.objects.filter(pile__site__organization=cast.organization).current()
    latest: dict[int, StockCount] = {}
    for count in counts.select_related("pile").order_by("counted_on"):
        latest[count.pile_id] = count
    piles = Pile.objects.filter(site__organization=cast.organization).select_related("material")
    for pile in piles.order_by("code"):
        yield _line(pile, latest.get(pile.pk))
    yield ""
    for roll_up in stock_now(cast.lead).by_site():
        total = roll_up.total
        if total.tonnes is not None and total.tonnes_u95_t is not None:
            yield f"{roll_up.key.name:<24}{_with(total.tonnes, total.tonnes_u95_t, 't')}"


def _line(pile: Pile, count: StockCount | None) -> str:
    head = f"{pile.code:<8}{pile.material.name:<24}"
    if count is None:
        return f"{head}not measured"
    volume = _with(count.volume_m3, count.volume_u95_m3, "m³")
    has_tonnes = count.tonnes is not None and count.tonnes_u95_t is not None
    tonnes = _with(count.tonnes, count.tonnes_u95_t, "t") if has_tonnes else "no density"
    closed = f"   closed {pile.closed_on}" if pile.closed_on else ""
    return f"{head}{count.counted_on!s:<12}{volume:>20}{tonnes:>22}{closed}"


def _with(value: Decimal, u95: Decimal, unit: str) -> str:
    return f"{value:,.0f} ± {u95:,.0f} {unit}".replace(",", "\u202f")
