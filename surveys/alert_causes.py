"""What raises alerts: limits, faces, bases, densities, drifts, missing tickets, months not signed.

Each cause is a function of sites and a moment that yields what stands now; none asks more queries of a
longer history. Surveys due have their own (`due_alerts.py`), and so has what is not reproducible.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence

from django.db.models import Max, OuterRef, Q, Subquery

from inventory.limits import limits_in_force
from inventory.models import (
    BaseVersion,
    DensityRecord,
    Limit,
    Material,
    Movement,
    Period,
    PeriodLine,
    Pile,
    Role,
    Site,
    Status,
)
from inventory.tickets.series import gaps_in
from surveys import surface_facts
from surveys.alerts import Condition, settle
from surveys.limit_tests import NEAR, OVER, tested
from surveys.limit_words import said, trend_said
from surveys.models import Alert, Measurement, State
from surveys.pages.figures import Units
from surveys.pages.wording import day
from surveys.site_words import told_at

Kind = Alert.Kind
Cause = Callable[[Sequence[Site], dt.datetime], Iterator[Condition]]

WEEK, FORTNIGHT, MONTH = dt.timedelta(days=7), dt.timedelta(days=14), dt.timedelta(days=30)
BASE_GOOD_FOR = dt.timedelta(days=365)
"""Common practice, no source: a pad settles, is regraded and is driven on."""
DENSITY_NOTICE = dt.timedelta(days=31)
SIGNED_WITHIN = dt.timedelta(days=10)
TICKETS_LOOKED_AT = dt.timedelta(days=62)
STEEP_CODES = frozenset({"steep-slopes", "overhang", "overhangs"})
SURVEYED_BASES = (BaseVersion.Kind.SURFACE, BaseVersion.Kind.LEVEL)
"""The other kinds are drawn through each survey's own toe and do not age."""


def raise_all(now: dt.datetime, sites: Iterable[Site] | None = None) -> list[Alert]:
    """Bring the alerts of `sites` (all by default) up to now; returns those newly raised."""
    found = list((Site.objects.all() if sites is None else sites).select_related("organization"))
    surface_facts.fill()
    return [alert for kinds, cause in CAUSES for alert in settle(cause(found, now), kinds, found, now)]


def raise_for(measurement_id: int, now: dt.datetime) -> list[Alert]:
    """A figure came or was approved: its faces and its limits need not wait for the scheduler."""
    sites = list(Site.objects.filter(surveys__measurements=measurement_id).select_related("organization"))
    surface_facts.fill([measurement_id])
    raised = []
    for kinds, cause in (LIMITS, FACES):
        raised += settle(cause(sites, now), kinds, sites, now)
    return raised


