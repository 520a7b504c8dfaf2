"""Stock now: what is there, how sure that is, how old, and what needs somebody."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_GET

from inventory.models import Site
from inventory.stock import PileStock, RollUp, StockNow, stock_now, tonnes_on
from surveys.drawings.silhouette import ListScale, Profile, silhouette
from surveys.drawings.svg import drawing, scale_bar
from surveys.drawings.trend import month_ends, trend
from surveys.models import Measurement
from surveys.pages import first_visit
from surveys.pages.access import member_page, show
from surveys.pages.attention import tasks_of
from surveys.pages.figures import SI, Units
from surveys.pages.rows import previous_approved

SILHOUETTE_WIDTH = 260.0
MONTHS_DRAWN = 12
MEASURED = "measurement:"
"""How evidence that is a measurement begins; what else was counted has no drawing here."""


@dataclass(frozen=True)
class YardPile:
    """One pile of a yard list: what it holds, its latest measurement, its drawing."""

    stock: PileStock
    measurement_id: int | None = None
    drawing: SafeString = field(default=SafeString(""))


@dataclass(frozen=True)
class Yard:
    """One site with its piles in the order of their codes, in the site's own units."""

    site: Site
    units: Units
    total: RollUp
    piles: list[YardPile]


@require_GET
@member_page
def stock_page(request: HttpRequest) -> HttpResponse:
    organization = request.standing.organization
    stock = stock_of(request)
    if (
        not any(pile.counts for pile in stock.piles)
        and not Measurement.objects.for_user(request.user)
        .filter(survey__site__organization=organization, state="approved")
        .exists()
    ):
        return first_visit.page(request)
    yards, scale = yards_of(request, stock)
    units = common_units([yard.site for yard in yards])
    context = {
        "here": "stock",
        "today": timezone.now().date(),
        "stock": stock,
        "rows": _matrix(stock, yards),
        "trends": _trends(request, stock, units),
        "yards_drawn": yards,
        "scale": scale,
        "units": units,
        "tasks": tasks_of(request.user, organization, stock),
        "everything": stock.everything,
        "may_export": request.standing.can("export_stock"),
    }
    return show(request, "pages/stock.html", context)


def stock_of(request: HttpRequest, site: Site | None = None) -> StockNow:
    """The open piles of the organization that is looked at, out of all that the person may see."""
    organization = request.standing.organization
    seen = stock_now(request.user, site=site)
    return StockNow(tuple(pile for pile in seen.piles if pile.pile.site.organization_id == organization.pk))


def common_units(sites: list[Site]) -> Units:
    """The units of all sites where they agree; metres and tonnes where they do not."""
    units = {Units.of(site) for site in sites}
    return units.pop() if len(units) == 1 else SI


def _trends(request: HttpRequest, stock: StockNow, units: Units) -> dict[int, SafeString]:
    """Material id → its tonnes at the ends of the months before the last count, and then, drawn.

    Up to the last count and no further: a line carried on would look like a stock that was looked at.
    """
    last = max((count.counted_on for pile in stock.piles for count in pile.counts), default=None)
    if last is None:
        return {}
    days = month_ends(last, MONTHS_DRAWN)
    by_material = tonnes_on(request.user, request.standing.organization, days)
    drawn = {}
    for roll in stock.by_material():
        tonnes = by_material.get(roll.key.pk, [])
        shown = [None if t is None else units.shown(t, "mass") for t in tonnes]
        if sum(value is not None for value in shown) > 1:
            drawing_of = trend(shown, days, f"{roll.key.name}, {units.symbol('mass')}")
            drawn[roll.key.pk] = mark_safe(drawing_of)  # noqa: S308  built and escaped by the drawing
    return drawn


def _matrix(stock: StockNow, yards: list[Yard]) -> list[tuple[RollUp, list[tuple[Yard, RollUp | None]]]]:
    """Materials down, sites across; no cells where there is one site, whose column the sum would repeat."""
    cells = {(roll.key[0].pk, roll.key[1].pk): roll for roll in stock.by_site_and_material()}
    across = yards if len(yards) > 1 else []
    return [
        (roll, [(yard, cells.get((yard.site.pk, roll.key.pk))) for yard in across])
        for roll in stock.by_material()
    ]


def yards_of(request: HttpRequest, stock: StockNow) -> tuple[list[Yard], SafeString]:
    """The yards with silhouettes at one scale over all, and the bar that tells it, drawn as wide as they."""
    refs = {
        count.evidence_ref: pile.pile.pk
        for pile in stock.piles
        for count in pile.counts
        if not pile.is_carried
    }
    profiles, before, links = _profiles(request, refs)
    scale = ListScale.over([*profiles.values(), *before.values()], SILHOUETTE_WIDTH)

    def drawn(pile: Any) -> SafeString:
        if pile.pk not in profiles:
            return SafeString("")
        name = f"Longest section of {pile.code}"
        svg = silhouette(profiles[pile.pk], scale, previous=before.get(pile.pk), name=name)
        return mark_safe(svg)  # noqa: S308  built and escaped by the drawing

    yards = [
        Yard(
            roll.key,
            Units.of(roll.key),
            roll,
            [YardPile(each, links.get(each.pile.pk), drawn(each.pile)) for each in roll.piles],
        )
        for roll in stock.by_site()
    ]
    units = common_units([yard.site for yard in yards])
    return yards, _scale_drawing(scale, units) if profiles else SafeString("")


def _scale_drawing(scale: ListScale, units: Units) -> SafeString:
    unit_m = 1.0 / units.shown(1.0, "length")
    bar = scale_bar(6, 8, scale.units_per_m, 110.0, unit_m, units.symbol("length"))
    drawn = drawing(SILHOUETTE_WIDTH, 28, [bar], name="Scale of the silhouettes", class_="silhouette")
    return mark_safe(drawn)  # noqa: S308  built and escaped by the drawing


def _profiles(
    request: HttpRequest, refs: dict[str, int]
) -> tuple[dict[int, Profile], dict[int, Profile], dict[int, int]]:
    """Pile → silhouette of the count that stands, of the approved survey before it, and measurement id.

    Only the silhouettes leave the database, not whole records. Two queries.
    """
    uuids = [ref.removeprefix(MEASURED) for ref in refs if ref.startswith(MEASURED)]
    seen = Measurement.objects.for_user(request.user)
    now = list(
        seen.filter(uuid__in=uuids)
        .annotate(previous_id=previous_approved())
        .order_by()
        .values_list("pile_id", "pk", "previous_id", "record__silhouette")
    )
    past_ids = [previous for _, _, previous, _ in now if previous]
    past = seen.filter(pk__in=past_ids).order_by().values_list("pile_id", "record__silhouette")
    return (
        {pile: _profile(drawn) for pile, _, _, drawn in now if drawn},
        {pile: _profile(drawn) for pile, drawn in past if drawn},
        {pile: pk for pile, pk, _, _ in now},
    )


def _profile(drawn: dict[str, Any]) -> Profile:
    return Profile.of_outlines(drawn["top_m"], drawn["base_m"])
