"""Looking at everything that was approved with fresh eyes: does it still come out as it was signed?

Measurements are worked out again from the bytes received and the other pinned inputs, received files are
hashed again, counts are laid beside the measurements they came from, the chains of audit events are walked,
and the checks of the ledger run. Each look gives a name, how much it looked at, and what does not hold.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from compute import ALGORITHM
from compute.errors import Refused
from inventory.audit import walk_chain
from inventory.errors import BookRefused
from inventory.ledger_checks import LEDGER_CHECKS, Scope, chain_holds
from inventory.models import AuditEvent, Organization, Role, StockCount
from surveys import computing, storage
from surveys.models import Alert, Measurement, State, StoredFile

SIGNED = (State.APPROVED, State.SUPERSEDED)


@dataclass(frozen=True)
class Look:
    """One check: its name, how many things it looked at, and what does not hold, in words."""

    name: str
    looked_n: int
    problems: tuple[str, ...]


def signed() -> QuerySet[Measurement]:
    """Measurements somebody approved, those replaced since too: their certificates are still about."""
    rows = Measurement.objects.filter(state__in=SIGNED)
    return rows.select_related("pile", "survey__site").order_by("pk")


def in_turn(rows: Sequence[Any], sample: int | None, day: dt.date) -> list[Any]:
    """`sample` of the rows, others each day, so that all have their turn; all of them for `None`."""
    if sample is None or sample >= len(rows):
        return list(rows)
    first = day.toordinal() * sample % len(rows)
    return [rows[(first + step) % len(rows)] for step in range(sample)]


def look_at_measurements(sample: int | None, day: dt.date) -> Look:
    """Recompute, and compare digest, printed figures and the kept geometry."""
    taken = in_turn(list(signed().values_list("pk", flat=True)), sample, day)
    problems: list[str] = []
    for pk in taken:
        measurement = signed().get(pk=pk)
        problems += [f"{name_of(measurement)}: {words}" for words in differences(measurement)]
    return Look("measurements recomputed", len(taken), tuple(problems))


def differences(measurement: Measurement) -> Iterator[str]:
    """What does not come out as approved; nothing when all does."""
    try:
        digest = computing.recompute(measurement)
    except (Refused, BookRefused) as refusal:
        yield refusal.message
        return
    if digest != measurement.digest:
        pinned = measurement.request.get("algorithm")
        other = f"; it was measured by {pinned}, this is {ALGORITHM}" if pinned != ALGORITHM else ""
        yield f"gives the digest {digest[:12]}…, approved with {measurement.digest[:12]}…{other}"
    recorded = (measurement.record or {}).get("digest")
    if recorded != measurement.digest:
        yield f"its record holds the digest {str(recorded)[:12]}…, its row {measurement.digest[:12]}…"
    else:
        figures = computing.figures_of(measurement.record)
        apart = [name for name, value in figures.items() if getattr(measurement, name) != value]
        if apart:
            yield f"{', '.join(apart)} of its row differ from its record"
    try:
        if measurement.geometry_path:
            computing.geometry_of(measurement)
    except (Refused, BookRefused) as refusal:
        yield refusal.message


def name_of(measurement: Measurement) -> str:
    return f"{measurement.pile.code} {measurement.surveyed_on} v{measurement.version}"


def look_at_files(sample: int | None, day: dt.date) -> Look:
    """Hash received bytes again, also those that no measurement used."""
    taken = in_turn(list(StoredFile.objects.order_by("pk").values_list("pk", flat=True)), sample, day)
    problems = []
    for stored in StoredFile.objects.filter(pk__in=taken).order_by("pk").iterator():
        try:
            storage.read_bytes(stored)
        except Refused as refusal:
            problems.append(refusal.message)
    return Look("received files hashed", len(taken), tuple(problems))


def look_at_counts() -> Look:
    """What the book holds as counted is what was approved: same digest, same volume, same tonnes."""
    approved = {
        f"measurement:{uuid}": said
        for uuid, *said in Measurement.objects.filter(state__in=(*SIGNED, State.WITHDRAWN)).values_list(
            "uuid", "digest", "net_m3", "tonnes"
        )
    }
    problems, looked_n = [], 0
    counts = StockCount.objects.order_by("pk").values_list(
        "evidence_ref", "pile__code", "counted_on", "evidence_digest", "volume_m3", "tonnes"
    )
    for ref, pile, on, *said in counts.iterator():
        looked_n += 1
        if ref.startswith("measurement:") and approved.get(ref) != said:
            problems.append(f"count of {pile} on {on} does not say what measurement {ref[12:]} says")
    return Look("counts beside their measurements", looked_n, tuple(problems))


def look_at_chains() -> Look:
    problems: list[str] = []
    for organization in Organization.objects.order_by("pk"):
        problems += [f"{organization.slug}: {problem}" for problem in walk_chain(organization)]
    return Look("audit events chained", AuditEvent.objects.count(), tuple(problems))


def look_at_ledgers() -> list[Look]:
    """Each check of the ledger over all organizations; the chain has a look of its own."""
    organizations = list(Organization.objects.order_by("pk"))
    looks = []
    for check in LEDGER_CHECKS:
        if check is chain_holds:
            continue
        problems = [
            f"{organization.slug}: {words}"
            for organization in organizations
            for words in check(Scope(organization))
        ]
        name = check.__name__.replace("_", " ")
        looks.append(Look(f"ledger: {name}", len(organizations), tuple(problems)))
    return looks


# --- at night --------------------------------------------------------------------------------------


def watch_sample(sample: int, now: dt.datetime) -> list[Alert]:
    """Recompute some measurements in turn; raise an alert for each that is not reproducible, once, and
    resolve it when it comes out right again. Returns those newly raised."""
    raised = []
    for pk in in_turn(list(signed().values_list("pk", flat=True)), sample, now.date()) if sample else ():
        measurement = signed().get(pk=pk)
        alert = look_again(measurement, list(differences(measurement)), now)
        raised += [] if alert is None else [alert]
    return raised


def look_again(measurement: Measurement, problems: Iterable[str], now: dt.datetime) -> Alert | None:
    words = "; ".join(problems)
    about = {
        "site": measurement.survey.site,
        "pile": measurement.pile,
        "kind": Alert.Kind.NOT_REPRODUCIBLE,
        "due_on": measurement.surveyed_on,
    }
    if not words:
        Alert.objects.filter(**about, resolved_at__isnull=True).update(resolved_at=now)
        return None
    message = (
        f"{name_of(measurement)} is not reproducible: {words}. The figure approved stands; nothing was "
        "changed. Restore the store from its backup or find what changed, then verify again."
    )
    alert, is_new = Alert.objects.get_or_create(
        **about, defaults={"message": message, "owner_role": Role.LEAD_SURVEYOR, "raised_at": now}
    )
    again = Alert.objects.filter(pk=alert.pk, resolved_at__isnull=False).update(
        resolved_at=None, raised_at=now, message=message
    )
    return alert if is_new or again else None
