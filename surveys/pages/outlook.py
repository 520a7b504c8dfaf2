"""The page a manager opens first: stock and growth, cover, room left, losses, what needs somebody."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from inventory.outlook import Forecast
from inventory.outlook.losses import Loss
from surveys import alerts
from surveys.limit_tests import limit_tests
from surveys.limit_words import row_of
from surveys.models import Alert
from surveys.outlook_sheet import DEAD_AFTER_DAYS, Ahead, Row, outlook_of
from surveys.pages.access import member_page, show, site_or_404
from surveys.pages.alerts import WEIGHT, link_of
from surveys.pages.attention import Task
from surveys.pages.figures import NO_BREAK, Units, figure, number
from surveys.pages.stock import common_units, stock_of
from surveys.pages.wording import ROLES, day, in_words


@dataclass(frozen=True)
class Shown:
    """One row with its words, in the units of its site."""

    row: Row
    units: Units
    cover: str
    cover_interval: str
    run_out: str
    refused: str
    idle: str
    is_dead: bool


@dataclass(frozen=True)
class LossShown:
    loss: Loss
    units: Units
    figure: str
    tone: str


@require_GET
@member_page
def outlook_page(request: HttpRequest) -> HttpResponse:
    """Of the organization, or of one of its sites by `?site=`."""
    organization, today = request.standing.organization, timezone.now().date()
    code = request.GET.get("site", "")
    site = site_or_404(request, code) if code else None
    stock = stock_of(request, site)
    outlook = outlook_of(stock, today)
    tests = limit_tests(request.user, today, organization=organization, site=site)
    seen = Alert.objects.for_user(request.user).filter(site__organization=organization)
    if site is not None:
        seen = seen.filter(site=site)
    asking = alerts.standing(seen, today).select_related("site", "pile__site", "owner")
    materials = [_shown(row, today) for row in outlook.materials]
    context = {
        "here": "outlook",
        "site_chosen": site,
        "today": today,
        "stock": stock,
        "units": common_units([roll.key for roll in stock.by_site()]),
        "materials": materials,
        "sites_n": len(stock.by_site()),
        "by_site": [(roll, Units.of(roll.key)) for roll in stock.by_site()],
        "piles": [_shown(row, today) for row in outlook.piles],
        "limits": [row_of(test, Units.of(test.limit.site)) for test in tests],
        "losses": [_loss(loss) for loss in outlook.losses],
        "forecasts": [_forecast_said(shown) for shown in materials],
        "recorded": sorted({(row.pile.site.name, day(row.ahead.reckoned_from)) for row in outlook.materials}),
        "tasks": [_task(alert) for alert in asking.order_by("due_on", "pk")],
        "dead_after": DEAD_AFTER_DAYS,
    }
    return show(request, "pages/outlook.html", context)


def _shown(row: Row, today: Any) -> Shown:
    idle = row.idle_days(today)
    recorded_to = row.ahead.reckoned_from
    # Where nothing at all is recorded any more, a pile is not dead for want of entries.
    known_idle = None if idle is None or recorded_to is None else idle - (today - recorded_to).days
    return Shown(
        row=row,
        units=Units.of(row.pile.site),
        cover=_cover(row.ahead),
        cover_interval=_cover_interval(row.ahead),
        run_out=run_out_said(row.ahead),
        refused=row.ahead.refused,
        idle="never" if row.last_out is None else day(row.pile.site.date_of(row.last_out)),
        is_dead=known_idle is not None and known_idle >= DEAD_AFTER_DAYS,
    )


def _cover(ahead: Ahead) -> str:
    if ahead.cover is None:
        return "–"
    if ahead.cover.days is None:
        return f"over{NO_BREAK}{number(ahead.cover.looked_at_days, 0)}"
    return number(ahead.cover.days, 0)


def _cover_interval(ahead: Ahead) -> str:
    """`38 to 61`: earliest and latest, k = 2."""
    if ahead.cover is None:
        return ""
    beyond = f"over{NO_BREAK}{number(ahead.cover.looked_at_days, 0)}"
    low, high = ahead.cover.earliest, ahead.cover.latest
    if low is None:
        return ""
    return f"{number(low, 0)} to {beyond if high is None else number(high, 0)}"


def run_out_said(ahead: Ahead) -> str:
    """When the stock is gone if months come and go as they did, or that it is not in sight."""
    if ahead.run_out is None:
        return ""
    if ahead.run_out.days is None:
        early = ahead.day(ahead.run_out.earliest)
        return f"not within a year{f'; at the earliest {day(early)}' if early else ''}"
    late = ahead.day(ahead.run_out.latest)
    return (
        f"about {day(ahead.day(ahead.run_out.days))} "
        f"({day(ahead.day(ahead.run_out.earliest))} to {day(late) if late else 'beyond a year'})"
    )


def _forecast_said(shown: Shown) -> dict[str, Any]:
    use = shown.row.ahead.use
    return {
        "shown": shown,
        "rule": "" if use is None else use.rule,
        "test": "" if use is None else _back_test(use, shown.units),
    }


def _back_test(use: Forecast, units: Units) -> str:
    """How the same rule did on the months known, one month ahead."""
    test = use.back_test
    off = figure(test.mean_abs_error, None, "mass", units)
    said = f"tried on {test.origins} months: off by {off.value}{NO_BREAK}{off.unit} on the mean"
    if test.mean_abs_percent is not None:
        said += f", {number(test.mean_abs_percent, 0)}{NO_BREAK}% of a month"
    if test.covered is not None:
        said += f"; {number(100 * test.covered, 0)}{NO_BREAK}% of the months lay in the interval"
    return said


def _loss(loss: Loss) -> LossShown:
    units = Units.of(loss.key.site)
    shown = figure(loss.tonnes, loss.u95_t, "mass", units, signed=True)
    return LossShown(loss, units, str(shown), {"loses": "is-stop", "gains": "is-warn"}.get(loss.word, ""))


def _task(alert: Alert) -> Task:
    place = alert.site.name if alert.pile is None else alert.pile.code
    role = in_words(ROLES, alert.owner_role).lower()
    owner = str(alert.owner) if alert.owner_id else f"nobody yet, for the {role}"
    weight, words = WEIGHT.get(alert.kind, "warn"), f"{place}: {alert.get_kind_display()}"
    return Task(weight, words, owner, link_of(alert), alert.due_on, alert.message)