def limits(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    days = {site.date_of(now) for site in sites}
    for today in days:
        meant = [site for site in sites if site.date_of(now) == today]
        in_force = limits_in_force(Limit.objects.filter(site__in=meant), today)
        for test in tested(in_force, Pile.objects.filter(site__in=meant).open_on(today), today):
            if test.state in (OVER, NEAR):
                words = f"{said(test, Units.of(test.limit.site))} {trend_said(test)}".strip()
                over = test.state == OVER
                yield Condition(
                    site=test.limit.site,
                    pile=test.pile,
                    kind=Kind.LIMIT_OVER if over else Kind.LIMIT_NEAR,
                    subject=f"limit:{test.limit.pk}",
                    role=Role.MANAGER,
                    due_on=today + (WEEK if over else FORTNIGHT),
                    message=words.removesuffix(" No trend: passed already."),
                )


def steep_faces(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    """By the newest figure of each pile, signed or not: a face falls without waiting for a signature."""
    live = (State.COMPUTED, State.REVIEWED, State.APPROVED)
    newest = Measurement.objects.filter(pile=OuterRef("pk"), state__in=live)
    piles = Pile.objects.filter(site__in=sites, closed_on__isnull=True).annotate(
        newest=Subquery(newest.order_by("-surveyed_on", "-version").values("pk")[:1])
    )
    rows = Measurement.objects.filter(pk__in=piles.order_by().values("newest"))
    for row in rows.select_related("pile__site__organization").defer("request").order_by("pk"):
        told = [finding for finding in row.findings if finding["code"] in STEEP_CODES]
        if told:
            site = row.pile.site
            yield Condition(
                site=site,
                pile=row.pile,
                kind=Kind.STEEP_FACE,
                subject=f"measurement:{row.pk}",
                role=Role.MANAGER,
                due_on=site.date_of(now),
                message=f"{row.pile.code}, surveyed {day(row.surveyed_on)}: {told_at(site, told[0])} "
                "Keep everybody away from toe and crest until a competent person has looked at it.",
            )


def stale_bases(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    in_force = BaseVersion.objects.filter(
        pile__site__in=sites,
        pile__closed_on__isnull=True,
        status=Status.APPROVED,
        kind__in=SURVEYED_BASES,
        valid_to__isnull=True,
    )
    for base in in_force.select_related("pile__site__organization"):
        site, today = base.pile.site, base.pile.site.date_of(now)
        if base.valid_from + BASE_GOOD_FOR < today:
            yield Condition(
                site=site,
                pile=base.pile,
                kind=Kind.BASE_STALE,
                subject=f"base:{base.pk}",
                role=Role.LEAD_SURVEYOR,
                due_on=today + MONTH,
                message=f"{base.label} is of {day(base.valid_from)}, more than a year old. Survey what lies "
                "bare of the pad at the next visit, or say why the base still holds.",
            )


def densities(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    """One alert a site and material, however many of its piles use the density."""
    piles = Pile.objects.filter(site__in=sites, closed_on__isnull=True).select_related("material")
    used: dict[tuple[int, int], list[Pile]] = {}
    for pile in piles:
        used.setdefault((pile.site_id, pile.material_id), []).append(pile)
    records: dict[int, list[DensityRecord]] = {}
    approved = DensityRecord.objects.filter(status=Status.APPROVED, material__in={m for _, m in used})
    for record in approved.order_by("valid_from"):
        records.setdefault(record.material_id, []).append(record)
    by_id = {site.pk: site for site in sites}
    for (site_id, material_id), held in used.items():
        site = by_id[site_id]
        reaching = [
            r for r in records.get(material_id, ()) if r.pile_id is None and r.site_id in (None, site_id)
        ]
        yield from _density(site, held[0].material, reaching, site.date_of(now))


def _density(
    site: Site, material: Material, records: Sequence[DensityRecord], today: dt.date
) -> Iterator[Condition]:
    covering = [record for record in records if record.covers(today)]
    last = max((r.valid_to or dt.date.max for r in covering), default=None)
    if last is None:
        ended = [r.valid_to for r in records if r.valid_to is not None and r.valid_to <= today]
        when = f"the last one ended {day(max(ended))}" if ended else "none was ever approved"
        yield Condition(
            site, None, Kind.DENSITY_MISSING, f"material:{material.pk}", Role.MANAGER, today,
            f"{material.name}: no density is in force ({when}). Volumes stand; no tonnes are worked out "
            "until one is approved.",
        )  # fmt: skip
    elif last <= today + DENSITY_NOTICE and not any(r.covers(last) for r in records):
        yield Condition(
            site, None, Kind.DENSITY_ENDING, f"material:{material.pk}", Role.MANAGER, last,
            f"{material.name}: the density in force ends before {day(last)} and none follows. Propose the "
            "next one and have it approved before that day.",
        )  # fmt: skip


def drifts(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    """By the newest kept sheet of each site."""
    kept = Period.objects.filter(site=OuterRef("pk"), lines__isnull=False).order_by("-starts_on")
    newest = Site.objects.filter(pk__in=[site.pk for site in sites]).order_by()
    newest = newest.annotate(newest=Subquery(kept.values("pk")[:1])).values("newest")
    lines = PeriodLine.objects.filter(period__in=newest, gate="drift", pile__closed_on__isnull=True)
    for line in lines.select_related("pile", "period__site__organization"):
        site = line.period.site
        words = (line.gates.get("run") or {}).get("words", "")
        yield Condition(
            site=site,
            pile=line.pile,
            kind=Kind.DRIFT,
            subject="",
            role=Role.MANAGER,
            due_on=site.date_of(now) + FORTNIGHT,
            message=f"{line.pile.code}: book and yard move apart ({line.period.name}): {words}. Look for one "
            "cause that works every month: a scale, loads without tickets, a density.",
        )


def missing_tickets(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    """Gaps in each source's numbers over the last two months that have tickets at all."""
    last = Movement.objects.filter(site__in=sites).exclude(document="").order_by()
    ends = dict(last.values_list("site").annotate(last=Max("book_on")))
    wanted = Q(pk__in=[])
    for site_id, end in ends.items():
        wanted |= Q(site=site_id, book_on__gt=end - TICKETS_LOOKED_AT)
    by_source: dict[tuple[int, str], list[str]] = {}
    rows = Movement.objects.filter(wanted, reverses__isnull=True).exclude(document="").order_by()
    for site_id, source, document in rows.values_list("site", "source", "document"):
        by_source.setdefault((site_id, source), []).append(document)
    by_id = {site.pk: site for site in sites}
    for (site_id, source), documents in sorted(by_source.items()):
        site = by_id[site_id]
        gaps = gaps_in(documents)
        # The receiving leg of a transfer bears the number of the other site's ticket.
        elsewhere = {
            document
            for (other, from_source), others in by_source.items()
            if other != site_id
            and from_source == source
            and by_id[other].organization_id == site.organization_id
            for document in others
        }
        gaps = gaps_in(documents, elsewhere.intersection(n for gap in gaps for n in gap.numbers()))
        if gaps:
            shown = ", ".join(map(str, gaps[:5])) + (f" and {len(gaps) - 5} more" if len(gaps) > 5 else "")
            missing = sum(gap.n for gap in gaps)
            yield Condition(
                site=site,
                pile=None,
                kind=Kind.TICKETS_MISSING,
                subject=f"source:{source}"[:60],
                role=Role.ACCOUNTANT,
                due_on=site.date_of(now) + WEEK,
                message=f"{source or 'Tickets'}: {missing} numbers are missing up to "
                f"{day(ends[site_id])}: {shown}. A load without a ticket, "
                "or a ticket made void: ask the weighbridge which.",
            )


def unsigned_months(sites: Sequence[Site], now: dt.datetime) -> Iterator[Condition]:
    waiting = (Period.State.OPEN, Period.State.COUNTING, Period.State.RECONCILED)
    rows = Period.objects.filter(site__in=sites, state__in=waiting, cutoff_at__lt=now - SIGNED_WITHIN)
    for period in rows.select_related("site__organization").order_by("starts_on"):
        due = period.ends_on + SIGNED_WITHIN
        reconciled = period.state == Period.State.RECONCILED
        yield Condition(
            site=period.site,
            pile=None,
            kind=Kind.MONTH_UNSIGNED,
            subject=f"period:{period.pk}",
            role=Role.MANAGER if reconciled else Role.ACCOUNTANT,
            due_on=due,
            message=f"{period.site.name}, {period.name}: the month is {period.get_state_display()} and not "
            f"signed; it was to be signed by {day(due)}.",
        )


LIMITS: tuple[tuple[str, ...], Cause] = ((Kind.LIMIT_OVER, Kind.LIMIT_NEAR), limits)
FACES: tuple[tuple[str, ...], Cause] = ((Kind.STEEP_FACE,), steep_faces)
CAUSES: tuple[tuple[tuple[str, ...], Cause], ...] = (
    LIMITS,
    FACES,
    ((Kind.BASE_STALE,), stale_bases),
    ((Kind.DENSITY_ENDING, Kind.DENSITY_MISSING), densities),
    ((Kind.DRIFT,), drifts),
    ((Kind.TICKETS_MISSING,), missing_tickets),
    ((Kind.MONTH_UNSIGNED,), unsigned_months),
)
