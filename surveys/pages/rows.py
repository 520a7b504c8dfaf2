"""Measurements with what a table says beside them: version before, survey before, silhouette, findings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import OuterRef, QuerySet, Subquery
from django.utils.safestring import SafeString, mark_safe

from surveys.drawings.silhouette import ListScale, Profile, silhouette
from surveys.models import JobState, Measurement, State
from surveys.site_words import told_at

WEIGHTS = ("stop", "warn", "note")
SILHOUETTE_WIDTH = 300.0
BULKY = ("request", "record")
"""Columns that a page about many measurements leaves in the database."""


@dataclass(frozen=True)
class WeighedFinding:
    """One finding of one measurement, with who accepted it, if anybody did."""

    code: str
    severity: str
    message: str
    where: str
    remedy: str
    effect_m3: float | None
    acceptance: Any = None

    @property
    def is_open_stop(self) -> bool:
        return self.severity == "stop" and self.acceptance is None


@dataclass(frozen=True)
class MeasuredPile:
    """The latest version of one pile of a survey. `earlier` is the version before it, `previous` the
    approved measurement of the last earlier date."""

    measurement: Measurement
    earlier: Measurement | None = None
    previous: Measurement | None = None
    findings: tuple[WeighedFinding, ...] = ()
    drawing: SafeString = field(default=SafeString(""))

    @property
    def is_working(self) -> bool:
        m = self.measurement
        return m.state == State.DRAFT and m.job_state in (JobState.WAITING, JobState.RUNNING)

    @property
    def is_measured(self) -> bool:
        return self.measurement.net_m3 is not None

    @property
    def since_earlier_m3(self) -> Any:
        both = self.earlier is not None and self.earlier.net_m3 is not None and self.is_measured
        return self.measurement.net_m3 - self.earlier.net_m3 if both else None

    @property
    def since_previous_m3(self) -> Any:
        both = self.previous is not None and self.previous.net_m3 is not None and self.is_measured
        return self.measurement.net_m3 - self.previous.net_m3 if both else None

    @property
    def open_stops(self) -> int:
        return sum(finding.is_open_stop for finding in self.findings)

    @property
    def weights(self) -> list[tuple[str, int]]:
        counts = [(weight, sum(f.severity == weight for f in self.findings)) for weight in WEIGHTS]
        return [(weight, count) for weight, count in counts if count]


def weighed_findings(measurement: Measurement) -> tuple[WeighedFinding, ...]:
    """Findings by weight, in the site's units. Reads `acceptances`, which the caller prefetches."""
    if not measurement.record:
        return ()
    accepted = {acceptance.code: acceptance for acceptance in measurement.acceptances.all()}
    found = [
        WeighedFinding(
            finding["code"],
            finding["severity"],
            told_at(measurement.pile.site, finding),
            finding.get("where", ""),
            finding.get("remedy", ""),
            finding.get("effect_m3"),
            accepted.get(finding["code"]),
        )
        for finding in measurement.record.get("findings", [])
    ]
    return tuple(sorted(found, key=lambda finding: WEIGHTS.index(finding.severity)))


def previous_approved() -> Subquery:
    """Id of the pile's approved measurement of the last date before this one's."""
    earlier = Measurement.objects.filter(
        pile=OuterRef("pile"), surveyed_on__lt=OuterRef("surveyed_on"), state=State.APPROVED
    )
    return Subquery(earlier.order_by("-surveyed_on").values("pk")[:1])


def measured_piles(versions: QuerySet[Measurement]) -> list[MeasuredPile]:
    """The latest of each pile out of `versions`, by pile code. A constant number of queries."""
    rows = list(
        versions.select_related(
            "pile__material", "pile__site", "density", "base_version__pile", "prepared_by"
        )
        .prefetch_related("acceptances__by")
        .annotate(previous_id=previous_approved())
        .defer("request")
        .order_by("pile__code", "version")
    )
    latest: dict[int, Measurement] = {}
    earlier: dict[int, Measurement] = {}
    for row in rows:
        if row.pile_id in latest:
            earlier[row.pile_id] = latest[row.pile_id]
        latest[row.pile_id] = row
    previous = Measurement.objects.defer("request").in_bulk(
        [m.previous_id for m in latest.values() if m.previous_id]
    )
    before = {m.pile_id: previous.get(m.previous_id) for m in latest.values()}
    drawings = silhouettes(latest.values(), before)
    return [
        MeasuredPile(
            m, earlier.get(pile), before.get(pile), weighed_findings(m), drawings.get(pile, SafeString(""))
        )
        for pile, m in latest.items()
    ]


def profile_of(measurement: Measurement | None) -> Profile | None:
    """The silhouette kept in the record, or None where nothing was measured."""
    drawn = (measurement.record or {}).get("silhouette") if measurement is not None else None
    return Profile.of_outlines(drawn["top_m"], drawn["base_m"]) if drawn else None


def silhouettes(
    measurements: Iterable[Measurement],
    before: dict[int, Measurement | None],
    width: float = SILHOUETTE_WIDTH,
) -> dict[int, SafeString]:
    """Pile id → drawing, all at one scale, the survey before behind in a thin line."""
    now = {m.pile_id: (m, profile) for m in measurements if (profile := profile_of(m)) is not None}
    past = {pile: profile for pile, m in before.items() if (profile := profile_of(m)) is not None}
    scale = ListScale.over([*(profile for _, profile in now.values()), *past.values()], width)
    return {
        pile: mark_safe(  # noqa: S308  built and escaped by the drawing
            silhouette(profile, scale, previous=past.get(pile), name=f"Longest section of {m.pile.code}")
        )
        for pile, (m, profile) in now.items()
    }
