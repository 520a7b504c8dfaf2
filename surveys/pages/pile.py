"""A pile: how it got here, and whether it can be trusted."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET

from inventory.errors import BookRefused
from inventory.models import BaseVersion, DensityRecord, Pile, PileLineage, Status
from inventory.stock import PileStock, stock_now
from surveys.models import Measurement, State
from surveys.pages.access import measurements, member_page, pile_or_404, show
from surveys.pages.figures import Units
from surveys.pages.geometry import arrays_of, longest_cut, plan_of, section_of, shots_of, thinned_words
from surveys.pages.pile_events import events_of, for_chart, partitions_of, walls_of

SHOWN_STATES = (State.COMPUTED, State.REVIEWED, State.APPROVED, State.SUPERSEDED)
HISTORY_ROWS = 130
"""Ten years of monthly surveys with a correction now and then; older ones stay in the export."""


@require_GET
@member_page
def pile_page(request: HttpRequest, code: str, pile: str) -> HttpResponse:
    found = pile_or_404(request, code, pile)
    site = found.site
    units = Units.of(site)
    today = site.date_of(timezone.now())
    history = list(_history(request, found)[:HISTORY_ROWS])
    latest = measured_now(request, found)
    newer = next(
        (
            m
            for m in history
            if m.state in (State.COMPUTED, State.REVIEWED)
            and (latest is None or m.surveyed_on > latest.surveyed_on)
        ),
        None,
    )
    shown = latest or newer
    if shown is not None:
        shown = measurements(request).get(pk=shown.pk)
    bases = list(
        BaseVersion.objects.for_user(request.user)
        .filter(pile=found)
        .select_related("approved_by", "proposed_by")
    )
    lineage = (
        PileLineage.objects.for_user(request.user)
        .filter(Q(from_pile=found) | Q(to_pile=found))
        .select_related("from_pile", "to_pile")
    )
    walls, partitions = walls_of(request, found), partitions_of(request, found)
    events = events_of(found, lineage, bases, walls, partitions)
    context = {
        "pile": found,
        "site": site,
        "units": units,
        "today": today,
        "stock": _stock(request, found),
        "shown": shown,
        "newer": newer,
        "history": history,
        "history_chart": _chart(history, units) | {"events": for_chart(events)},
        "densities": _densities(request, found),
        "bases": bases,
        "events": events,
        "walls": walls,
        "partitions": partitions,
        "bases_measured": sorted({m.base_version.version for m in history if m.base_version}),
        "comparable": [m for m in history if m.state == State.APPROVED],
        "can": {
            action: request.standing.can(action)
            for action in ("propose_base", "approve_base", "keep_piles", "record_hazards")
        },
    } | _drawings(request, found, shown, units)
    return show(request, "pages/pile.html", context)


def measured_now(request: HttpRequest, pile: Pile) -> Measurement | None:
    """The approved measurement of the last date."""
    approved = Measurement.objects.for_user(request.user).filter(pile=pile, state=State.APPROVED)
    return approved.order_by("-surveyed_on").defer("record", "request").first()


def _history(request: HttpRequest, pile: Pile) -> Any:
    seen = Measurement.objects.for_user(request.user).filter(pile=pile, state__in=SHOWN_STATES)
    return (
        seen.select_related("approved_by", "base_version__pile", "density")
        .defer("record", "request")
        .order_by("-surveyed_on", "-version")
    )


def _stock(request: HttpRequest, pile: Pile) -> PileStock | None:
    """What the book says of the pile now; None for a closed one."""
    stocks = stock_now(request.user, site=pile.site).piles
    return next((stock for stock in stocks if stock.pile.pk == pile.pk), None)


def _densities(request: HttpRequest, pile: Pile) -> list[DensityRecord]:
    """Every density that was, is or may be in force for the pile, the newest first."""
    reach = Q(pile=pile) | Q(pile__isnull=True, site=pile.site) | Q(pile__isnull=True, site__isnull=True)
    records = DensityRecord.objects.for_user(request.user).filter(reach, material=pile.material)
    return list(
        records.exclude(status=Status.WITHDRAWN).select_related("site", "pile").order_by("-valid_from", "-pk")
    )


def _drawings(request: HttpRequest, pile: Pile, shown: Measurement | None, units: Units) -> dict[str, Any]:
    arrays = arrays_of(shown) if shown is not None else None
    if arrays is None:
        return {"plan": "", "lost": shown is not None and bool(shown.geometry_path)}
    ends, shots = longest_cut(arrays), shots_of(arrays)
    before = previous_of(request, shown)
    section, section_refusal = "", ""
    try:
        section = section_of(
            arrays, ends, units, arrays_of(before) if before else None, f"Section of {pile.code}"
        )
    except (ValueError, BookRefused) as refusal:
        section_refusal = str(refusal)
    to_shown = 1.0 / units.shown(1.0, "length")
    return {
        "plan": plan_of(shown, arrays, shots, units),
        "roles": shots.by_role,
        "section": section,
        "section_refusal": section_refusal,
        "before": before,
        "ends": [round(float(value) / to_shown, 2) for value in ends.ravel()],
        "unit_m": repr(to_shown),
        "thinned": thinned_words(units, arrays),
        "surfaces_url": reverse("surfaces", args=[shown.pk]),
        "lost": False,
    }


def previous_of(request: HttpRequest, m: Measurement) -> Measurement | None:
    """The approved measurement of the last earlier date."""
    seen = Measurement.objects.for_user(request.user).filter(pile=m.pile, state=State.APPROVED)
    earlier = seen.filter(surveyed_on__lt=m.surveyed_on).defer("record", "request")
    return earlier.order_by("-surveyed_on").first()


def _chart(history: list[Measurement], units: Units) -> dict[str, Any]:
    """Points of the history for the chart: volume and tonnes with their ±, in the site's units."""

    def shown(value: Any, kind: str) -> float | None:
        return None if value is None else units.shown(value, kind)

    points = [
        {
            "on": m.surveyed_on.isoformat(),
            "state": m.state,
            "version": m.version,
            "volume": shown(m.net_m3, "volume"),
            "volume_u95": shown(m.u95_m3, "volume"),
            "mass": shown(m.tonnes, "mass"),
            "mass_u95": shown(m.u95_t, "mass"),
            "link": reverse("measurement", args=[m.pk]),
        }
        for m in reversed(history)
    ]
    return {"points": points, "volume_unit": units.symbol("volume"), "mass_unit": units.symbol("mass")}
