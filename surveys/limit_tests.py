"""Each limit in force against the last approved measurement of its piles: margin, and trend to the breach.

What is not in the record of a measurement is not guessed: such a limit is not testable, and the words say
why. No legal conclusion is drawn: the test says what was measured and what the document says.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import shapely

from inventory.limits import limits_in_force
from inventory.models import Limit, Pile, Site
from inventory.outlook import Crossing, NotEnoughMonths, first_crossing, forecast
from surveys.models import Measurement, State

NEAR_SHARE = 0.9
"""From this share of a limit on it is near; common practice, no source."""
MONTHS_LOOKED_BACK, MONTHS_AHEAD = 36, 12
WITHIN, NEAR, OVER, UNTESTABLE = "within", "near", "over", "not-testable"
SUMMED = (Limit.Quantity.AREA, Limit.Quantity.VOLUME, Limit.Quantity.TONNES)
"""Of a whole site these are those of all its piles together; everything else holds for each."""
GROWS = (*SUMMED, Limit.Quantity.HEIGHT, Limit.Quantity.ABOVE_NATURAL)


@dataclass(frozen=True)
class Reading:
    """What one approved measurement says of a pile; metres, m², m³, tonnes, degrees; ± at k = 2."""

    measurement_id: int
    pile_id: int
    on: dt.date
    height_m: float | None
    highest_m: float | None
    area_m2: float | None
    volume_m3: float
    volume_u95_m3: float
    tonnes: float | None
    tonnes_u95_t: float | None
    steepest_deg: float | None
    edge: Sequence[Sequence[float]]


@dataclass(frozen=True)
class Trend:
    """When the limit is reached if the months go on as they did; `reckoned_from` is day nought.

    `refused` says why there is none.
    """

    crossing: Crossing | None
    reckoned_from: dt.date | None
    refused: str = ""
    back_test_percent: float | None = None

    def day(self, days: float | None) -> dt.date | None:
        """The day that lies `days` after the one reckoned from."""
        known = days is not None and self.reckoned_from is not None
        return self.reckoned_from + dt.timedelta(days=math.floor(days)) if known else None

    @property
    def expected_on(self) -> dt.date | None:
        return None if self.crossing is None else self.day(self.crossing.days)

    @property
    def earliest_on(self) -> dt.date | None:
        return None if self.crossing is None else self.day(self.crossing.earliest)

    @property
    def latest_on(self) -> dt.date | None:
        return None if self.crossing is None else self.day(self.crossing.latest)


@dataclass(frozen=True)
class LimitTest:
    """One limit on one pile, or on a site's piles together (`pile` empty).

    `value`, `u95`, `margin` in the unit that the limit is kept in; `margin` is what is left, negative when
    passed. `measured_on` is the oldest survey that went into it. `why` says why it was not testable.
    """

    limit: Limit
    pile: Pile | None
    state: str
    value: float | None = None
    u95: float | None = None
    margin: float | None = None
    measured_on: dt.date | None = None
    measurement_id: int | None = None
    trend: Trend = Trend(None, None, "not looked for")
    why: str = ""

    @property
    def share(self) -> float | None:
        """Value over limit."""
        return None if self.value is None else self.value / float(self.limit.value)

    @property
    def is_within_doubt(self) -> bool:
        """The margin is smaller than the ± of what was measured."""
        return self.u95 is not None and self.margin is not None and abs(self.margin) <= self.u95


def limit_tests(
    user: Any, on: dt.date, *, organization: Any = None, site: Site | None = None
) -> list[LimitTest]:
    """Every limit in force on `on` that a person may see, tested. Three queries, whatever the history."""
    limits = Limit.objects.for_user(user)
    piles = Pile.objects.for_user(user)
    if organization is not None:
        limits, piles = (
            limits.filter(site__organization=organization),
            piles.filter(site__organization=organization),
        )
    if site is not None:
        limits, piles = limits.filter(site=site), piles.filter(site=site)
    return tested(limits_in_force(limits, on), piles.open_on(on), on)


def tested(limits: Iterable[Limit], piles: Iterable[Pile], on: dt.date) -> list[LimitTest]:
    """As `limit_tests`, for limits and piles that are known already."""
    limits = list(limits)
    if not limits:
        return []
    by_site: dict[int, list[Pile]] = {}
    for pile in piles:
        by_site.setdefault(pile.site_id, []).append(pile)
    needed = [pile.pk for limit in limits for pile in by_site.get(limit.site_id, ())]
    has_setback = any(limit.quantity == Limit.Quantity.SETBACK for limit in limits)
    readings = readings_of(needed, on, with_edges=has_setback)
    tests = []
    for limit in limits:
        meant = [p for p in by_site.get(limit.site_id, ()) if limit.pile_id in (None, p.pk)]
        if limit.pile_id is None and limit.quantity in SUMMED:
            tests.append(_of_site(limit, meant, readings, on))
        else:
            tests += [_of_pile(limit, pile, readings.get(pile.pk, []), on) for pile in meant]
    return tests


def readings_of(piles: Iterable[int], on: dt.date, *, with_edges: bool = False) -> dict[int, list[Reading]]:
    """Pile → its approved measurements up to `on`, oldest first, of the last years. One query."""
    since = on - dt.timedelta(days=MONTHS_LOOKED_BACK * 31)
    rows = (
        Measurement.objects.filter(
            pile__in=set(piles), state=State.APPROVED, surveyed_on__lte=on, surveyed_on__gt=since
        )
        .order_by("surveyed_on", "pk")
        .values_list(
            "pk", "pile_id", "surveyed_on", "record__greatest_height_m", "record__highest_m",
            "record__plan_area_m2", "net_m3", "u95_m3", "tonnes", "u95_t", "surface_facts__steepest_deg",
            *(["surface_facts__edge"] if with_edges else []),
        )
    )  # fmt: skip
    found: dict[int, list[Reading]] = {}
    for row in rows:
        numbers = [None if value is None else float(value) for value in row[3:11]]
        edge = (row[11] or ()) if with_edges else ()
        found.setdefault(row[1], []).append(Reading(*row[:3], *numbers, edge))
    return found


def _of_pile(limit: Limit, pile: Pile, readings: Sequence[Reading], on: dt.date) -> LimitTest:
    if limit.quantity == Limit.Quantity.AGE:
        return _age(limit, pile, on)
    if not readings:
        return LimitTest(limit, pile, UNTESTABLE, why="the pile has no approved measurement")
    last = readings[-1]
    value, u95, why = quantity_of(limit, last)
    if value is None:
        return LimitTest(
            limit, pile, UNTESTABLE, why=why, measured_on=last.on, measurement_id=last.measurement_id
        )
    months = _by_month(readings, limit)
    return _judged(limit, pile, value, u95, last.on, last.measurement_id, months)


def _of_site(
    limit: Limit, piles: Sequence[Pile], readings: Mapping[int, Sequence[Reading]], on: dt.date
) -> LimitTest:
    """All piles of the site together; the ± of independent measurements adds in quadrature."""
    missing = [pile.code for pile in piles if not readings.get(pile.pk)]
    if missing or not piles:
        why = f"not measured: {', '.join(missing)}" if missing else "no pile is open"
        return LimitTest(limit, None, UNTESTABLE, why=why)
    lasts = [readings[pile.pk][-1] for pile in piles]
    parts = [quantity_of(limit, last) for last in lasts]
    without = [pile.code for pile, (value, _, _) in zip(piles, parts, strict=True) if value is None]
    if without:
        return LimitTest(limit, None, UNTESTABLE, why=f"no {limit.quantity} is known of {', '.join(without)}")
    value = math.fsum(part[0] for part in parts)
    doubts = [part[1] for part in parts]
    u95 = None if None in doubts else math.hypot(*doubts)
    each = [_by_month(readings[pile.pk], limit) for pile in piles]
    months = {m: math.fsum(row[m] for row in each) for m in set.intersection(*map(set, each))}
    return _judged(limit, None, value, u95, min(last.on for last in lasts), None, months)


def quantity_of(limit: Limit, reading: Reading) -> tuple[float | None, float | None, str]:
    """(value, its ± or None where it has none of its own, why there is no value)."""
    kinds = Limit.Quantity
    if limit.quantity == kinds.HEIGHT:
        return reading.height_m, None, "the record holds no height"
    if limit.quantity == kinds.ABOVE_NATURAL:
        if limit.reference_level_m is None or reading.highest_m is None:
            return None, None, "the limit names no level of natural ground to measure from"
        return reading.highest_m - float(limit.reference_level_m), None, ""
    if limit.quantity == kinds.SLOPE:
        return reading.steepest_deg, None, "the slope of its faces was not worked out"
    if limit.quantity == kinds.AREA:
        return reading.area_m2, None, "the record holds no area"
    if limit.quantity == kinds.VOLUME:
        return reading.volume_m3, reading.volume_u95_m3, ""
    if limit.quantity == kinds.TONNES:
        return reading.tonnes, reading.tonnes_u95_t, "no density applied, so there are no tonnes"
    return _setback(limit, reading)


def _setback(limit: Limit, reading: Reading) -> tuple[float | None, float | None, str]:
    """Shortest distance in plan from the measured outer edge to the boundary; 0 where it crosses."""
    if not limit.boundary:
        return None, None, "the limit has no boundary line to measure from"
    if not reading.edge:
        return None, None, "the outer edge of the measurement is not at hand"
    pile = shapely.Polygon(reading.edge)
    return float(pile.distance(shapely.LineString(limit.boundary))), None, ""


def _age(limit: Limit, pile: Pile, on: dt.date) -> LimitTest:
    """Known to the day: no measurement, no trend to guess."""
    days = float((on - pile.opened_on).days)
    left = float(limit.value) - days
    crossing = Crossing(float(limit.value), max(left, 0.0), max(left, 0.0), max(left, 0.0))
    found = _judged(limit, pile, days, None, on, None, {})
    return LimitTest(
        limit, pile, found.state, days, None, found.margin, on, None, Trend(crossing, on)
    )  # fmt: skip


def _judged(
    limit: Limit,
    pile: Pile | None,
    value: float,
    u95: float | None,
    on: dt.date,
    measurement_id: int | None,
    months: Mapping[tuple[int, int], float],
) -> LimitTest:
    bound = float(limit.value)
    is_max = limit.operator == Limit.Operator.MAX
    margin = bound - value if is_max else value - bound
    near = value >= NEAR_SHARE * bound if is_max else value * NEAR_SHARE <= bound
    in_doubt = u95 is not None and margin <= u95
    state = OVER if margin < 0 else NEAR if near or in_doubt else WITHIN
    trend = _trend(limit, value, u95, on, months) if state != OVER else Trend(None, on, "passed already")
    return LimitTest(limit, pile, state, value, u95, margin, on, measurement_id, trend)


def _trend(
    limit: Limit, value: float, u95: float | None, on: dt.date, months: Mapping[tuple[int, int], float]
) -> Trend:
    if limit.quantity not in GROWS:
        return Trend(None, on, "it does not grow from month to month")
    changes = net_changes(months)
    try:
        ahead = forecast(changes, MONTHS_AHEAD)
    except NotEnoughMonths:
        return Trend(None, on, f"{len(changes)} months of change are known in a row; 6 are needed")
    crossing = first_crossing(value, u95 or 0.0, ahead, float(limit.value))
    return Trend(crossing, on, "", ahead.back_test.mean_abs_percent)


def net_changes(months: Mapping[tuple[int, int], float]) -> list[float]:
    """Month-to-month changes of the run of months without a gap that ends with the last, oldest first."""
    run: list[float] = []
    number = 0
    for year, month in sorted(months, reverse=True):
        if run and year * 12 + month != number - 1:
            break
        number = year * 12 + month
        run.insert(0, months[(year, month)])
    return [after - before for before, after in pairwise(run)]


def _by_month(readings: Iterable[Reading], limit: Limit) -> dict[tuple[int, int], float]:
    """(year, month) → the value of the last measurement of the month."""
    found = {}
    for reading in readings:
        value, _, _ = quantity_of(limit, reading)
        if value is not None:
            found[(reading.on.year, reading.on.month)] = value
    return found
