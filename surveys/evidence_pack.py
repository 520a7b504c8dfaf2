"""A year's evidence of an organization, or of one of its sites, as one ZIP with an index and hashes.

Members come one after the other, so that a pack of any size needs the memory of its largest member and can
be sent while it is made. Every member has the same date, the order is that of the names, and nothing depends
on who asks or when: of a year whose periods are all locked the same bytes are made again. The index comes
last, as JSON and as a table for people, with the SHA-256 of each member.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.db import transaction
from django.db.models import Max, Q, QuerySet

from inventory.audit import record_event
from inventory.models import (
    AccountCode,
    Adjustment,
    AuditEvent,
    BaseVersion,
    DensityRecord,
    Explanation,
    Movement,
    MovementImport,
    Organization,
    Period,
    PeriodStep,
    Restatement,
    Site,
    StockCount,
    UnitValue,
    User,
)
from inventory.period_export import content_of
from inventory.period_forms import FORMS, csv_of
from inventory.rights import require
from surveys import storage
from surveys.certificates.making import certificate
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.models import Measurement, State, StoredFile, SurveyFile

MEMBER_DATE = (1980, 1, 1, 0, 0, 0)
SIGNED = (State.APPROVED, State.SUPERSEDED)

Make = Callable[[], bytes]


@dataclass(frozen=True)
class Scope:
    """What a pack is of. `until`: the last lock of the year where all its periods are locked; what was done
    later, such as taking a pack, is in none of them. Empty while a period is still open."""

    organization: Organization
    year: int
    sites: tuple[Site, ...]
    until: dt.datetime | None

    @property
    def name(self) -> str:
        site = f"-{self.sites[0].code}" if len(self.sites) == 1 else ""
        return f"evidence-{self.organization.slug}{site}-{self.year}.zip"

    @property
    def first(self) -> dt.date:
        return dt.date(self.year, 1, 1)

    @property
    def end(self) -> dt.date:
        return dt.date(self.year + 1, 1, 1)


def scope_of(organization: Organization, year: int, site: Site | None = None) -> Scope:
    sites = Site.objects.filter(organization=organization).order_by("code")
    chosen = tuple(sites if site is None else [site])
    periods = Period.objects.filter(site__in=chosen, starts_on__year=year)
    is_over = periods.exists() and not periods.exclude(state=Period.State.LOCKED).exists()
    locked = PeriodStep.objects.filter(period__in=periods, to_state=Period.State.LOCKED)
    return Scope(organization, year, chosen, locked.aggregate(last=Max("at"))["last"] if is_over else None)


def take_pack(scope: Scope, by: User) -> Iterator[bytes]:
    """The bytes of the pack, in pieces. Who took it is an event of the chain, which the pack does not hold.

    Raises `NotAllowed` at once; what the store lost or holds damaged is named in the index.
    """
    require(by, scope.organization, "take_evidence")
    with transaction.atomic():
        detail = {"year": scope.year, "sites": [site.code for site in scope.sites]}
        record_event(
            scope.organization, by=by, verb="take_evidence", subject=scope.organization, detail=detail
        )
    return pieces(scope)


def pieces(scope: Scope) -> Iterator[bytes]:
    out = _Drain()
    index: list[dict[str, Any]] = []
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as pack:
        for path, make in sorted(members(scope), key=lambda member: member[0]):
            try:
                data = make()
            except (EvidenceMissing, EvidenceDamaged) as lost:
                index.append({"path": path, "problem": lost.message})
                continue
            _add(pack, path, data)
            index.append({"path": path, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()})
            yield out.drained()
        _add(pack, "index.csv", _index_table(index))
        _add(pack, "index.json", _index_record(scope, index))
    yield out.drained()


def write_pack(scope: Scope, path: Path) -> tuple[str, int]:
    """The pack as a file; its SHA-256 and its bytes."""
    digest, size = hashlib.sha256(), 0
    with path.open("wb") as target:
        for piece in pieces(scope):
            digest.update(piece)
            size += target.write(piece)
    return digest.hexdigest(), size


class _Drain(io.RawIOBase):
    """A file that cannot go back: what was written is taken out at once."""

    def __init__(self) -> None:
        self.held = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.held += data
        return len(data)

    def drained(self) -> bytes:
        data, self.held = bytes(self.held), bytearray()
        return data


def _add(pack: zipfile.ZipFile, path: str, data: bytes) -> None:
    member = zipfile.ZipInfo(path, MEMBER_DATE)
    member.compress_type = zipfile.ZIP_DEFLATED
    member.external_attr = 0o444 << 16
    member.create_system = 3
    pack.writestr(member, data, compresslevel=6)


def _index_table(index: list[dict[str, Any]]) -> bytes:
    rows = [
        {name: str(member.get(name, "")) for name in ("path", "bytes", "sha256", "problem")}
        for member in index
    ]
    return csv_of(rows)


def _index_record(scope: Scope, index: list[dict[str, Any]]) -> bytes:
    last = _events(scope).last()
    return _json(
        {
            "organization": scope.organization.name,
            "year": scope.year,
            "sites": [site.code for site in scope.sites],
            "is_closed": scope.until is not None,
            "audit_events_until": None if last is None else last.seq,
            "audit_chain_sha256": None if last is None else last.sha256,
            "members": index,
        }
    )


# --- what is in it -------------------------------------------------------------------------------------


def members(scope: Scope) -> Iterator[tuple[str, Make]]:
    """(path, what makes its bytes). Nothing is read until it is the member's turn."""
    yield "audit-events.jsonl", lambda: _lines(map(_event, _events(scope).iterator()))
    yield from _tables(scope)
    for site in scope.sites:
        yield from _measured(scope, site)
        yield from _received(scope, site)
        yield from _months(scope, site)


