"""All of a file enters the book, or nothing of it; its bytes are kept either way, and twice is once."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.belts import record_reading
from inventory.entering import lock_piles
from inventory.errors import BookRefused, TicketsRefused
from inventory.models import MovementImport, Pile, Site, User
from inventory.rights import require
from inventory.tickets.against_book import check_book, check_readings, summarise, tell_gaps
from inventory.tickets.checking import Checker
from inventory.tickets.columns import Settings, propose, settings_from
from inventory.tickets.reading import Table, read_table
from inventory.tickets.report import TicketProblem
from inventory.tickets.rows import Checked
from inventory.tickets.writing import COLUMNS, follow, insert, pair
from inventory.tickets.yard import Yard

__all__ = [
    "COLUMNS",
    "Preview",
    "data_of",
    "post_received",
    "post_tickets",
    "preview_tickets",
    "read_again",
    "receive_tickets",
    "refusal_of",
]

State = MovementImport.State


@dataclass(frozen=True)
class Preview:
    """A file as it would be read: nothing was kept and nothing posted. `posted` is the import that the same
    bytes came in by already."""

    table: Table
    settings: Settings
    checked: Checked
    posted: MovementImport | None


def preview_tickets(
    site: Site, name: str, data: bytes, *, by: User, chosen: Mapping[str, Any] | None = None
) -> Preview:
    """Raises `NotAllowed`, `BadEntry`, and `TicketsRefused` for what is no table at all."""
    require(by, site.organization, "import_movements")
    table, settings = _read(site, name, data, chosen or {})
    return Preview(table, settings, _checked(name, table, settings, Yard(site)), _posted(site, _hash(data)))


def receive_tickets(
    site: Site, name: str, data: bytes, *, by: User, chosen: Mapping[str, Any] | None = None
) -> MovementImport:
    """Keep the file and what there is to say of it; post nothing. The same bytes posted before: that import.

    Raises `NotAllowed`, `BadEntry`.
    """
    require(by, site.organization, "import_movements")
    posted = _posted(site, _hash(data))
    if posted is not None:
        return posted
    try:
        preview = preview_tickets(site, name, data, by=by, chosen=chosen)
    except TicketsRefused as refusal:
        return _keep(site, name, data, by, State.REFUSED, problems=refusal.as_dict())
    return _keep_checked(site, name, data, by, preview.settings, preview.checked)


def post_tickets(
    site: Site, name: str, data: bytes, *, by: User, chosen: Mapping[str, Any] | None = None
) -> MovementImport:
    """Post every line of the file in one transaction, or none; a refused one is kept with all its problems.

    The same bytes again are the same import. Raises `NotAllowed`, `BadEntry`.
    """
    require(by, site.organization, "import_movements")
    sha256 = _hash(data)
    try:
        table, settings = _read(site, name, data, chosen or {})
    except TicketsRefused as refusal:
        return _keep(site, name, data, by, State.REFUSED, problems=refusal.as_dict())
    try:
        with transaction.atomic():
            # The site's row is the queue of its imports, and the piles' rows that of their book.
            Site.objects.select_for_update(no_key=True).get(pk=site.pk)
            posted = _posted(site, sha256)
            if posted is not None:
                return posted
            lock_piles(*Pile.objects.filter(site__organization=site.organization_id))
            checked = _checked(name, table, settings, Yard(site))
            if not checked.report.total:
                return _post(site, name, data, by, settings, checked)
    except (IntegrityError, BookRefused) as collision:
        # Another door was faster: a ticket recorded by hand, a period closed while the file was read.
        checked.report.add(TicketProblem(f"something changed meanwhile: {collision}", "Send the file again."))
    return _keep_checked(site, name, data, by, settings, checked)


def post_received(
    received: MovementImport, *, by: User, chosen: Mapping[str, Any] | None = None
) -> MovementImport:
    """Post the file of an import that was kept and not posted, read as it says or as `chosen` now."""
    given = {**received.mapping, **(chosen or {})}
    return post_tickets(received.site, received.name, data_of(received), by=by, chosen=given)


def read_again(received: MovementImport, *, by: User, chosen: Mapping[str, Any]) -> MovementImport:
    """Look at the file of an import once more, read another way; another row, nothing posted."""
    given = {**received.mapping, **chosen}
    return receive_tickets(received.site, received.name, data_of(received), by=by, chosen=given)


def data_of(kept: MovementImport) -> bytes:
    """The bytes as they came."""
    return gzip.decompress(bytes(kept.data_gz))


def refusal_of(kept: MovementImport) -> TicketsRefused:
    """The refusal that a refused import holds, to be raised."""
    problems = kept.problems
    return TicketsRefused(
        problems["message"],
        problems=tuple(problems.get("problems", ())),
        where=kept.name,
        remedy=problems["remedy"],
    )


def _read(site: Site, name: str, data: bytes, chosen: Mapping[str, Any]) -> tuple[Table, Settings]:
    table = read_table(name, data, chosen.get("delimiter", ""), has_header=chosen.get("has_header"))
    return table, settings_from(chosen, propose(table, unit=site.mass_unit))


def _checked(name: str, table: Table, settings: Settings, yard: Yard) -> Checked:
    checked = Checker(name, table, settings, yard).check()
    if settings.what == "belt":
        check_readings(checked)
    else:
        check_book(checked, settings, yard)
        tell_gaps(checked, settings, yard)
    summarise(checked)
    return checked


def _post(
    site: Site, name: str, data: bytes, by: User, settings: Settings, checked: Checked
) -> MovementImport:
    lines_n = len({row.line for row in checked.rows}) + len(checked.readings)
    report = checked.report
    made = _keep(
        site, name, data, by, State.POSTED, settings, lines_n=report.lines_n, posted_n=lines_n,
        remarks={"remarks": report.remarks},
    )  # fmt: skip
    insert(made, settings.source, checked.rows)
    pair(made, checked.rows)
    follow(checked.rows, by)
    for line, scale, pile, at, total_t in checked.readings:
        late = settings.accept_late
        record_reading(
            scale, pile, read_at=at, totaliser=total_t, by=by, accept_late=late, origin=(made, line)
        )
    record_event(
        site.organization,
        by=by,
        verb="import_movements",
        subject=made,
        detail={"name": name, "sha256": made.sha256, "lines": report.lines_n, "posted": lines_n},
        after_sha256=made.sha256,
    )
    return made


def _posted(site: Site, sha256: str) -> MovementImport | None:
    found: MovementImport | None = (
        MovementImport.objects.select_related("site__organization", "by")
        .filter(site=site, sha256=sha256, state=State.POSTED)
        .first()
    )
    return found


def _keep_checked(
    site: Site, name: str, data: bytes, by: User, settings: Settings, checked: Checked
) -> MovementImport:
    report = checked.report
    state = State.REFUSED if report.total else State.RECEIVED
    return _keep(
        site, name, data, by, state, settings, lines_n=report.lines_n,
        problems=report.refusal() if report.total else {}, remarks={"remarks": report.remarks},
    )  # fmt: skip


def _keep(
    site: Site,
    name: str,
    data: bytes,
    by: User,
    state: str,
    settings: Settings | None = None,
    *,
    lines_n: int = 0,
    posted_n: int = 0,
    problems: Mapping[str, Any] | None = None,
    remarks: Mapping[str, Any] | None = None,
) -> MovementImport:
    return MovementImport.objects.create(
        site=site,
        name=name[:255],
        sha256=_hash(data),
        bytes=len(data),
        data_gz=gzip.compress(data, compresslevel=3, mtime=0),
        mapping=settings.as_dict() if settings is not None else {},
        state=state,
        lines_n=lines_n,
        posted_n=posted_n,
        problems=problems or {},
        remarks=remarks or {},
        by=by,
        at=timezone.now(),
    )


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
