"""A period of one site for the accountant: one row a pile, material and owner, with control totals.

Rows are texts from the start: ISO dates, UTC moments, dot decimals, no thousands mark; three decimals for
quantities, two for money, four for money per tonne. The content of a locked period is kept when it is
first made, so that names changed later change no byte of it; every form is rendered from that content.

row_hash   : SHA-256 of the row's CSV text before its last comma, in UTF-8
export_batch: the first 16 digits of the SHA-256 over all rows without these two columns, and the journals
"""

from __future__ import annotations

import gzip
import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone

from inventory.audit import record_event
from inventory.models import (
    ExportBatch,
    KeptExport,
    Period,
    PeriodStep,
    User,
)
from inventory.period_forms import FORMS
from inventory.period_rows import BookOfPeriod, Row, journal_rows, owner_of, row_hash, row_of, trailer_of
from inventory.rights import require
from inventory.sheet import sheet_of
from inventory.sheet_lines import Line

Content = dict[str, Any]


@transaction.atomic
def export_period(period: Period, form: str, by: User | None = None) -> bytes:
    """The period's file in one of `FORMS`, its batch and its event recorded.

    `by` is empty for the command, which whoever runs the server may use. Raises `NotAllowed`, and
    `JournalRefused` where a journal does not balance. A locked period gives the same bytes every time.
    """
    organization = period.site.organization
    if by is not None:
        require(by, organization, "export_period")
    content = content_of(period)
    data = FORMS[form].render(content)
    sha256 = hashlib.sha256(data).hexdigest()
    given = {"bytes": len(data), "rows_n": len(content["rows"]), "by": by, "at": timezone.now()}
    if not ExportBatch.objects.filter(period=period, form=form, sha256=sha256).exists():
        ExportBatch.objects.create(period=period, form=form, sha256=sha256, **given)
    detail = {"form": form, "sha256": sha256, "rows": given["rows_n"], "batch": content["export_batch"]}
    record_event(organization, by=by, verb="export_period", subject=period, detail=detail)
    return data


def content_of(period: Period) -> Content:
    """Rows, journals and trailer as plain texts; of a locked period as they were kept."""
    if period.state != Period.State.LOCKED:
        return _made(period)
    step = PeriodStep.objects.filter(period=period, to_state=Period.State.LOCKED).order_by("-pk").first()
    kept = KeptExport.objects.filter(step=step).first()
    if kept is None:
        content = _made(period)
        packed = json.dumps(content, ensure_ascii=False).encode("utf-8")
        kept, _ = KeptExport.objects.get_or_create(
            step=step,
            defaults={
                "period": period,
                "content_gz": gzip.compress(packed, mtime=0),
                "sha256": hashlib.sha256(packed).hexdigest(),
                "kept_at": timezone.now(),
            },
        )
    content: Content = json.loads(gzip.decompress(bytes(kept.content_gz)))
    return content


def _made(period: Period) -> Content:
    period = Period.objects.select_related("site__organization").get(pk=period.pk)
    book = BookOfPeriod.of(period)
    journals = journal_rows(book.entries, period.site.currency)
    rows = [row_of(line, period, book) for line in _ordered(sheet_of(period).lines)]
    batch = _batch(rows, journals)
    for row in rows:
        row["export_batch"] = batch
        row["row_hash"] = row_hash(row)
    return {
        "company": period.site.organization.name,
        "site": period.site.code,
        "period": period.name,
        "state": period.state,
        "export_batch": batch,
        "rows": rows,
        "journals": journals,
        "trailer": trailer_of(rows, period, batch, book),
    }


def _ordered(lines: Iterable[Line]) -> list[Line]:
    return sorted(lines, key=lambda line: (line.pile.code, line.pile.material.code, owner_of(line.pile)))


def _batch(rows: Sequence[Row], journals: Sequence[Row]) -> str:
    said = json.dumps([rows, journals], ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(said.encode("utf-8")).hexdigest()[:16]
