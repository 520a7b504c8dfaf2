"""Points of a yard's file as they were read, kept so that the jobs of its piles do not read it each again.

A derivation, never evidence: it may be deleted at any time, and what is missing, damaged or of another
reader is read from the received bytes, with the same result to the bit. `computing.recompute` never uses
it: a replay begins at the bytes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import logging
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pyarrow as pa

from compute import ALGORITHM
from compute.pointfiles import Points, ReadAs, read_points
from compute.records import SourceFile
from surveys import storage

log = logging.getLogger(__name__)

FOLDER = "parsed"
KEPT_FOR = dt.timedelta(days=30)
"""A survey is measured within days; later versions read its bytes again."""

HASH_BYTES = 32
NUMBERS = ("northing_m", "easting_m", "elevation_m", "code_index", "line")
TEXTS = ("names", "notes")
READING = ("name", "sha256", "columns", "unit", "delimiter", "decimal")


def points_of(file: Mapping[str, Any], organization_id: int, data: Callable[[], bytes]) -> Points:
    """The points of a pinned file, from what was kept or else from its bytes, which `data` gives."""
    kept = found(file, organization_id)
    if kept is not None:
        return kept
    points = read_pinned(file, data())
    keep(file, organization_id, points)
    return points


def read_pinned(file: Mapping[str, Any], data: bytes) -> Points:
    return read_points(
        data,
        file["name"],
        columns=file["columns"] and tuple(file["columns"]),
        unit=file["unit"],
        delimiter=file["delimiter"],
        decimal=file["decimal"],
    )


def keep(file: Mapping[str, Any], organization_id: int, points: Points) -> None:
    """Keep the points beside the evidence. A store that takes nothing now costs time later, no more."""
    written = packed(points)
    try:
        with storage.arriving(iter([written]), file["name"], None) as arrived:
            storage.place(arrived, path_of(file, organization_id))
    except OSError as fault:
        log.warning("The parsed form of %s was not kept: %s", file["name"], fault)


def found(file: Mapping[str, Any], organization_id: int) -> Points | None:
    """What was kept of the file, or None where nothing whole was."""
    path = path_of(file, organization_id)
    try:
        with storage.store().open(path, "rb") as kept:
            data = kept.read()
    except OSError:
        return None
    if hashlib.sha256(data[HASH_BYTES:]).digest() != data[:HASH_BYTES]:
        log.warning("The parsed form of %s at %s is damaged; its bytes are read.", file["name"], path)
        return None
    return unpacked(data)


def forget(before: dt.datetime) -> int:
    """Delete what was kept before that moment; returns how many. An object store ends them by a rule of
    its own for the prefix `parsed/`."""
    folder = storage.local_path(FOLDER)
    if folder is None:
        return 0
    gone = 0
    for path in folder.glob("*/*/*"):
        if path.stat().st_mtime < before.timestamp():
            path.unlink(missing_ok=True)
            gone += 1
    return gone


def path_of(file: Mapping[str, Any], organization_id: int) -> str:
    """Named by the bytes, how they are read, and the calculation that read them."""
    how = json.dumps([ALGORITHM, *(file[name] for name in READING)], ensure_ascii=True)
    key = hashlib.sha256(how.encode()).hexdigest()
    return f"{FOLDER}/{organization_id}/{key[:2]}/{key}"


def packed(points: Points) -> bytes:
    """One hash, then an Arrow file of one batch with all else in its schema."""
    columns = {name: pa.array(getattr(points, name)) for name in NUMBERS}
    columns |= {name: text for name in TEXTS if (text := getattr(points, name)) is not None}
    beside = {"codes": points.codes, "source": asdict(points.source), "read_as": asdict(points.read_as)}
    batch = pa.RecordBatch.from_pydict(columns, metadata={"points": json.dumps(beside)})
    out = io.BytesIO()
    with pa.ipc.new_file(out, batch.schema) as file:
        file.write_batch(batch)
    body = out.getvalue()
    return hashlib.sha256(body).digest() + body


def unpacked(data: bytes) -> Points:
    with pa.ipc.open_file(pa.py_buffer(data).slice(HASH_BYTES)) as file:
        batch = file.get_batch(0)
    beside = json.loads(batch.schema.metadata[b"points"])
    read_as = {key: tuple(v) if isinstance(v, list) else v for key, v in beside["read_as"].items()}
    present = set(batch.schema.names)
    return Points(
        **{name: _numbers(batch.column(name)) for name in NUMBERS},
        **{name: batch.column(name) if name in present else None for name in TEXTS},
        codes=tuple(beside["codes"]),
        source=SourceFile(**beside["source"]),
        read_as=ReadAs(**read_as),
    )


def _numbers(column: pa.Array) -> np.ndarray:
    values: np.ndarray = column.to_numpy(zero_copy_only=True)
    return values