def _events(scope: Scope) -> QuerySet[AuditEvent]:
    events = AuditEvent.objects.filter(organization=scope.organization).order_by("seq")
    return events if scope.until is None else events.filter(at__lte=scope.until)


def _event(event: AuditEvent) -> dict[str, Any]:
    """All that its hash is taken over, under the names that the hash uses."""
    return {
        "organization": event.organization_id,
        "seq": event.seq,
        "at": event.at.astimezone(dt.UTC).isoformat(),
        "by": event.by_id,
        "roles": event.roles,
        "verb": event.verb,
        "subject": event.subject,
        "detail": event.detail,
        "before_sha256": event.before_sha256,
        "after_sha256": event.after_sha256,
        "previous_sha256": event.previous_sha256,
        "sha256": event.sha256,
    }


def _measured(scope: Scope, site: Site) -> Iterator[tuple[str, Make]]:
    """Certificates, and the full records with the inputs they pin."""
    rows = Measurement.objects.filter(
        survey__site=site, state__in=SIGNED, surveyed_on__gte=scope.first, surveyed_on__lt=scope.end
    ).order_by("pk")
    for pk, pile, on, version in rows.values_list("pk", "pile__code", "surveyed_on", "version"):
        name = _plain(f"{pile}-{on}-v{version}")
        yield f"{_folder(site)}/measurements/{name}.json", _record_maker(pk)
        yield f"{_folder(site)}/certificates/{name}.pdf", _certificate_maker(pk)


def _record_maker(pk: int) -> Make:
    def make() -> bytes:
        measurement = Measurement.objects.get(pk=pk)
        return _json(
            {
                "evidence_ref": measurement.evidence_ref,
                "digest": measurement.digest,
                "request": measurement.request,
                "record": measurement.record,
            }
        )

    return make


def _certificate_maker(pk: int) -> Make:
    return lambda: certificate(Measurement.objects.select_related("survey__site", "pile").get(pk=pk)).data


def _received(scope: Scope, site: Site) -> Iterator[tuple[str, Make]]:
    """Files as received: of the surveys of the year, of bases in force in it, and imports of movements."""
    surveyed = SurveyFile.objects.filter(
        survey__site=site, survey__surveyed_on__gte=scope.first, survey__surveyed_on__lt=scope.end
    ).values("stored_file")
    bases = _in_force(BaseVersion.objects.filter(pile__site=site), scope).values("evidence_sha256")
    stored = StoredFile.objects.filter(organization=scope.organization).filter(
        Q(pk__in=surveyed) | Q(sha256__in=bases)
    )
    for file in stored.order_by("pk"):
        path = f"{_folder(site)}/received/{file.sha256[:16]}-{_plain(file.name)}"
        yield path, (lambda file=file: storage.read_bytes(file))
    imports = MovementImport.objects.filter(site=site, state="posted", movements__in=_moved(scope, site))
    for pk, sha256, name in imports.distinct().order_by("pk").values_list("pk", "sha256", "name"):
        yield f"{_folder(site)}/imports/{sha256[:16]}-{_plain(name)}", _import_maker(pk)


def _import_maker(pk: int) -> Make:
    return lambda: gzip.decompress(bytes(MovementImport.objects.get(pk=pk).data_gz))


def _months(scope: Scope, site: Site) -> Iterator[tuple[str, Make]]:
    periods = Period.objects.filter(site=site, starts_on__gte=scope.first, starts_on__lt=scope.end)
    for period in periods.order_by("starts_on"):
        head = f"{_folder(site)}/periods/{period.name}"
        yield f"{head}.csv", (lambda period=period: FORMS["csv"].render(content_of(period)))
        yield f"{head}.json", (lambda period=period: FORMS["json"].render(content_of(period)))
        yield f"{head}-journals.csv", (lambda period=period: csv_of(content_of(period)["journals"]))
        yield f"{head}-causes.json", (lambda period=period: _causes(period))


def _causes(period: Period) -> bytes:
    rows = period.lines.order_by("pile__code").values("pile__code", "gate", "gates", "causes")
    return _json(list(rows))


def _moved(scope: Scope, site: Site) -> QuerySet[Movement]:
    rows = Movement.objects.filter(site=site, book_on__gte=scope.first, book_on__lt=scope.end)
    return rows.order_by("pk")


def _tables(scope: Scope) -> Iterator[tuple[str, Make]]:
    """Records of the book as plain tables, one row a record, in the order they were made."""
    of = scope.organization
    yield "densities.csv", lambda: _table(_in_force(DensityRecord.objects.filter(organization=of), scope))
    yield "unit-values.csv", lambda: _table(_in_force(UnitValue.objects.filter(organization=of), scope))
    yield (
        "accounts.csv",
        lambda: _table(AccountCode.objects.filter(organization=of, valid_from__lt=scope.end)),
    )
    for site in scope.sites:
        year = {
            "period__site": site,
            "period__starts_on__gte": scope.first,
            "period__starts_on__lt": scope.end,
        }
        counted = {"pile__site": site, "counted_on__gte": scope.first, "counted_on__lt": scope.end}
        rows: dict[str, QuerySet[Any]] = {
            "bases": _in_force(BaseVersion.objects.filter(pile__site=site), scope),
            "counts": StockCount.objects.filter(**counted),
            "movements": _moved(scope, site),
            "period-steps": PeriodStep.objects.filter(**year),
            "adjustments": Adjustment.objects.filter(**year),
            "explanations": Explanation.objects.filter(**year),
            "restatements": Restatement.objects.filter(**year),
        }
        for name, records in rows.items():
            yield f"{_folder(site)}/{name}.csv", (lambda records=records: _table(records))


def _in_force(records: QuerySet[Any], scope: Scope) -> QuerySet[Any]:
    """Dated records that held on a day of the year, whatever became of them; proposals are no evidence."""
    still = Q(valid_to__isnull=True) | Q(valid_to__gt=scope.first)
    return records.filter(still, valid_from__lt=scope.end, status__in=["approved", "superseded"])


def _table(records: QuerySet[Any]) -> bytes:
    """Every column of the records as text; rows named by id are named in the audit events and the sheets."""
    names = [field.attname for field in records.model._meta.concrete_fields]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    for row in records.order_by("pk").values_list(*names).iterator():
        writer.writerow([_cell(value) for value in row])
    return out.getvalue().encode("utf-8")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    return f"{value:f}" if hasattr(value, "as_tuple") else str(value)


def _json(value: Any) -> bytes:
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, indent=1, default=str)
    return f"{text}\n".encode()


def _lines(values: Iterable[Any]) -> bytes:
    return "".join(f"{json.dumps(value, ensure_ascii=False, sort_keys=True)}\n" for value in values).encode()


def _folder(site: Site) -> str:
    return f"sites/{_plain(site.code)}"


def _plain(name: str) -> str:
    """A name that any file system takes: dashes for the rest."""
    return "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in name)
